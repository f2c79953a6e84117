package main

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	_ "github.com/jackc/pgx/v5/stdlib" // driver pgx
	_ "modernc.org/sqlite"             // driver sqlite

	"liftbank/agent/store/outbox"
)

// open opens the rig's database as an onlooker.
func (r *rig) open() (*sql.DB, error) {
	if path, ok := strings.CutPrefix(r.url, "sqlite://"); ok {
		return sql.Open("sqlite", "file:"+path+"?_pragma=busy_timeout(30000)")
	}
	return sql.Open("pgx", r.url)
}

// stored returns the number of the last record; 0 while the database is away.
func stored(ctx context.Context, d *sql.DB) (n int64) {
	_ = d.QueryRowContext(ctx, "SELECT value FROM counter WHERE name = 'record'").Scan(&n) // away: none
	return n
}

// count is what became of a stream's records.
type count struct{ made, stored, missing, twice, confused, gone, left int }

func (c *count) add(o count) {
	c.made += o.made
	c.stored += o.stored
	c.missing += o.missing
	c.twice += o.twice
	c.confused += o.confused
	c.gone += o.gone
	c.left += o.left
}

func (c *count) bad() bool { return c.missing+c.twice+c.confused+c.left > 0 }

// compare compares what units made with what is stored, by what says that of one stream. The units end.
func compare(ctx context.Context, units []*unit, stream func(unit string, of outbox.Stream, made int) (count, error)) (all count, table string, err error) {
	byStream := [outbox.Streams]count{}
	for _, u := range units {
		left, err := u.left(ctx)
		if err != nil {
			return all, "", err
		}
		all.left += left
		u.close() // it alone may read its file
		if err := u.countReadings(ctx); err != nil {
			return all, "", err
		}
		for of, made := range u.made {
			c, err := stream(u.name, outbox.Stream(of), made)
			if err != nil {
				return all, "", err
			}
			byStream[of].add(c)
		}
	}
	var b strings.Builder
	t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "stream\tmade\tstored\tmissing\ttwice\tconfused\tnamed as gone\t")
	for of, c := range byStream {
		if c.made > 0 || c.stored > 0 {
			fmt.Fprintf(t, "%s\t%d\t%d\t%d\t%d\t%d\t%d\t\n", outbox.Stream(of), c.made, c.stored, c.missing, c.twice, c.confused, c.gone)
		}
		all.add(c)
	}
	if err := t.Flush(); err != nil {
		return all, "", err
	}
	fmt.Fprintf(&b, "left in the units' outboxes: %d\n", all.left)
	return all, b.String(), nil
}

// compareStream compares by unit, stream, session and number, and by what a record is about.
func compareStream(ctx context.Context, d *sql.DB, unit string, of outbox.Stream, made int) (c count, err error) {
	c.made = made
	times, sessions := map[uint64]int{}, map[string]bool{}
	rows, err := d.QueryContext(ctx, `SELECT r.seq, s.session, r.body FROM record r JOIN stream s ON s.id = r.stream
		JOIN unit u ON u.id = r.unit WHERE u.name = $1 AND r.kind = $2`, unit, int(of)) // kinds are stored in the order of the outbox's streams
	if err != nil {
		return c, err
	}
	defer rows.Close()
	for rows.Next() {
		var seq uint64
		var session, body string
		if err := rows.Scan(&seq, &session, &body); err != nil {
			return c, err
		}
		c.stored++
		if times[seq]++; times[seq] > 1 {
			c.twice++
		}
		sessions[session] = true
		var m struct {
			Unit, Session, Stream string
			Seq                   uint64
			Run                   struct{ Number uint64 }
			Finding               struct{ Seq uint64 }
		}
		if err := json.Unmarshal([]byte(body), &m); err != nil {
			return c, err
		}
		about := map[outbox.Stream]uint64{outbox.Runs: m.Run.Number, outbox.Findings: m.Finding.Seq}
		if number, has := about[of]; m.Unit != unit || m.Session != session || m.Seq != seq || has && number != seq {
			c.confused++
		}
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return c, err
	}
	if len(sessions) > 1 {
		c.confused++
	}
	gaps := map[uint64]bool{}
	rows, err = d.QueryContext(ctx, `SELECT g.from_seq, g.to_seq FROM gap g JOIN unit u ON u.id = g.unit
		WHERE u.name = $1 AND g.kind = $2`, unit, int(of)) // kinds are stored in the order of the outbox's streams
	if err != nil {
		return c, err
	}
	defer rows.Close()
	for rows.Next() {
		var from, to uint64
		if err := rows.Scan(&from, &to); err != nil {
			return c, err
		}
		for seq := from; seq <= to; seq++ {
			gaps[seq] = true
		}
	}
	for seq := uint64(1); seq <= uint64(made); seq++ {
		switch {
		case times[seq] > 0:
		case gaps[seq]:
			c.gone++
		default:
			c.missing++
		}
	}
	for seq := range times {
		if seq > uint64(made) {
			c.confused++
		}
	}
	return c, rows.Err()
}

// verdict prints what became of the records, and is an error if one was lost or is there twice.
func (r *rig) verdict(ctx context.Context, out io.Writer, c *crew) (count, error) {
	d, err := r.open()
	if err != nil {
		return count{}, err
	}
	defer d.Close()
	all, table, err := compare(ctx, c.units, func(unit string, of outbox.Stream, made int) (count, error) {
		return compareStream(ctx, d, unit, of, made)
	})
	if err != nil {
		return all, err
	}
	var aside int
	if err := d.QueryRowContext(ctx, "SELECT count(*) FROM quarantine").Scan(&aside); err != nil {
		return all, err
	}
	fmt.Fprintf(out, "%sset aside as not understood: %d\n", table, aside)
	if all.bad() || aside > 0 {
		return all, errors.New("records were lost, confused or stored twice")
	}
	return all, nil
}
