package series_test

import (
	"bytes"
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

	"liftbank/agent/fleet/series"
	"liftbank/agent/fleet/wire"
)

// program returns the path of a time-series database. Where it isn't installed the test is skipped;
// where everything is to be installed (CI=true) that is a failure.
func program(t *testing.T, name, how string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err == nil {
		return path
	}
	missing := fmt.Sprintf("%s is not installed: %s", name, how)
	if os.Getenv("CI") == "true" {
		t.Fatal(missing)
	}
	t.Skip(missing)
	return ""
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

// What is older than the window is refused, counted, and takes nothing else along.
func TestPrometheusRefusesWhatIsTooOld(t *testing.T) {
	d := prometheus242(t, "6h")
	now := time.Now().Truncate(time.Hour)
	s, want := days(t, now.Add(-24*time.Hour), 24, newestFirst)
	rest := s.recs[1:]
	s.recs = s.recs[:1] // the newest hour is there already
	sender, err := series.New(series.Options{
		Store: s, Receivers: []series.Receiver{{Name: "main", URL: "http://" + d.address + "/api/v1/write"}},
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

// A month-old backlog, newest first and twice, comes out exactly once.
func TestVictoriaMetricsHasOldMinutesOnce(t *testing.T) {
	path := program(t, "victoria-metrics",
		"go install github.com/VictoriaMetrics/VictoriaMetrics/app/victoria-metrics@v1.150.0, outside this module")
	d := launch(t, "/health", path, func(address, dir string) []string {
		return []string{
			"-httpListenAddr=" + address, "-storageDataPath=" + filepath.Join(dir, "data"), "-dedup.minScrapeInterval=1ms",
			"-retentionPeriod=1y", "-search.latencyOffset=0s",
		}
	})
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
