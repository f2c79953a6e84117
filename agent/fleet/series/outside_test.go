package series_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/series"
	"liftbank/agent/fleet/wire"
	"liftbank/cmd/outside"
	"liftbank/cmd/slowtest"
)

// program returns the path of a time-series database, or says how it is installed.
func program(t *testing.T, name, how string) string {
	t.Helper()
	path := outside.Find(name)
	if path == "" {
		outside.Missing(t, name+" is not installed: "+how)
	}
	return path
}

// output is what a program writes.
type output struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.Write(p)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.String()
}

// database is a real one that runs until the test ends.
type database struct {
	address string
	out     *output
}

func launch(t *testing.T, ready, path string, args func(address, dir string) []string) *database {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	d := &database{address: l.Addr().String(), out: &output{}}
	require.NoError(t, l.Close())
	cmd := exec.Command(path, args(d.address, t.TempDir())...)
	cmd.Stdout, cmd.Stderr = d.out, d.out
	require.NoError(t, cmd.Start())
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	deadline := time.Now().Add(20 * time.Second)
	for {
		resp, err := http.Get("http://" + d.address + ready)
		if err == nil {
			_ = resp.Body.Close()
			if resp.StatusCode == http.StatusOK {
				return d
			}
		}
		require.True(t, time.Now().Before(deadline), d.out.String())
		time.Sleep(50 * time.Millisecond) // another program's start, by the real clock
	}
}

func (d *database) get(t *testing.T, path string, q url.Values) []byte {
	t.Helper()
	resp, err := http.Get("http://" + d.address + path + "?" + q.Encode())
	require.NoError(t, err)
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, resp.StatusCode, string(body))
	return body
}

// raw returns all samples of a series, by the query that gives them as they are stored.
func (d *database) raw(t *testing.T, query string, at time.Time, span time.Duration) map[int64]float64 {
	t.Helper()
	body := d.get(t, "/api/v1/query", url.Values{
		"query": {fmt.Sprintf("%s[%ds]", query, int(span.Seconds()))}, "time": {fmt.Sprint(at.Unix())},
	})
	var answer struct {
		Data struct {
			Result []struct {
				Values [][2]any `json:"values"`
			} `json:"result"`
		} `json:"data"`
	}
	require.NoError(t, json.Unmarshal(body, &answer), string(body))
	require.LessOrEqual(t, len(answer.Data.Result), 1, "one series")
	out := map[int64]float64{}
	for _, r := range answer.Data.Result {
		for _, v := range r.Values {
			var x float64
			_, err := fmt.Sscan(v[1].(string), &x)
			require.NoError(t, err)
			ms := int64(v[0].(float64)*1000 + .5)
			_, twice := out[ms]
			require.False(t, twice, "twice at %d", ms)
			out[ms] = x
		}
	}
	return out
}

// days is a store with hourly batches of one unit in an order, and what is to come out.
func days(t *testing.T, from time.Time, hours int, order func([]int)) (*store, map[int64]float64) {
	t.Helper()
	s, want := newStore(east), map[int64]float64{}
	all := make([]int, hours)
	for i := range all {
		all[i] = i
	}
	order(all)
	end := from.Add(time.Duration(hours) * time.Hour)
	for _, h := range all {
		var volts []float64
		for m := range 60 {
			v := float64(12000+(h*60+m*7)%1000) / 1000
			volts = append(volts, v)
			want[from.Add(time.Duration(h)*time.Hour+time.Duration(m)*time.Minute).UnixMilli()] = v
		}
		r := readingsRecord(t, "t-1", uint64(h+1), from.Add(time.Duration(h)*time.Hour), volts...)
		r.ReceivedAt = end
		s.put(r)
	}
	return s, want
}

func newestFirst(all []int) { slices.Reverse(all) }

func shuffled(all []int) {
	rand.New(rand.NewPCG(1, 2)).Shuffle(len(all), func(i, k int) { all[i], all[k] = all[k], all[i] })
}

// deliver sends a store's records twice over, as after a lost answer.
func deliver(t *testing.T, s *store, d *database, protocol series.Protocol) *series.Sender {
	t.Helper()
	sender, err := series.New(series.Options{
		Store:     s,
		Receivers: []series.Receiver{{Name: "main", URL: "http://" + d.address + "/api/v1/write", Protocol: protocol}},
	})
	require.NoError(t, err)
	require.NoError(t, sender.Once(t.Context()), d.out.String())
	require.NoError(t, s.SetPosition(t.Context(), "series:main:"+wire.Readings, 0))
	require.NoError(t, sender.Once(t.Context()), d.out.String())
	return sender
}

func prometheus242(t *testing.T, window string) *database {
	path := program(t, "prometheus", "apt-get install prometheus")
	return launch(t, "/-/ready", path, func(address, dir string) []string {
		config := filepath.Join(dir, "prometheus.yml")
		require.NoError(t, os.WriteFile(config, []byte("storage: {tsdb: {out_of_order_time_window: "+window+"}}\n"), 0o600))
		return []string{
			"--config.file=" + config, "--storage.tsdb.path=" + filepath.Join(dir, "data"), "--web.listen-address=" + address,
			"--web.enable-remote-write-receiver",
		}
	})
}

// Prometheus takes late minutes inside its out-of-order window: in any order and twice they come out once.
func TestPrometheusHasEveryMinuteOnce(t *testing.T) {
	for name, order := range map[string]func([]int){"newest first": newestFirst, "shuffled": shuffled, "in order": func([]int) {}} {
		t.Run(name, func(t *testing.T) {
			d := prometheus242(t, "2d")
			now := time.Now().Truncate(time.Hour)
			s, want := days(t, now.Add(-24*time.Hour), 24, order)
			sender := deliver(t, s, d, series.V1)
			assert.Empty(t, sender.States()[0].Refused)
			got := d.raw(t, `liftbank_battery_volts{unit="t-1",battery="a"}`, now, 24*time.Hour+time.Minute)
			assert.True(t, maps.Equal(want, got), "%d of %d", len(got), len(want))
		})
	}
}

// prometheus3 is Prometheus' own handler of remote write 1.0 and 2.0, store and engine in a program of .ci/receiver.
func prometheus3(t *testing.T, window, accept string) *database {
	path := program(t, "remote-write-receiver", "in .ci/receiver, go build -o remote-write-receiver .")
	return launch(t, "/-/ready", path, func(address, dir string) []string {
		return []string{"-listen", address, "-dir", filepath.Join(dir, "data"), "-window", window, "-accept", accept}
	})
}

// Both versions put the same samples at the same times, late ones in any order and twice, and each takes what the
// other sent for what it is.
func TestPrometheus3HasEveryMinuteOnce(t *testing.T) {
	now := time.Now().Truncate(time.Hour)
	const query = `liftbank_battery_volts{unit="t-1",battery="a"}`
	for name, order := range map[string]func([]int){"newest first": newestFirst, "shuffled": shuffled, "in order": func([]int) {}} {
		t.Run(name, func(t *testing.T) {
			s, want := days(t, now.Add(-24*time.Hour), 24, order)
			d := prometheus3(t, "48h", "both")
			for _, protocol := range []series.Protocol{series.V2, series.V1, series.V2} {
				require.NoError(t, s.SetPosition(t.Context(), "series:main:"+wire.Readings, 0))
				sender := deliver(t, s, d, protocol)
				st := sender.States()[0]
				assert.Empty(t, st.Refused)
				assert.EqualValues(t, 2*7*24*60, st.Sent, "seven series")
				got := d.raw(t, query, now, 24*time.Hour+time.Minute)
				assert.True(t, maps.Equal(want, got), "%s: %d of %d", protocol, len(got), len(want))
			}
			alone := prometheus3(t, "48h", "1.0")
			deliver(t, s, alone, series.V1)
			for _, metric := range []string{"liftbank_battery_volts", "liftbank_battery_min_volts", "liftbank_battery_max_volts", "liftbank_bank_soc_ratio"} {
				all := metric + `{unit="t-1"}`
				assert.Equal(t, alone.raw(t, all, now, 24*time.Hour+time.Minute), d.raw(t, all, now, 24*time.Hour+time.Minute), metric)
			}
		})
	}
}

// What is older than the window is refused, counted, and takes nothing else along. With 2.0 the answer says how
// many were taken: nothing is sent again to find out.
func TestPrometheusRefusesWhatIsTooOld(t *testing.T) {
	for name, c := range map[string]struct {
		start    func(t *testing.T) *database
		protocol series.Protocol
		told     bool // how many were taken
	}{
		"2.42":             {func(t *testing.T) *database { return prometheus242(t, "6h") }, series.V1, false},
		"1.0 to 3":         {func(t *testing.T) *database { return prometheus3(t, "6h", "both") }, series.V1, false},
		"2.0 to 3":         {func(t *testing.T) *database { return prometheus3(t, "6h", "both") }, series.V2, true},
		"2.0, 1.0 is read": {func(t *testing.T) *database { return prometheus3(t, "6h", "1.0") }, series.V2, false},
	} {
		t.Run(name, func(t *testing.T) {
			d := c.start(t)
			now := time.Now().Truncate(time.Hour)
			s, want := days(t, now.Add(-24*time.Hour), 24, newestFirst)
			rest := s.recs[1:]
			s.recs = s.recs[:1] // the newest hour is there already
			requests := &counted{}
			sender, err := series.New(series.Options{
				Store: s,
				Receivers: []series.Receiver{{
					Name: "main", URL: "http://" + d.address + "/api/v1/write", Protocol: c.protocol, Client: &http.Client{Transport: requests},
				}},
			})
			require.NoError(t, err)
			require.NoError(t, sender.Once(t.Context()), d.out.String())
			s.recs = append(s.recs, rest...)
			require.NoError(t, sender.Once(t.Context()), d.out.String())

			got := d.raw(t, `liftbank_battery_volts{unit="t-1",battery="a"}`, now, 24*time.Hour+time.Minute)
			newest := now.Add(-time.Minute)
			wrong := 0
			for ms, v := range want {
				inside := !time.UnixMilli(ms).Before(newest.Add(-6 * time.Hour))
				if x, there := got[ms]; there != inside || there && x != v {
					wrong++
				}
			}
			assert.Zero(t, wrong)
			st := sender.States()[0]
			assert.Equal(t, map[string]uint64{"too old": uint64(7 * (24*60 - len(got)))}, st.Refused)
			assert.EqualValues(t, 7*len(got), st.Sent)
			t.Logf("%d requests", requests.n)
			if c.told {
				assert.Equal(t, counted{n: 2, two: 2, partly: 1}, *requests, "the newest hour, and all others")
			} else {
				assert.Greater(t, requests.n, 24, "parts")
				assert.Zero(t, requests.partly)
			}
		})
	}
}

// counted counts requests, those of 2.0, and those of which the answer says that a part was taken.
type counted struct{ n, two, partly int }

func (c *counted) RoundTrip(r *http.Request) (*http.Response, error) {
	c.n++
	if r.Header.Get("X-Prometheus-Remote-Write-Version") == "2.0.0" {
		c.two++
	}
	resp, err := http.DefaultTransport.RoundTrip(r)
	if err == nil && resp.StatusCode == http.StatusBadRequest && resp.Header.Get("X-Prometheus-Remote-Write-Samples-Written") > "0" {
		c.partly++
	}
	return resp, err
}

// Whoever doesn't know 2.0 gets 1.0 from then on, and all of it: Prometheus 3 told to take 1.0 alone answers 415,
// 2.42 takes the body for an empty 1.0.
func TestWhoKnowsOnlyOneGetsOne(t *testing.T) {
	for name, start := range map[string]func(t *testing.T) *database{
		"3, 1.0 alone":    func(t *testing.T) *database { return prometheus3(t, "48h", "1.0") },
		"2.42":            func(t *testing.T) *database { return prometheus242(t, "2d") },
		"VictoriaMetrics": func(t *testing.T) *database { return victoriaMetrics(t) },
	} {
		t.Run(name, func(t *testing.T) {
			d := start(t)
			now := time.Now().Truncate(time.Hour)
			s, want := days(t, now.Add(-24*time.Hour), 24, shuffled)
			requests := &counted{}
			sender, err := series.New(series.Options{Store: s, Receivers: []series.Receiver{{
				Name: "main", URL: "http://" + d.address + "/api/v1/write", Protocol: series.V2, Client: &http.Client{Transport: requests},
			}}})
			require.NoError(t, err)
			require.NoError(t, sender.Once(t.Context()), d.out.String())
			assert.Equal(t, 1, requests.two, "asked once")
			assert.Greater(t, requests.n, 1)
			assert.Empty(t, sender.States()[0].Refused)
			if name == "VictoriaMetrics" {
				d.get(t, "/internal/force_flush", nil)
			}
			got := d.raw(t, `liftbank_battery_volts{unit="t-1",battery="a"}`, now, 24*time.Hour+time.Minute)
			assert.True(t, maps.Equal(want, got), "%d of %d", len(got), len(want))
		})
	}
}

// Without the switch Prometheus answers 404 (2.42): nothing is skipped.
func TestPrometheusWithoutTheSwitchLosesNothing(t *testing.T) {
	path := program(t, "prometheus", "apt-get install prometheus")
	d := launch(t, "/-/ready", path, func(address, dir string) []string {
		config := filepath.Join(dir, "prometheus.yml")
		require.NoError(t, os.WriteFile(config, nil, 0o600))
		return []string{"--config.file=" + config, "--storage.tsdb.path=" + filepath.Join(dir, "data"), "--web.listen-address=" + address}
	})
	s, _ := days(t, time.Now().Add(-2*time.Hour).Truncate(time.Hour), 1, newestFirst)
	sender, err := series.New(series.Options{
		Store: s, Receivers: []series.Receiver{{Name: "main", URL: "http://" + d.address + "/api/v1/write"}},
	})
	require.NoError(t, err)
	assert.ErrorContains(t, sender.Once(t.Context()), "remote write receiver")
	assert.Zero(t, s.at["series:main:readings"])
}

func victoriaMetrics(t *testing.T, more ...string) *database {
	path := program(t, "victoria-metrics",
		"apt-get install victoria-metrics; or a newer one: go install "+
			"github.com/VictoriaMetrics/VictoriaMetrics/app/victoria-metrics@v1.150.0, outside this module")
	return launch(t, "/health", path, func(address, dir string) []string {
		return append([]string{
			"-httpListenAddr=" + address, "-storageDataPath=" + filepath.Join(dir, "data"), "-dedup.minScrapeInterval=1ms",
			"-retentionPeriod=1y", "-search.latencyOffset=0s",
		}, more...)
	})
}

// A month-old backlog, newest first and twice, comes out exactly once.
func TestVictoriaMetricsHasOldMinutesOnce(t *testing.T) {
	d := victoriaMetrics(t)
	from := time.Now().Add(-30 * 24 * time.Hour).Truncate(time.Hour)
	s, want := days(t, from, 72, newestFirst)
	sender := deliver(t, s, d, series.V1)
	assert.Empty(t, sender.States()[0].Refused)
	d.get(t, "/internal/force_flush", nil)
	got := d.raw(t, `liftbank_battery_volts{unit="t-1",battery="a"}`, from.Add(72*time.Hour), 72*time.Hour+time.Minute)
	assert.True(t, maps.Equal(want, got), "%d of %d", len(got), len(want))
	// as stored, before anything of a query
	var stored struct {
		Timestamps []int64 `json:"timestamps"`
	}
	export := d.get(t, "/api/v1/export", url.Values{
		"match[]": {`liftbank_battery_volts{unit="t-1",battery="a"}`}, "start": {fmt.Sprint(from.Unix())},
	})
	require.NoError(t, json.Unmarshal(export, &stored), string(export))
	assert.Len(t, stored.Timestamps, len(want))
}

// month is thirty days of a hundred units, made as they are asked for: hour by hour, a third of the units
// late by a week.
type month struct {
	*store
	t     *testing.T
	from  time.Time
	units int
	at    []hour
}

type hour struct{ unit, hour int }

func (m *month) Records(_ context.Context, stream string, after int64, most int) (out []db.Record, err error) {
	if stream != wire.Readings {
		return nil, nil
	}
	for id := after; id < int64(len(m.at)) && len(out) < most; id++ {
		x := m.at[id]
		volts := make([]float64, 60)
		for i := range volts {
			volts[i] = voltsOf(x.unit, x.hour*60+i)
		}
		r := readingsRecord(m.t, fmt.Sprintf("t-%03d", x.unit), uint64(x.hour+1), m.from.Add(time.Duration(x.hour)*time.Hour), volts...)
		r.ID, r.ReceivedAt = id+1, time.Now()
		out = append(out, r)
	}
	return out, nil
}

func voltsOf(unit, minute int) float64 { return float64(12000+(unit*31+minute*7)%1000) / 1000 }

// 30 days of 100 units land complete and at their true time, and a repeat changes nothing.
func TestThirtyDaysOfAHundredUnits(t *testing.T) {
	slowtest.Long(t)
	d := victoriaMetrics(t, "-memory.allowedBytes=512MB")
	const units, hours = 100, 30 * 24
	m := &month{store: newStore(), t: t, from: time.Now().Add(-31 * 24 * time.Hour).Truncate(time.Hour), units: units}
	for h := range hours + 7*24 {
		for u := range units {
			of := h
			if u%3 == 0 {
				of -= 7 * 24
			}
			if of >= 0 && of < hours {
				m.at = append(m.at, hour{u, of})
			}
		}
	}
	require.Len(t, m.at, units*hours)
	sender, err := series.New(series.Options{
		Store: m, Receivers: []series.Receiver{{Name: "main", URL: "http://" + d.address + "/api/v1/write"}},
	})
	require.NoError(t, err)
	began := time.Now()
	require.NoError(t, sender.Once(t.Context()))
	st := sender.States()[0]
	t.Logf("%d records, %d samples in %v", len(m.at), st.Sent, time.Since(began).Round(time.Second))
	require.NoError(t, m.SetPosition(t.Context(), "series:main:"+wire.Readings, int64(len(m.at)*9/10)))
	require.NoError(t, sender.Once(t.Context()), "the last tenth again")
	assert.Empty(t, st.Refused)
	assert.Empty(t, st.Kept)
	d.get(t, "/internal/force_flush", nil)

	end := m.from.Add(hours * time.Hour)
	for _, q := range []struct {
		query string
		want  func(unit int) float64
	}{
		{"count_over_time(liftbank_battery_volts[30d])", func(int) float64 { return hours * 60 }},
		{"sum_over_time(liftbank_battery_volts[30d])", func(u int) (sum float64) {
			for i := range hours * 60 {
				sum += voltsOf(u, i)
			}
			return sum
		}},
	} {
		var answer struct {
			Data struct {
				Result []struct {
					Metric map[string]string `json:"metric"`
					Value  [2]any            `json:"value"`
				} `json:"result"`
			} `json:"data"`
		}
		body := d.get(t, "/api/v1/query", url.Values{"query": {q.query}, "time": {fmt.Sprint(end.Unix() - 1)}, "nocache": {"1"}})
		require.NoError(t, json.Unmarshal(body, &answer))
		require.Len(t, answer.Data.Result, units)
		for _, r := range answer.Data.Result {
			var unit int
			var got float64
			_, err := fmt.Sscanf(r.Metric["unit"], "t-%d", &unit)
			require.NoError(t, err)
			_, err = fmt.Sscan(r.Value[1].(string), &got)
			require.NoError(t, err)
			require.InDelta(t, q.want(unit), got, 1e-3, "%s of %d", q.query, unit)
		}
	}
}
