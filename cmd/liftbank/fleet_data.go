//go:build !board

package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strconv"
	"text/tabwriter"
	"time"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/wire"
)

// fleetData is what a command on the fleet's database is given.
type fleetData struct {
	Config string `required:"" placeholder:"FLEET.yaml" help:"Configuration file of the collector, which may run meanwhile."`
}

// open opens the database that the configuration names.
func (f fleetData) open(s streams) (*db.DB, string, error) {
	cfg, err := loadFleet(f.Config)
	if err != nil {
		return nil, "", err
	}
	address, err := cfg.Database.Address()
	if err != nil {
		return nil, "", err
	}
	d, err := db.Open(s.ctx, address, db.Options{})
	return d, cfg.MQTT.Prefix, err
}

type fleetQuarantineCmd struct {
	List   quarantineListCmd   `cmd:"" help:"List messages that were refused, and why."`
	Replay quarantineReplayCmd `cmd:"" help:"Read refused messages again: what this program can read is stored as if it came now."`
	Drop   quarantineDropCmd   `cmd:"" help:"Delete refused messages."`
}

// Help says what is there.
func (fleetQuarantineCmd) Help() string {
	return "A message that breaks its schema, has one that is not known, or the name of another unit, is kept here with the " +
		"reason. After an update of this program, replay takes what it can read by then.\n\nExample: liftbank fleet " +
		"quarantine replay --config /etc/liftbank/fleet.yaml --reason schema-unknown"
}

// quarantined is which messages.
type quarantined struct {
	fleetData
	ID     []int64 `placeholder:"N" help:"Only messages with these numbers."`
	Unit   string  `placeholder:"ID" help:"Only of this unit."`
	Reason string  `placeholder:"WHY" help:"Only those refused for this reason, such as schema-unknown."`
}

// each calls do with the messages, in order of their numbers, many at a time.
func (q quarantined) each(s streams, d *db.DB, full bool, do func([]db.Quarantined) error) error {
	if q.Reason != "" && !slices.Contains(wire.Reasons, wire.Reason(q.Reason)) {
		return usageError{fmt.Errorf("--reason %q: want one of %v", q.Reason, wire.Reasons)}
	}
	const most = 500
	query := db.QuarantineQuery{IDs: q.ID, Unit: q.Unit, Reason: wire.Reason(q.Reason), Limit: most, Full: full}
	for {
		list, err := d.Quarantined(s.ctx, query)
		if err != nil || len(list) == 0 {
			return err
		}
		query.After = list[len(list)-1].ID
		if err := do(list); err != nil {
			return err
		}
	}
}

type quarantineListCmd struct {
	quarantined
	Payload bool `help:"Print the messages themselves, as JSON lines."`
}

// Run lists messages.
func (c quarantineListCmd) Run(s streams) error {
	d, _, err := c.open(s)
	if err != nil {
		return err
	}
	defer d.Close()
	lines := json.NewEncoder(s.out)
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	if !c.Payload {
		fmt.Fprintln(table, "number\tat\treason\ttopic\tbytes\tdetail")
	}
	err = c.each(s, d, c.Payload, func(list []db.Quarantined) error {
		for _, m := range list {
			if c.Payload {
				if err := lines.Encode(m); err != nil {
					return err
				}
				continue
			}
			fmt.Fprintf(table, "%d\t%s\t%s\t%q\t%d\t%s\n", m.ID, m.At.Format(time.RFC3339), m.Reason, m.Topic, m.Bytes, m.Detail)
		}
		return nil
	})
	if err != nil {
		return err
	}
	return table.Flush()
}

type quarantineReplayCmd struct{ quarantined }

// Run reads messages again.
func (c quarantineReplayCmd) Run(s streams) error {
	d, prefix, err := c.open(s)
	if err != nil {
		return err
	}
	defer d.Close()
	p, err := wire.NewParser(prefix)
	if err != nil {
		return err
	}
	stored, known, still := 0, 0, 0
	err = c.each(s, d, true, func(list []db.Quarantined) error {
		var batch []wire.Message
		var done []int64
		for _, q := range list {
			m, err := p.Parse(q.Topic, q.Payload)
			if err != nil {
				still++
				continue
			}
			m.Retained, m.Late = q.Retained, true
			batch, done = append(batch, m), append(done, q.ID)
		}
		out, err := d.Commit(s.ctx, time.Now(), batch)
		if err != nil {
			return err
		}
		for _, fresh := range out.New {
			if fresh {
				stored++
			} else {
				known++
			}
		}
		_, err = d.DropQuarantined(s.ctx, done)
		return err
	})
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(s.out, "stored %d, known already %d, still refused %d\n", stored, known, still)
	return err
}

type quarantineDropCmd struct {
	quarantined
	All bool `help:"Delete all of them, if none of the other flags says which."`
}

// Run deletes messages.
func (c quarantineDropCmd) Run(s streams) error {
	if !c.All && len(c.ID) == 0 && c.Unit == "" && c.Reason == "" {
		return usageError{fmt.Errorf("quarantine drop: want --id, --unit or --reason, or --all")}
	}
	d, _, err := c.open(s)
	if err != nil {
		return err
	}
	defer d.Close()
	dropped := int64(0)
	err = c.each(s, d, false, func(list []db.Quarantined) error {
		var ids []int64
		for _, m := range list {
			ids = append(ids, m.ID)
		}
		n, err := d.DropQuarantined(s.ctx, ids)
		dropped += n
		return err
	})
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(s.out, "deleted %d\n", dropped)
	return err
}

type fleetExportCmd struct {
	fleetData
	Stream string    `required:"" enum:"readings,runs,findings,visits" help:"Which records: readings, runs, findings or visits."`
	Form   string    `enum:"jsonl,csv" default:"jsonl" help:"jsonl: a line of JSON a record; csv: the record's JSON in the last column (default ${default})."`
	Unit   string    `placeholder:"ID" help:"Only of this unit."`
	From   time.Time `placeholder:"TIME" help:"Only received since then, such as 2026-03-01T00:00:00Z."`
	To     time.Time `placeholder:"TIME" help:"Only received before."`
}

// Help gives an example.
func (fleetExportCmd) Help() string {
	return "Prints records as they were sent, in the order in which they came.\n\nExample: liftbank fleet export --config " +
		"/etc/liftbank/fleet.yaml --stream runs --form csv > runs.csv"
}

// Run exports records.
func (c fleetExportCmd) Run(s streams) error {
	d, _, err := c.open(s)
	if err != nil {
		return err
	}
	defer d.Close()
	write, flush := exporter(s.out, c.Form)
	const most = 1000
	for after := int64(0); ; {
		list, err := d.Records(s.ctx, c.Stream, after, most)
		if err != nil {
			return err
		}
		if len(list) == 0 {
			return flush()
		}
		after = list[len(list)-1].ID
		for i := range list {
			r := &list[i]
			if c.Unit != "" && r.Unit != c.Unit || r.ReceivedAt.Before(c.From) || !c.To.IsZero() && !r.ReceivedAt.Before(c.To) {
				continue
			}
			if err := write(r); err != nil {
				return err
			}
		}
	}
}

func exporter(out io.Writer, form string) (write func(*db.Record) error, flush func() error) {
	if form == "jsonl" {
		lines := json.NewEncoder(out)
		return func(r *db.Record) error { return lines.Encode(r) }, func() error { return nil }
	}
	table := csv.NewWriter(out)
	header := []string{"id", "unit", "stream", "session", "seq", "at", "mono_s", "clock_trusted", "received_at", "body"}
	begun := false
	begin := func() error {
		if begun {
			return nil
		}
		begun = true
		return table.Write(header)
	}
	write = func(r *db.Record) error {
		if err := begin(); err != nil {
			return err
		}
		return table.Write([]string{
			strconv.FormatInt(r.ID, 10), r.Unit, r.Stream, r.Session, strconv.FormatUint(r.Seq, 10), r.At.Format(time.RFC3339Nano),
			strconv.FormatFloat(r.MonoS, 'f', -1, 64), strconv.FormatBool(r.Trusted), r.ReceivedAt.Format(time.RFC3339Nano), string(r.Body),
		})
	}
	return write, func() error {
		if err := begin(); err != nil {
			return err
		}
		table.Flush()
		return table.Error()
	}
}
