package series_test

import (
	"context"
	"errors"
	"math"
	"net/http"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/series"
	"liftbank/agent/fleet/wire"
	"liftbank/agent/metrics"
	"liftbank/agent/metrics/registry"
	"liftbank/agent/readings"
	"liftbank/agent/records"
	"liftbank/agent/snapshot"
)

const ofT1 = `{group="east",instance="t-1",job="liftbank-fleet",unit="t-1"}`

func withBattery(metric string) string {
	return metric + `{battery="a",group="east",instance="t-1",job="liftbank-fleet",unit="t-1"}`
}

var east = db.Unit{ID: "t-1", About: db.About{Group: "east"}}

// started runs a sender in a bubble until the test has its answer.
func started(t *testing.T, o series.Options) *series.Sender {
	t.Helper()
	s, err := series.New(o)
	require.NoError(t, err)
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		assert.NoError(t, s.Run(ctx))
	}()
	t.Cleanup(func() { stop(); <-done })
	return s
}

func to(r *receiver) []series.Receiver {
	return []series.Receiver{{Name: "main", URL: "http://tsdb/api/v1/write", Client: r.client()}}
}

// at makes the bubble's clock (it begins in the year 2000) the time of the tests.
func at(t *testing.T, when time.Time) {
	t.Helper()
	time.Sleep(time.Until(when))
}

func TestMinutesComeOutOnTheirGrid(t *testing.T) {
	for _, protocol := range []series.Protocol{series.V1, series.V2} {
		synctest.Test(t, func(t *testing.T) {
			at(t, t0.Add(time.Hour))
			s, r := newStore(east), &receiver{}
			s.put(readingsRecord(t, "t-1", 1, t0, 12.5, 12.6, math.NaN(), math.NaN(), 12.4, 12.4))
			o := series.Options{Store: s, Receivers: to(r)}
			o.Receivers[0].Protocol = protocol
			started(t, o)
			synctest.Wait()

			grid := func(v ...float64) map[int64]float64 {
				out := map[int64]float64{}
				for i, x := range v {
					if !math.IsNaN(x) {
						out[t0.Add(time.Duration(i)*time.Minute).UnixMilli()] = x
					}
				}
				return out
			}
			no := math.NaN()
			for name, want := range map[string]map[int64]float64{
				withBattery("liftbank_battery_volts"):     grid(12.5, 12.6, no, no, 12.4, 12.4),
				withBattery("liftbank_battery_min_volts"): grid(12, 12.1, no, no, 11.9, 11.9),
				withBattery("liftbank_battery_max_volts"): grid(12.6, 12.7, no, no, 12.5, 12.5),
				"liftbank_bank_volts" + ofT1:              grid(12.5, 12.6, no, no, 12.4, 12.4),
				"liftbank_bank_min_volts" + ofT1:          grid(12, 12.1, no, no, 11.9, 11.9),
				"liftbank_bank_max_volts" + ofT1:          grid(12.6, 12.7, no, no, 12.5, 12.5),
				"liftbank_bank_soc_ratio" + ofT1:          grid(.712, .712, .712, .712, .712, .712),
			} {
				got, _ := r.values(name)
				assert.Equal(t, want, got, "%s: %s", protocol, name)
			}
			assert.Len(t, r.names(), 7)
			// The specifications' headers.
			assert.Equal(t, "snappy", r.header.Get("Content-Encoding"))
			assert.Equal(t, map[series.Protocol]string{series.V1: "0.1.0", series.V2: "2.0.0"}[protocol],
				r.header.Get("X-Prometheus-Remote-Write-Version"))
		})
	}
}

// Whatever a unit measures: each minute that it knew comes out within the bounds that it states, and no
// other does.
func TestEveryMinuteIsWithinItsBounds(t *testing.T) {
	layout := readings.LayoutOf([]string{"a", "b"})
	bounds := readings.DefaultBounds()
	rapid.Check(t, func(rt *rapid.T) {
		var rows []readings.Row
		for i := range rapid.IntRange(1, 40).Draw(rt, "minutes") {
			row := readings.Row{Start: time.Duration(i) * time.Minute, Stats: make([]readings.Stat, len(layout))}
			for k := range layout {
				if rapid.IntRange(0, 9).Draw(rt, "known") == 0 {
					continue
				}
				mean := rapid.Int32Range(-20000, 20000).Draw(rt, "mean")
				below, above := rapid.Int32Range(0, 3000).Draw(rt, "below"), rapid.Int32Range(0, 3000).Draw(rt, "above")
				row.Stats[k] = readings.Stat{Min: mean - below, Mean: mean, Max: mean + above, Known: true}
			}
			rows = append(rows, row)
		}
		b, err := readings.Compress(layout, rows, bounds)
		require.NoError(rt, err)
		end := t0.Add(time.Duration(len(rows)) * time.Minute)
		s, r := newStore(east), &receiver{}
		s.put(record(t, wire.Readings, records.Readings{
			Head: head("t-1", wire.Readings, records.ReadingsSchema, 1, end), Start: t0, Readings: b,
		}, end))
		sendAll(t, s, r, end.Add(time.Hour))

		for k, f := range layout {
			if f.Figure == readings.VoltageV && f.Battery == "" {
				continue // not sent where batteries' are
			}
			if f.Figure == readings.SoCSigmaPct {
				for _, name := range r.names() {
					require.NotContains(rt, name, "sigma", "it stays at the unit")
				}
				continue
			}
			name, per, within := nameOf(f, bounds)
			mean, _ := r.values(name("") + suffix(f))
			low, _ := r.values(name("min") + suffix(f))
			high, _ := r.values(name("max") + suffix(f))
			n := 0
			for i, row := range rows {
				if !row.Stats[k].Known {
					continue
				}
				n++
				ms := t0.Add(time.Duration(i) * time.Minute).UnixMilli()
				require.Contains(rt, mean, ms)
				require.InDelta(rt, layout.Real(k, row.Stats[k].Mean), mean[ms]*per, within+1e-9, "%s %d", name(""), i)
				if per == 1 && f.Figure != readings.TemperatureC {
					require.InDelta(rt, layout.Real(k, row.Stats[k].Min), low[ms], within+1e-9, "%s %d", name("min"), i)
					require.InDelta(rt, layout.Real(k, row.Stats[k].Max), high[ms], within+1e-9, "%s %d", name("max"), i)
				}
			}
			require.Len(rt, mean, n, name(""))
		}
	})
}

func nameOf(f readings.Series, within readings.Bounds) (name func(string) string, per, bound float64) {
	part := "bank"
	if f.Battery != "" {
		part = "battery"
	}
	per, bound = 1, within.VoltageV
	unit := "volts"
	switch f.Figure {
	case readings.CurrentA:
		unit, bound = "amperes", within.CurrentA
	case readings.TemperatureC:
		unit, bound = "celsius", within.TemperatureC
	case readings.SoCPct:
		part, unit, per, bound = part+"_soc", "ratio", 100, within.SoCPct
	case readings.FeedV:
		part = "feed"
	case readings.MotorV:
		part = "motor"
	}
	return func(extreme string) string {
		if extreme != "" {
			extreme += "_"
		}
		return "liftbank_" + part + "_" + extreme + unit
	}, per, bound
}

func suffix(f readings.Series) string {
	if f.Battery == "" {
		return ofT1
	}
	return strings.Replace(ofT1, "{", `{battery="`+f.Battery+`",`, 1)
}

// sendAll sends all that a store has, by the clock of the machine, and ends.
func sendAll(t testing.TB, s *store, r *receiver, now time.Time) *series.Sender {
	t.Helper()
	sender, err := series.New(series.Options{Store: s, Receivers: to(r), Now: func() time.Time { return now }})
	require.NoError(t, err)
	require.NoError(t, sender.Once(t.Context()))
	return sender
}

func TestADeadReceiverIsRefilledFromWhereItWas(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		at(t, t0)
		s, alive, dead := newStore(east), &receiver{}, &receiver{down: errors.New("connection refused")}
		sender := started(t, series.Options{Store: s, Receivers: []series.Receiver{
			{Name: "alive", URL: "http://one/", Client: alive.client()},
			{Name: "dead", URL: "http://two/", Client: dead.client()},
		}})
		name := withBattery("liftbank_battery_volts")
		for i := range 9 { // hours of it
			time.Sleep(time.Hour)
			var volts []float64
			for m := range 60 {
				volts = append(volts, 12+float64(60*i+m)/1000)
			}
			s.put(readingsRecord(t, "t-1", uint64(i+1), t0.Add(time.Duration(i)*time.Hour), volts...))
		}
		time.Sleep(time.Minute)
		synctest.Wait()
		got, _ := alive.values(name)
		assert.Len(t, got, 540, "the other one is not held up")
		st := sender.States()[1]
		assert.Contains(t, st.Problem, "connection refused")
		assert.Zero(t, st.Sent)
		assert.Less(t, dead.requests, 8*60/2+20, "it backs off to two minutes")
		assert.Greater(t, dead.requests, 8*60/2-20, "and goes on trying")

		dead.mu.Lock()
		dead.down = nil
		dead.mu.Unlock()
		time.Sleep(3 * time.Minute)
		synctest.Wait()
		again, different := dead.values(name)
		assert.Equal(t, got, again, "at true times")
		assert.Equal(t, 1, different)
		assert.Empty(t, sender.States()[1].Problem)
	})
}

func TestAnswersOfAReceiver(t *testing.T) {
	for name, c := range map[string]struct {
		code    int
		text    string
		skipped bool
		reason  string
	}{
		"too old":           {400, "too old sample\nmore", true, "too old"},
		"a bad label":       {422, "invalid label name", true, "invalid label"},
		"busy":              {429, "later", false, ""},
		"broken":            {500, "", false, ""},
		"away":              {503, "", false, ""},
		"wrong password":    {401, "", false, ""},
		"not switched on":   {404, "remote write receiver needs to be enabled", false, ""},
		"moved":             {307, "", false, ""},
		"another version":   {415, "unsupported", false, ""},
		"something unknown": {400, "no idea", true, "400 Bad Request"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				at(t, t0.Add(time.Hour))
				s := newStore(east)
				var fails atomic.Bool
				fails.Store(true)
				r := &receiver{answer: func(int, []line) (int, string) {
					if fails.Load() {
						return c.code, c.text
					}
					return 200, ""
				}}
				s.put(readingsRecord(t, "t-1", 1, t0, 12.5, 12.6))
				sender := started(t, series.Options{Store: s, Receivers: to(r)})
				time.Sleep(time.Hour)
				synctest.Wait()
				st := sender.States()[0]
				assert.Zero(t, st.Sent)
				if c.skipped {
					assert.Equal(t, map[string]uint64{c.reason: 2 * 7}, st.Refused)
					assert.Equal(t, int64(1), s.place("series:main:readings"), "it goes on")
					assert.Empty(t, st.Problem)
					return
				}
				assert.Empty(t, st.Refused)
				assert.NotEmpty(t, st.Problem)
				assert.Zero(t, s.place("series:main:readings"), "it stays")
				fails.Store(false)
				time.Sleep(5 * time.Minute)
				synctest.Wait()
				assert.EqualValues(t, 14, sender.States()[0].Sent)
			})
		})
	}
}

func TestARetryWaitsAsLongAsItIsAsked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		at(t, t0.Add(time.Hour))
		s, busy := newStore(east), &busyReceiver{}
		s.put(readingsRecord(t, "t-1", 1, t0, 12.5))
		started(t, series.Options{Store: s, Receivers: []series.Receiver{
			{Name: "main", URL: "http://tsdb/", Client: &http.Client{Transport: busy}},
		}})
		time.Sleep(59 * time.Second)
		synctest.Wait()
		assert.EqualValues(t, 1, busy.n.Load())
		time.Sleep(2 * time.Second)
		synctest.Wait()
		assert.EqualValues(t, 2, busy.n.Load())
	})
}

type busyReceiver struct{ n atomic.Int32 }

func (b *busyReceiver) RoundTrip(req *http.Request) (*http.Response, error) {
	b.n.Add(1)
	return &http.Response{
		StatusCode: 429, Status: "429 Too Many Requests", Header: http.Header{"Retry-After": {"60"}}, Body: http.NoBody,
	}, nil
}

// Prometheus takes all of a request or nothing. What is older than its window must not take the rest along.
func TestOneRefusedMinuteDoesNotTakeTheRestAlong(t *testing.T) {
	for _, old := range []int{1, 7, 30, 59} {
		s := newStore(east)
		var volts []float64
		for i := range 60 {
			volts = append(volts, 12+float64(i)/100)
		}
		s.put(readingsRecord(t, "t-1", 1, t0, volts...))
		s.put(readingsRecord(t, "t-1", 2, t0.Add(time.Hour), volts...))
		limit := t0.Add(time.Duration(old) * time.Minute).UnixMilli()
		r := &receiver{answer: func(_ int, lines []line) (int, string) {
			for _, l := range lines {
				if l.at[0] < limit {
					return 400, "out of bounds"
				}
			}
			return 200, ""
		}}
		sender := sendAll(t, s, r, t0.Add(3*time.Hour))
		got, _ := r.values(withBattery("liftbank_battery_volts"))
		assert.Len(t, got, 120-old, "of %d old minutes", old)
		assert.Equal(t, map[string]uint64{"out of bounds": uint64(7 * old)}, sender.States()[0].Refused)
		assert.LessOrEqual(t, r.requests, 40)
	}
}

func TestAClockThatWasNotSet(t *testing.T) {
	wrong := time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC) // where the unit thinks that it began
	began := t0.Add(-time.Hour)                          // where it did
	untrusted := func(t *testing.T, seq uint64, after time.Duration) db.Record {
		b := minutes(t, 0, 12.1, 12.2)
		return record(t, wire.Readings, records.Readings{
			Head: records.Head{
				Schema: records.ReadingsSchema, Unit: "t-1", Session: "s1", Stream: wire.Readings, First: 1, Seq: seq,
				At: wrong.Add(after), MonoS: after.Seconds(),
			}, Start: wrong.Add(after - 2*time.Minute), Readings: b,
		}, began.Add(after))
	}
	name := withBattery("liftbank_battery_volts")
	true1 := map[int64]float64{began.Add(8 * time.Minute).UnixMilli(): 12.1, began.Add(9 * time.Minute).UnixMilli(): 12.2}

	t.Run("is never known", func(t *testing.T) {
		s, r := newStore(east), &receiver{}
		s.put(untrusted(t, 1, 10*time.Minute))
		sender := sendAll(t, s, r, t0)
		assert.Empty(t, r.names())
		assert.Equal(t, map[string]uint64{series.Untimed: 1}, sender.States()[0].Kept)
		assert.Equal(t, int64(1), s.at["series:main:readings"], "it blocks nothing")
	})
	t.Run("is known already, from another stream", func(t *testing.T) {
		s, r := newStore(east), &receiver{}
		s.put(untrusted(t, 1, 10*time.Minute))
		s.put(record(t, wire.Runs, records.Run{Head: head("t-1", wire.Runs, records.RunSchema, 1, t0),
			Run: snapshot.Run{Number: 4, Start: t0.Add(-time.Second), DurationS: 1}}, t0))
		sendAll(t, s, r, t0.Add(time.Hour))
		got, _ := r.values(name)
		assert.Equal(t, true1, got)
	})
	t.Run("is known from the last snapshot", func(t *testing.T) {
		unit := east
		unit.Snapshot = []byte(`{"schema":"liftbank.snapshot.v2","session":"s1","at":"` + t0.Format(time.RFC3339) +
			`","clock_trusted":true,"uptime_s":3600}`)
		s, r := newStore(unit), &receiver{}
		s.put(untrusted(t, 1, 10*time.Minute))
		sendAll(t, s, r, t0.Add(time.Hour))
		got, _ := r.values(name)
		assert.Equal(t, true1, got)
	})
	t.Run("becomes known later, and after a restart", func(t *testing.T) {
		s, r := newStore(east), &receiver{}
		s.put(untrusted(t, 1, 10*time.Minute))
		s.put(untrusted(t, 2, 12*time.Minute))
		sendAll(t, s, r, t0)
		require.Empty(t, r.names())
		s.put(readingsRecord(t, "t-1", 3, t0.Add(-48*time.Minute), 12.3)) // the session's minute 12, by a clock that is set
		sender := sendAll(t, s, r, t0.Add(time.Hour))
		got, different := r.values(name)
		want := map[int64]float64{
			began.Add(8 * time.Minute).UnixMilli(): 12.1, began.Add(9 * time.Minute).UnixMilli(): 12.2,
			began.Add(10 * time.Minute).UnixMilli(): 12.1, began.Add(11 * time.Minute).UnixMilli(): 12.2,
			began.Add(12 * time.Minute).UnixMilli(): 12.3,
		}
		assert.Equal(t, want, got)
		assert.Equal(t, 1, different)
		assert.EqualValues(t, 2, sender.States()[0].Fixed)
		sendAll(t, s, r, t0.Add(2*time.Hour))
		again, _ := r.values(name)
		assert.Equal(t, want, again)
	})
	t.Run("but a time of an earlier session, whose clock was set, stays", func(t *testing.T) {
		s, r := newStore(east), &receiver{}
		x := untrusted(t, 1, 10*time.Minute)
		x.Body = []byte(strings.Replace(string(x.Body), `"start":"2024-01-01T00:08:00Z"`, `"start":"2023-12-24T00:08:00Z"`, 1))
		s.put(x)
		s.put(readingsRecord(t, "t-1", 3, t0, 12.3))
		sendAll(t, s, r, t0.Add(time.Hour))
		got, _ := r.values(name)
		assert.Contains(t, got, time.Date(2023, 12, 24, 0, 8, 0, 0, time.UTC).UnixMilli())
	})
}

func TestWhatCantBeIsLeftOutAndCounted(t *testing.T) {
	s, r := newStore(east), &receiver{}
	ahead := readingsRecord(t, "t-1", 1, t0, 12.5, 12.5)
	ahead.ReceivedAt = t0.Add(-9*time.Minute - 30*time.Second) // the second minute is too far ahead
	s.put(ahead)
	s.put(readingsRecord(t, "t-1", 2, time.Date(1970, 1, 2, 0, 0, 0, 0, time.UTC), 12.5))
	broken := readingsRecord(t, "t-1", 3, t0, 12.5)
	broken.Body = []byte(`{"schema":"liftbank.readings.v1","readings":{"step_s":1}}`)
	s.put(broken)
	gap := record(t, wire.Readings, records.Gap{Head: head("t-1", wire.Readings, records.GapSchema, 4, t0), From: 2, Because: "x"}, t0)
	s.put(gap)
	sender := sendAll(t, s, r, t0.Add(time.Hour))
	assert.Equal(t, map[string]uint64{series.Ahead: 1, series.TooEarly: 1, series.Unread: 1}, sender.States()[0].Kept)
	got, _ := r.values(withBattery("liftbank_battery_volts"))
	assert.Len(t, got, 1)
	assert.Equal(t, int64(4), s.at["series:main:readings"])
}

func TestRunsAndFindings(t *testing.T) {
	s, r := newStore(east), &receiver{}
	s.put(record(t, wire.Runs, records.Run{Head: head("t-1", wire.Runs, records.RunSchema, 1, t0), Run: snapshot.Run{
		Number: 17, Start: t0, DurationS: 2.5, PeakA: 418.7, MeanA: 142.69, MinBankV: 10.5, DrawnAh: 0.0311,
	}}, t0.Add(time.Minute)))
	for i, state := range []string{"unacknowledged", "acknowledged", "shelved", "normal"} {
		s.put(record(t, wire.Findings, records.Finding{
			Head:    head("t-1", wire.Findings, records.FindingSchema, uint64(i+1), t0.Add(time.Duration(i)*time.Minute)),
			Finding: snapshot.Finding{Name: "battery-tired", Subject: "a", Severity: "repair", State: state},
		}, t0.Add(time.Duration(i)*time.Minute)))
	}
	sendAll(t, s, r, t0.Add(time.Hour))
	end := t0.Add(2500 * time.Millisecond).UnixMilli()
	for name, want := range map[string]float64{
		"runs_total": 17, "last_run_start_timestamp_seconds": float64(t0.Unix()), "last_run_duration_seconds": 2.5,
		"last_run_peak_amperes": 418.7, "last_run_mean_amperes": 142.69, "last_run_min_bank_volts": 10.5,
		"last_run_drawn_coulombs": 111.96,
	} {
		got, _ := r.values("liftbank_motor_" + name + ofT1)
		assert.Equal(t, map[int64]float64{end: want}, got, name)
	}
	got, _ := r.values(`liftbank_finding_active{finding="battery-tired",group="east",instance="t-1",job="liftbank-fleet",` +
		`severity="repair",subject="a",unit="t-1"}`)
	assert.Equal(t, map[int64]float64{
		t0.UnixMilli(): 1, t0.Add(time.Minute).UnixMilli(): 1, t0.Add(2 * time.Minute).UnixMilli(): 0, t0.Add(3 * time.Minute).UnixMilli(): 0,
	}, got)
}

// What a scrape of the unit shows and what is pushed of its snapshot are the same figures.
func TestASnapshotIsSentAsAScrapeShowsIt(t *testing.T) {
	body, err := os.ReadFile("../wire/testdata/snapshot.json")
	require.NoError(t, err)
	snap, err := wire.DecodeSnapshot(body)
	require.NoError(t, err)
	unit := db.Unit{ID: "t-1", About: db.About{Group: "east"}, SnapshotAt: snap.At, Snapshot: body}
	s, r := newStore(unit), &receiver{}
	sendAll(t, s, r, snap.At.Add(time.Hour))

	hub := snapshot.NewHub(time.Now)
	hub.Publish(snap)
	reg := prometheus.NewRegistry()
	reg.MustRegister(registry.NewCollector(metrics.Options{Hub: hub}))
	families, err := reg.Gather()
	require.NoError(t, err)
	scraped := map[string]float64{}
	for _, f := range families {
		for _, m := range f.GetMetric() {
			labels := []string{}
			for _, l := range m.GetLabel() {
				if l.GetValue() != "" && l.GetName() != "unit" {
					labels = append(labels, l.GetName()+`="`+l.GetValue()+`"`)
				}
			}
			v := m.GetGauge().GetValue()
			if m.Counter != nil {
				v = m.Counter.GetValue()
			}
			scraped[f.GetName()+"{"+strings.Join(labels, ",")+"}"] = v
		}
	}
	var n int
	for _, name := range r.names() {
		got, _ := r.values(name)
		plain := name
		for _, l := range []string{`group="east"`, `instance="t-1"`, `job="liftbank-fleet"`, `unit="t-1"`} {
			plain = strings.Replace(plain, l, "", 1)
		}
		for strings.Contains(plain, ",,") {
			plain = strings.ReplaceAll(plain, ",,", ",")
		}
		plain = strings.NewReplacer("{,", "{", ",}", "}").Replace(plain)
		want, known := scraped[plain]
		require.True(t, known, "%s: %s", name, plain)
		assert.Equal(t, map[int64]float64{snap.At.UnixMilli(): want}, got, name)
		n++
	}
	assert.Greater(t, n, 60)
	for _, name := range []string{
		"liftbank_bank_charged_coulombs_total" + ofT1, "liftbank_bank_lifts_left" + ofT1, "liftbank_unit_info" + ofT1,
		withBattery("liftbank_battery_resistance_ohms"),
	} {
		assert.Contains(t, r.names(), name)
	}
	assert.NotContains(t, r.names(), "liftbank_bank_volts"+ofT1, "minutes have it finer")
}

func TestRefillSendsAgainWhatCameSince(t *testing.T) {
	s, r := newStore(east), &receiver{}
	for i := range 200 {
		s.put(readingsRecord(t, "t-1", uint64(i+1), t0.Add(time.Duration(i)*time.Hour), 12.5))
		s.put(readingsRecord(t, "t-2", uint64(i+1), t0.Add(time.Duration(i)*time.Hour), 12.5))
	}
	now := t0.Add(300 * time.Hour)
	sendAll(t, s, r, now)
	first := r.requests
	name := withBattery("liftbank_battery_volts")
	before, _ := r.values(name)
	require.Len(t, before, 200)
	r.got = nil
	sendAll(t, s, r, now)
	require.Equal(t, first, r.requests, "nothing is new")

	from := t0.Add(150*time.Hour + 30*time.Minute)
	places, err := series.Refill(t.Context(), s, "main", from)
	require.NoError(t, err)
	sendAll(t, s, r, now)
	again, _ := r.values(name)
	assert.Len(t, again, 49, "from the hour that ended after it")
	for ms := range again {
		assert.False(t, time.UnixMilli(ms).Before(from.Add(-time.Hour)))
	}
	assert.Equal(t, int64(302), places[wire.Readings], "the last before")
	assert.Equal(t, int64(400), s.at["series:main:readings"])
}

func TestTheDatabaseMayBeAway(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		at(t, t0.Add(time.Hour))
		s, r := newStore(east), &receiver{}
		s.put(readingsRecord(t, "t-1", 1, t0, 12.5))
		s.fails = errors.New("no connection")
		sender := started(t, series.Options{Store: s, Receivers: to(r)})
		time.Sleep(time.Minute)
		assert.Contains(t, sender.States()[0].Problem, "no connection")
		s.mu.Lock()
		s.fails = nil
		s.mu.Unlock()
		time.Sleep(5 * time.Minute)
		synctest.Wait()
		assert.Empty(t, sender.States()[0].Problem)
		assert.NotEmpty(t, r.names())
	})
}

func TestReceiversAreTold(t *testing.T) {
	for _, bad := range [][]series.Receiver{
		{{URL: "x"}}, {{Name: "a"}, {Name: "a"}}, {{Name: "a", Protocol: "3.0"}},
	} {
		_, err := series.New(series.Options{Receivers: bad})
		assert.Error(t, err)
	}
}

func TestOwnMetrics(t *testing.T) {
	s, r := newStore(east), &receiver{}
	s.put(readingsRecord(t, "t-1", 1, t0, 12.5))
	sender := sendAll(t, s, r, t0.Add(time.Hour))
	problems, err := testutil.CollectAndLint(sender)
	require.NoError(t, err)
	assert.Empty(t, problems)
	assert.NoError(t, testutil.CollectAndCompare(sender, strings.NewReader(`
# HELP liftbank_fleet_series_samples_total Samples that were taken.
# TYPE liftbank_fleet_series_samples_total counter
liftbank_fleet_series_samples_total{receiver="main"} 7
`), "liftbank_fleet_series_samples_total"))
}
