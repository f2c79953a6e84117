package fleet_test

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/golang/snappy"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protowire"

	"liftbank/agent/fleet"
	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/setup"
	"liftbank/agent/fleet/wire"
	"liftbank/agent/readings"
	"liftbank/agent/records"
	"liftbank/cmd/pgtest"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// voltsOf is what a unit's battery had at a minute, in mV as units tell it: no two alike within a day.
func voltsOf(unit, minute int) int { return 10_000 + (unit*211+minute*7)%1440 }

// hourOf is the message with an hour of a unit's minutes.
func hourOf(t *testing.T, p *wire.Parser, unit, hour int, from time.Time) wire.Message {
	t.Helper()
	layout := readings.LayoutOf([]string{"a"})
	var rows []readings.Row
	for m := range 60 {
		row := readings.Row{Start: time.Duration(m) * time.Minute, Stats: make([]readings.Stat, len(layout))}
		for k, s := range layout {
			if s.Figure == readings.VoltageV && s.Battery == "a" {
				x := int32(voltsOf(unit, hour*60+m))
				row.Stats[k] = readings.Stat{Min: x, Mean: x, Max: x, Known: true}
			}
		}
		rows = append(rows, row)
	}
	b, err := readings.Compress(layout, rows, readings.Bounds{})
	require.NoError(t, err)
	start := from.Add(time.Duration(hour) * time.Hour)
	name := fmt.Sprintf("t-%d", unit)
	body, err := json.Marshal(records.Readings{
		Head: records.Head{
			Schema: records.ReadingsSchema, Unit: name, Session: "s1", Stream: wire.Readings, First: 1, Seq: uint64(hour + 1),
			At: start.Add(time.Hour), ClockTrusted: true, MonoS: float64((hour + 1) * 3600),
		},
		Start: start, Readings: b,
	})
	require.NoError(t, err)
	message, err := p.Parse("liftbank/v1/"+name+"/readings", body)
	require.NoError(t, err)
	return message
}

// tsdb is a time-series database that two collectors send to, each under a path of its own.
type tsdb struct {
	mu    sync.Mutex
	got   map[string]map[int64][]float64 // by series and instant, all that came
	n     int                            // samples
	dead  map[string]bool                // whose requests get no answer
	heard func(who string)               // after what was sent is taken and before it is answered
}

func (d *tsdb) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	who := strings.Trim(r.URL.Path, "/")
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return
	}
	d.mu.Lock()
	dead := d.dead[who]
	if !dead {
		if err := d.take(body); err != nil {
			panic(err)
		}
		d.heard(who)
		dead = d.dead[who] // dies with its request taken and the answer lost
	}
	d.mu.Unlock()
	if dead {
		panic(http.ErrAbortHandler)
	}
	w.WriteHeader(http.StatusNoContent)
}

// take reads a request of remote write 1.0 by the field numbers of its specification.
func (d *tsdb) take(body []byte) error {
	raw, err := snappy.Decode(nil, body)
	if err != nil {
		return err
	}
	return each(raw, func(_ protowire.Number, series []byte, _ uint64) error {
		var name string
		return each(series, func(n protowire.Number, part []byte, _ uint64) error {
			var pair [2]string
			var v float64
			var at int64
			err := each(part, func(k protowire.Number, text []byte, x uint64) error {
				if n == 1 {
					pair[k-1] = string(text)
				} else if k == 1 {
					v = math.Float64frombits(x)
				} else {
					at = int64(x)
				}
				return nil
			})
			switch {
			case n == 1 && (pair[0] == "__name__" || pair[0] == "unit"):
				name += " " + pair[1]
			case n == 2:
				if d.got[name] == nil {
					d.got[name] = map[int64][]float64{}
				}
				d.got[name][at] = append(d.got[name][at], v)
				d.n++
			}
			return err
		})
	})
}

func each(b []byte, do func(n protowire.Number, value []byte, x uint64) error) error {
	for len(b) > 0 {
		n, kind, used := protowire.ConsumeTag(b)
		if used < 0 {
			return protowire.ParseError(used)
		}
		b = b[used:]
		var value []byte
		var x uint64
		switch kind {
		case protowire.BytesType:
			value, used = protowire.ConsumeBytes(b)
		case protowire.VarintType:
			x, used = protowire.ConsumeVarint(b)
		case protowire.Fixed64Type:
			x, used = protowire.ConsumeFixed64(b)
		default:
			return errors.New("another type")
		}
		if used < 0 {
			return protowire.ParseError(used)
		}
		b = b[used:]
		if err := do(n, value, x); err != nil {
			return err
		}
	}
	return nil
}

// Of two collectors on one PostgreSQL, the one that sends series dies, with a request that was taken and not answered: the
// other goes on where the cursor stands. Later that one dies, too, and the first is back. No minute is missing, none has
// another time or value, and what is sent again is what had not been answered.
func TestSeriesGoOnWhereTheOtherEnded(t *testing.T) {
	const units, hours = 6, 24
	address := pgtest.URL(t)
	from := time.Now().Add(-40 * time.Hour).Truncate(time.Hour).UTC()
	store, err := db.Open(t.Context(), address, db.Options{})
	require.NoError(t, err)
	parser, err := wire.NewParser("liftbank")
	require.NoError(t, err)
	for h := range hours {
		var batch []wire.Message
		for u := range units {
			batch = append(batch, hourOf(t, parser, u, h, from))
		}
		_, err := store.Commit(t.Context(), time.Now(), batch)
		require.NoError(t, err)
	}
	require.NoError(t, store.Close())

	// A collector that is dead has lost its connections to the database and gets no new ones.
	admin, err := sql.Open("pgx", address)
	require.NoError(t, err)
	t.Cleanup(func() { _ = admin.Close() })
	must := func(query string) {
		_, err := admin.Exec(query)
		require.NoError(t, err, query)
	}
	roles := map[string]string{}
	for _, who := range []string{"a", "b"} {
		roles[who] = fmt.Sprintf("%s%d", who, time.Now().UnixNano())
		must("CREATE ROLE " + roles[who] + " LOGIN SUPERUSER")
	}
	died := make(chan string, 2)
	requests := map[string]int{} // of those that lived
	deaths := 0
	d := &tsdb{got: map[string]map[int64][]float64{}, dead: map[string]bool{}}
	d.heard = func(who string) {
		requests[who]++
		if requests[who] == 2 && deaths < 2 {
			deaths++
			d.dead[who] = true
			must("ALTER ROLE " + roles[who] + " NOLOGIN")
			must("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE usename = '" + roles[who] + "'")
			died <- who
		}
	}
	server := httptest.NewServer(d)
	t.Cleanup(server.Close)

	ctx, stop := context.WithCancel(t.Context())
	var ended []chan error
	for _, who := range []string{"a", "b"} {
		cfg := setup.Default()
		cfg.MQTT.Broker = "mqtt://127.0.0.1:1"
		cfg.Database.URL = strings.Replace(address, "user=fleet", "user="+roles[who], 1)
		cfg.Series.Receivers = []setup.Receiver{{Name: "main", Remote: setup.Remote{URL: server.URL + "/" + who}}}
		c, err := fleet.New(t.Context(), fleet.Options{Config: cfg, LeadEvery: 50 * time.Millisecond})
		require.NoError(t, err)
		done := make(chan error, 1)
		go func() { done <- c.Run(ctx, nil) }()
		ended = append(ended, done)
	}
	defer func() {
		stop()
		for _, done := range ended {
			assert.NoError(t, receive(t, done, "a collector's end"))
		}
	}()

	first := receive(t, died, "the death of the one that sends")
	require.NotEqual(t, first, receive(t, died, "the other's, once it has gone on"))
	d.mu.Lock()
	d.dead[first] = false
	must("ALTER ROLE " + roles[first] + " LOGIN")
	d.mu.Unlock()
	complete := func() bool {
		d.mu.Lock()
		defer d.mu.Unlock()
		for u := range units {
			if len(d.got[fmt.Sprintf(" liftbank_battery_volts t-%d", u)]) < hours*60 {
				return false
			}
		}
		return true
	}
	require.Eventually(t, complete, patience, 10*time.Millisecond)
	d.mu.Lock()
	defer d.mu.Unlock()
	series := 0
	for name, all := range d.got {
		var unit int
		if _, err := fmt.Sscanf(name, " liftbank_battery_volts t-%d", &unit); err != nil {
			continue
		}
		series++
		assert.Len(t, all, hours*60, name)
		for m := range hours * 60 {
			values := all[from.Add(time.Duration(m)*time.Minute).UnixMilli()]
			require.NotEmpty(t, values, "%s: minute %d", name, m)
			for _, v := range values {
				require.Equal(t, voltsOf(unit, m), int(math.Round(v*1000)), "%s: minute %d", name, m)
			}
		}
	}
	assert.Equal(t, units, series)
	distinct := 0
	for _, all := range d.got {
		distinct += len(all)
	}
	t.Logf("%d samples, %d of them twice; requests %v", d.n, d.n-distinct, requests)
	const ofARequest = 10_000 + 420 // and what its last record has more
	assert.LessOrEqual(t, d.n-distinct, deaths*ofARequest, "only what was not answered is sent again")
}
