package main

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"liftbank/agent/fleet/wire"
	"liftbank/agent/records"
	"liftbank/agent/store/outbox"
	"liftbank/cmd/internal/fleetload"
)

// besideTest puts a general-purpose agent, which takes MQTT messages into a database, in the place of the
// collector: the same messages at full speed, and the same kills. Both have PostgreSQL.
//
// The agent's settings are those that its documentation has against loss: a persistent session with QoS 1, messages
// acknowledged after they were written, starts that are tried again. It stores each payload as text with its topic
// and the time it came, which is less work than taking it apart. Batch and pauses are the collector's.
func besideTest(ctx context.Context, o options) error {
	if o.agent == "" {
		return errors.New("want -agent, the program of the general-purpose agent (DEVELOPERS.md says how it is built)")
	}
	o.database = "postgres"
	if o.messages == 0 {
		o.messages = 30_000
	}
	if err := os.Chmod(o.dir, 0o755); err != nil { // PostgreSQL's account goes through it
		return err
	}
	var table strings.Builder
	t := tabwriter.NewWriter(&table, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "killed\tkills\tcollector\trecords made\tmissing\tmore than once\tcopies too many\tset aside\tstood still")
	only, err := regexp.Compile(o.only)
	if err != nil {
		return fmt.Errorf("-only: %w", err)
	}
	if o.program == "" {
		if o.program, err = (&rig{o: o}).build(ctx); err != nil {
			return err
		}
	}
	for k, who := range []string{collectorItself, generalAgent} {
		for n, what := range []string{"", "collector", "broker", "database"} {
			o := o
			o.what = what
			if !only.MatchString(who + " " + what) {
				continue
			}
			o.dir = filepath.Join(o.dir, fmt.Sprintf("%d%d", k, n)) // a socket's path must be short
			if err := os.Mkdir(o.dir, 0o755); err != nil {
				return err
			}
			b := &beside{who: who}
			if b.rig, err = startRig(ctx, o); err != nil {
				return err
			}
			if what == "" {
				err = b.load(ctx)
			} else {
				err = b.kills(ctx, t)
			}
			b.rig.close()
			if err != nil {
				return fmt.Errorf("%s, %s killed: %w", who, what, err)
			}
			if err := os.RemoveAll(o.dir); err != nil {
				return err
			}
		}
	}
	if err := t.Flush(); err != nil {
		return err
	}
	_, err = fmt.Print(table.String())
	return err
}

const collectorItself, generalAgent = "liftbank fleet run", "general-purpose agent"

// beside is one of the two with its broker and its database.
type beside struct {
	who string
	rig *rig
	db  *sql.DB
}

// start starts the collector or the agent, and waits until it has a session: what came before that would be lost, and
// is not what is compared.
func (b *beside) start(ctx context.Context, pauses string) (*server, error) {
	r := b.rig
	var s *server
	var err error
	if b.who == generalAgent {
		s, err = r.addAgent(pauses)
	} else {
		s, err = r.addCollector(ctx, pauses, r.brokerURL)
	}
	if err != nil {
		return nil, err
	}
	if b.db, err = r.open(); err != nil {
		return nil, err
	}
	if err := s.start(ctx); err != nil {
		return nil, err
	}
	if err := b.probe(ctx); err != nil {
		return nil, fmt.Errorf("nothing is stored: %w", errors.Join(err, s.said()))
	}
	return s, nil
}

// probe sends a status of a unit that is not one of the test until it is stored.
func (b *beside) probe(ctx context.Context) error {
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(fleetload.URL(b.rig.brokerURL)).SetClientID("probe"))
	if t := c.Connect(); t.Wait() && t.Error() != nil {
		return t.Error()
	}
	defer c.Disconnect(0)
	connection := uint64(0)
	return await(ctx, time.Minute, func() (bool, error) {
		connection++
		body, err := json.Marshal(records.Status{Schema: records.StatusSchema, Unit: "probe", Session: "s", Connection: connection,
			Status: records.Online, At: time.Now().UTC()})
		if err != nil {
			return false, err
		}
		if t := c.Publish("liftbank/v1/probe/status", 1, false, body); t.Wait() && t.Error() != nil {
			return false, t.Error()
		}
		var n int
		query := "SELECT count(*) FROM unit WHERE name = 'probe'"
		if b.who == generalAgent {
			query = "SELECT count(*) FROM " + agentTable
		}
		err = b.db.QueryRowContext(ctx, query).Scan(&n) // no table yet
		return err == nil && n > 0, pause(ctx, 100*time.Millisecond)
	})
}

// stored grows with what is stored; 0 while the database is away.
func (b *beside) stored(ctx context.Context) (n int64) {
	if b.who == collectorItself {
		return stored(ctx, b.db)
	}
	_ = b.db.QueryRowContext(ctx, "SELECT max(id) FROM "+agentTable).Scan(&n) // away: none
	return n
}

// agentTable is what the agent calls its messages.
const agentTable = "mqtt_consumer"

// addAgent makes the agent's process.
func (r *rig) addAgent(pauses string) (*server, error) {
	interval, flush := "1s", "1s"
	if pauses == short {
		interval, flush = "50ms", "50ms"
	}
	var topics []string
	for _, leaf := range wire.Leaves {
		topics = append(topics, strconv.Quote("liftbank/v1/+/"+leaf))
	}
	text := fmt.Sprintf(`[agent]
interval = %q
round_interval = false
flush_interval = %q
flush_jitter = "0s"
metric_batch_size = 500
metric_buffer_limit = 100000
omit_hostname = true
[[inputs.mqtt_consumer]]
servers = [%q]
topics = [%s]
qos = 1
persistent_session = true
client_id = "agent"
max_undelivered_messages = 1000
startup_error_behavior = "retry"
data_format = "value"
data_type = "string"
[[outputs.postgresql]]
connection = %q
startup_error_behavior = "retry"
create_templates = ['''CREATE TABLE {{ .table }} (id bigserial PRIMARY KEY, {{ .columns }})''']
`, interval, flush, fleetload.URL(r.brokerURL), strings.Join(topics, ", "), r.url)
	config := filepath.Join(r.o.dir, "agent.toml")
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		return nil, err
	}
	s := &server{
		name: "agent", output: filepath.Join(r.o.dir, "agent.log"),
		make: func() (*exec.Cmd, error) { return exec.Command(r.o.agent, "--config", config), nil },
	}
	r.collectors = append(r.collectors, s)
	return s, nil
}

// load has it take messages at the broker's full speed.
func (b *beside) load(ctx context.Context) error {
	r := b.rig
	s, err := b.start(ctx, "")
	if err != nil {
		return err
	}
	defer b.db.Close()
	first := b.messages(ctx)
	w := newWatch(r)
	began := time.Now()
	args := []string{"fleet", "load", "--json", "--broker", r.brokerURL, "--units", strconv.Itoa(r.o.units), "--connections",
		strconv.Itoa(r.o.connections), "--messages", strconv.Itoa(r.o.messages), "--rate", fmt.Sprint(r.o.rate), "--confirmed", "0"}
	cmd := exec.CommandContext(ctx, r.o.program, args...)
	var out, said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &said
	if err := cmd.Run(); err != nil {
		return fmt.Errorf("fleet load: %w: %s", err, said.String())
	}
	var result fleetload.Result
	if err := json.Unmarshal(out.Bytes(), &result); err != nil {
		return err
	}
	// The collector stores snapshots in a unit's row: what it has received and committed it says itself.
	const patience = 2 * time.Minute
	if err := await(ctx, patience, func() (bool, error) {
		return b.messages(ctx)-first >= int64(result.Messages), pause(ctx, 100*time.Millisecond)
	}); err != nil {
		return fmt.Errorf("%d of %d messages: %w", b.messages(ctx)-first, result.Messages, errors.Join(err, s.said()))
	}
	spent := w.spent()
	per := func(k int) float64 {
		return float64((spent[k] - w.cpu[k]).Microseconds()) / float64(result.Messages)
	}
	_, most := s.memoryMB()
	fmt.Printf("%s: %d messages of %.0f bytes, %.0f s with the load's start: its own CPU %.0f µs a message, database %.0f µs, both %.0f µs; at most %.0f MiB; "+
		"load average %s\n", b.who, result.Messages, float64(result.Bytes)/float64(result.Messages), time.Since(began).Seconds(), per(0), per(1), per(0)+per(1),
		most, loadAverage())
	return nil
}

// messages is how many have been stored.
func (b *beside) messages(ctx context.Context) (n int64) {
	if b.who == generalAgent {
		return b.stored(ctx)
	}
	text, err := ask(ctx, b.rig.pages[0]+"/metrics")
	if err != nil {
		return 0
	}
	for line := range strings.Lines(text) {
		for _, name := range []string{"liftbank_fleet_messages_stored_total ", "liftbank_fleet_messages_repeated_total "} {
			if value, is := strings.CutPrefix(line, name); is {
				x, _ := strconv.ParseFloat(strings.TrimSpace(value), 64)
				n += int64(x)
			}
		}
	}
	return n
}

// kills kills one of the servers while units send, and counts in the end.
func (b *beside) kills(ctx context.Context, t *tabwriter.Writer) error {
	r := b.rig
	s, err := b.start(ctx, short)
	if err != nil {
		return err
	}
	defer b.db.Close()
	c, err := startCrew(ctx, r.o.dir, r.brokerURL, 4)
	if err != nil {
		return err
	}
	defer c.close()
	h := &hits{o: r.o, victim: map[string]*server{"collector": s, "broker": r.broker, "database": r.postgres}[r.o.what], stored: b.stored}
	if b.who == generalAgent { // somebody would see it and start it again
		h.restart = func() error {
			s.kill()
			return s.start(ctx)
		}
	}
	if err := h.run(ctx, s.said); err != nil {
		return err
	}
	ctx = context.WithoutCancel(ctx) // interrupted or not, what was made is counted
	if err := c.end(); err != nil {
		return err
	}
	// To the collector units send until it has confirmed all; to the agent, which confirms nothing, what the broker has
	// not acknowledged: that is there when nothing more comes.
	if b.who == collectorItself {
		err = c.drained(ctx, drain)
	} else if err = b.still(ctx); err == nil && r.o.what != "collector" {
		// One that stands still leaves what waits at the broker until it is started again.
		before := b.stored(ctx)
		if err = h.restart(); err == nil {
			err = b.still(ctx)
		}
		if b.stored(ctx) > before {
			h.stalls++
		}
	}
	if err != nil {
		return errors.Join(err, s.said())
	}
	var times map[recordKey]int
	aside, extra := 0, 0
	if b.who == generalAgent {
		times, aside, err = b.kept(ctx)
	} else {
		err = b.db.QueryRowContext(ctx, "SELECT count(*) FROM quarantine").Scan(&aside)
	}
	if err != nil {
		return err
	}
	all, table, err := compare(ctx, c.units, func(unit string, of outbox.Stream, made int) (count, error) {
		if b.who == collectorItself {
			return compareStream(ctx, b.db, unit, of, made)
		}
		x := count{made: made}
		for seq := 1; seq <= made; seq++ {
			switch n := times[recordKey{unit, of.String(), uint64(seq)}]; {
			case n == 0:
				x.missing++
			case n > 1:
				x.twice++
				extra += n - 1
				fallthrough
			default:
				x.stored += n
			}
		}
		return x, nil
	})
	if err != nil {
		return err
	}
	if b.who == collectorItself {
		extra = all.twice
	}
	fmt.Printf("%s: %s\n%s", b.who, h, table)
	fmt.Fprintf(t, "%s\t%d\t%s\t%d\t%d\t%d\t%d\t%d\t%d\n", r.o.what, h.kills, b.who, all.made, all.missing, all.twice, extra, aside, h.stalls)
	return nil
}

// still waits until nothing more is stored.
func (b *beside) still(ctx context.Context) error {
	const quiet, most = 15 * time.Second, 5 * time.Minute
	last, since := b.stored(ctx), time.Now()
	return await(ctx, most, func() (bool, error) {
		if n := b.stored(ctx); n != last {
			last, since = n, time.Now()
		}
		return time.Since(since) > quiet, pause(ctx, 100*time.Millisecond)
	})
}

type recordKey struct {
	unit, stream string
	seq          uint64
}

// kept counts how often the agent has stored each record, and what is no record.
func (b *beside) kept(ctx context.Context) (times map[recordKey]int, strange int, err error) {
	times = map[recordKey]int{}
	rows, err := b.db.QueryContext(ctx, "SELECT topic, value FROM "+agentTable)
	if err != nil {
		return nil, 0, err
	}
	defer rows.Close()
	for rows.Next() {
		var topic, value string
		if err := rows.Scan(&topic, &value); err != nil {
			return nil, 0, err
		}
		var head struct {
			Unit, Stream string
			Seq          uint64
		}
		if json.Unmarshal([]byte(value), &head) != nil {
			strange++
		} else if head.Stream != "" { // a status or a snapshot is none
			times[recordKey{head.Unit, head.Stream, head.Seq}]++
		}
	}
	return times, strange, rows.Err()
}
