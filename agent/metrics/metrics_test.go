package metrics_test

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"flag"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"liftbank/agent/metrics"
	"liftbank/agent/metrics/registry"
	"liftbank/agent/outlet"
	"liftbank/agent/snapshot"
	"liftbank/agent/store"
	"liftbank/agent/store/outbox"
	"liftbank/cmd/outside"
)

var update = flag.Bool("update", false, "renew the golden files")

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// clock is a process clock that a test moves.
type clock struct{ t time.Time }

func (c *clock) now() time.Time { return c.t }

func sample(t testing.TB, name string) *snapshot.Snapshot {
	b, err := os.ReadFile(filepath.Join("..", "snapshot", "testdata", name+".json"))
	require.NoError(t, err)
	var s snapshot.Snapshot
	require.NoError(t, json.Unmarshal(b, &s))
	return &s
}

var published = outlet.State{
	Name:      "mqtt",
	Connected: true, Since: time.Date(2026, 3, 9, 13, 0, 0, 0, time.UTC), LastError: "gone", Failures: 3, Reconnects: 2,
	Published: 4711, Dropped: 5, Repeated: 2, Bytes: 123456, BudgetLevel: 1, Receipts: 9, Refused: 1, Oversized: 1,
}

var keeping = store.Health{
	Problem: "disk full", SetAside: []string{"damaged-1.db"}, SizeBytes: 1 << 20, Commits: 100, Failed: 2, Pending: 3, Lost: 4,
	Outlets: []store.OutletHealth{{Name: "mqtt", Waiting: [outbox.Streams]int64{1, 0, 2, 3}}},
	Kept:    [outbox.Streams]int64{5, 6, 7, 8},
}

func optionsOf(s *snapshot.Snapshot, c *clock) metrics.Options {
	hub := snapshot.NewHub(c.now)
	if s != nil {
		hub.Publish(s)
	}
	return metrics.Options{
		Hub: hub, Outlets: func() []outlet.State { return []outlet.State{published} },
		Store: func() store.Health { return keeping }, Version: "0.1.0", Revision: "abc1234",
	}
}

func expositionOf(s *snapshot.Snapshot, c *clock) *metrics.Exposition {
	return metrics.New(optionsOf(s, c))
}

// registryOf is the same for the reference library.
func registryOf(s *snapshot.Snapshot, c *clock) *prometheus.Registry {
	reg := prometheus.NewPedanticRegistry()
	reg.MustRegister(registry.NewCollector(optionsOf(s, c)))
	return reg
}

// ours returns the lines about what starts with liftbank_, go_version left out.
func ours(t require.TestingT, h http.Handler) string {
	rec := httptest.NewRecorder()
	h.ServeHTTP(rec, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	require.Equal(t, http.StatusOK, rec.Code, rec.Body.String())
	var kept strings.Builder
	for line := range strings.Lines(rec.Body.String()) {
		if strings.Contains(line, "liftbank_") {
			kept.WriteString(regexp.MustCompile(`go_version="[^"]*"`).ReplaceAllString(line, `go_version="any"`))
		}
	}
	return kept.String()
}

func TestGolden(t *testing.T) {
	for _, name := range []string{"healthy", "findings", "unknown", "series"} {
		t.Run(name, func(t *testing.T) {
			got := ours(t, expositionOf(sample(t, name), &clock{}))
			file := filepath.Join("testdata", name+".prom")
			if *update {
				require.NoError(t, os.MkdirAll("testdata", 0o755))
				require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
			}
			want, err := os.ReadFile(file)
			require.NoError(t, err)
			assert.Equal(t, string(want), got)
		})
	}
}

// scrape asks as a client that takes these encodings.
func scrape(h http.Handler, accepts string) *httptest.ResponseRecorder {
	rec := httptest.NewRecorder()
	r := httptest.NewRequest(http.MethodGet, "/metrics", nil)
	if accepts != "" {
		r.Header.Set("Accept-Encoding", accepts)
	}
	h.ServeHTTP(rec, r)
	return rec
}

// Packed for whoever asks for it, and for nobody else; the samples are the same.
func TestPackedWhenAskedFor(t *testing.T) {
	h := expositionOf(sample(t, "findings"), &clock{})
	samples := func(text []byte) (own []string) {
		for line := range strings.Lines(string(text)) {
			if strings.HasPrefix(line, "liftbank_") {
				own = append(own, line)
			}
		}
		return own
	}
	plain := scrape(h, "")
	assert.Empty(t, plain.Header().Get("Content-Encoding"))
	for accepts, want := range map[string]string{
		"gzip": "gzip", "gzip, deflate, br": "gzip", "zstd, gzip;q=0.5": "gzip", "gzip;q=0": "", "zstd": "", "identity": "",
	} {
		rec := scrape(h, accepts)
		require.Equal(t, http.StatusOK, rec.Code)
		require.Equal(t, want, rec.Header().Get("Content-Encoding"), accepts)
		body := rec.Body.Bytes()
		if rec.Header().Get("Content-Encoding") == "gzip" {
			assert.Less(t, len(body), plain.Body.Len()/4)
			z, err := gzip.NewReader(rec.Body)
			require.NoError(t, err)
			body, err = io.ReadAll(z)
			require.NoError(t, err)
		}
		assert.Equal(t, samples(plain.Body.Bytes()), samples(body), accepts)
	}
}

func BenchmarkScrape(b *testing.B) {
	h := expositionOf(sample(b, "findings"), &clock{})
	for name, accepts := range map[string]string{"plain": "", "packed": "gzip"} {
		b.Run(name, func(b *testing.B) {
			var size int
			b.ReportAllocs()
			for b.Loop() {
				size = scrape(h, accepts).Body.Len()
			}
			b.ReportMetric(float64(size), "bytes")
		})
	}
}

func TestNamesFollowTheRules(t *testing.T) {
	classic := regexp.MustCompile(`^liftbank_[a-z][a-z0-9_]*$`)
	for _, name := range []string{"healthy", "findings", "unknown", "series"} {
		reg := registryOf(sample(t, name), &clock{})
		problems, err := testutil.GatherAndLint(reg)
		require.NoError(t, err)
		assert.Empty(t, problems)
		families, err := reg.Gather()
		require.NoError(t, err)
		for _, f := range families {
			if strings.HasPrefix(f.GetName(), "liftbank") {
				assert.Regexp(t, classic, f.GetName())
				assert.True(t, strings.HasSuffix(f.GetHelp(), "."), "%s: help is a sentence", f.GetName())
			}
		}
	}
}

// What we write is what the reference library writes of the same samples, to the last byte, and its parser reads it.
func TestSameAsTheReference(t *testing.T) {
	hostile := sample(t, "findings")
	hostile.Channels[0].Name, hostile.Channels[1].Name = "a-b", "a"
	hostile.Findings[1].Subject = "\xff\\\"\n{}"
	for name, s := range map[string]*snapshot.Snapshot{
		"healthy": sample(t, "healthy"), "findings": sample(t, "findings"), "unknown": sample(t, "unknown"), "hostile": hostile, "none": nil,
	} {
		x := expositionOf(s, &clock{})
		reference := promhttp.HandlerFor(registryOf(s, &clock{}), promhttp.HandlerOpts{})
		for range 2 { // the second is made in what the first was
			assert.Equal(t, ours(t, reference), ours(t, x), name)
		}
		parser := expfmt.NewTextParser(model.UTF8Validation)
		families, err := parser.TextToMetricFamilies(scrape(x, "").Body)
		require.NoError(t, err, name)
		assert.Contains(t, families, "process_resident_memory_bytes")
	}
	for _, v := range []float64{0, -1, 1e-9, 1e21, math.Pi, math.NaN(), math.Inf(1), math.Inf(-1)} {
		s := sample(t, "healthy")
		s.Bank.VoltageV = &v
		assert.Equal(t, ours(t, promhttp.HandlerFor(registryOf(s, &clock{}), promhttp.HandlerOpts{})),
			ours(t, expositionOf(s, &clock{})), v)
	}
}

// An answer is made in what the one before it was made in.
func TestAScrapeLeavesLittleGarbage(t *testing.T) {
	x := expositionOf(sample(t, "findings"), &clock{})
	r := httptest.NewRequest(http.MethodGet, "/metrics", nil)
	r.Header.Set("Accept-Encoding", "gzip")
	w := discard{http.Header{}}
	allocs := testing.AllocsPerRun(20, func() { x.ServeHTTP(w, r) })
	assert.Less(t, allocs, 700.0, "of 200 samples")
}

type discard struct{ header http.Header }

func (d discard) Header() http.Header       { return d.header }
func (discard) Write(b []byte) (int, error) { return len(b), nil }
func (discard) WriteHeader(int)             {}

// More scrapes than there are places for are turned away, and do no harm.
func TestManyScrapes(t *testing.T) {
	x := expositionOf(sample(t, "findings"), &clock{})
	var group sync.WaitGroup
	var good atomic.Int64
	for range 50 {
		group.Go(func() {
			switch rec := scrape(x, ""); rec.Code {
			case http.StatusOK:
				good.Add(1)
				assert.Contains(t, rec.Body.String(), "liftbank_battery_volts")
			default:
				assert.Equal(t, http.StatusServiceUnavailable, rec.Code)
			}
		})
	}
	group.Wait()
	assert.NotZero(t, good.Load())
}

func TestOldReadingsVanish(t *testing.T) {
	c := &clock{t: time.Date(2026, 3, 9, 14, 3, 22, 0, time.UTC)}
	reg := expositionOf(sample(t, "healthy"), c)
	assert.Contains(t, ours(t, reg), `liftbank_battery_volts{battery="a"} 12.653`)

	c.t = c.t.Add(10 * time.Second)
	assert.Contains(t, ours(t, reg), "liftbank_battery_volts", "still of now at the limit")

	c.t = c.t.Add(time.Millisecond)
	left := samples(ours(t, reg))
	assert.Contains(t, left, "liftbank_snapshot_timestamp_seconds 1.773065002e+09")
	for _, line := range left {
		assert.Regexp(
			t, `^liftbank_(snapshot_timestamp_seconds|build_info|publish_|store_|outbox_)`, line,
			"no figure outlives its snapshot",
		)
	}
}

func TestBeforeTheFirstSnapshot(t *testing.T) {
	for _, line := range samples(ours(t, expositionOf(nil, &clock{}))) {
		assert.Regexp(t, `^liftbank_(build_info|publish_|store_|outbox_)`, line)
	}
}

func samples(text string) []string {
	var all []string
	for line := range strings.Lines(text) {
		if !strings.HasPrefix(line, "#") {
			all = append(all, strings.TrimSpace(line))
		}
	}
	return all
}

// Names repeated and bytes that aren't text come from a configuration; they must cost one label,
// never the scrape.
func TestHostileSnapshot(t *testing.T) {
	s := sample(t, "findings")
	s.Findings = append(s.Findings, s.Findings...)
	s.NotJudged = append(s.NotJudged, s.NotJudged...)
	s.Findings[1].Subject = "b\xff\"\n"
	text := ours(t, expositionOf(s, &clock{}))
	assert.Contains(t, text, `subject="b�\"\n"`)
	assert.Contains(t, text, `liftbank_findings{severity="urgent"} 1`, "the same condition twice is one")
}

func TestFindingsThatAreOver(t *testing.T) {
	s := sample(t, "findings")
	s.Findings[0].State = "returned to normal unacknowledged"
	text := ours(t, expositionOf(s, &clock{}))
	assert.Contains(t, text, `liftbank_finding_active{finding="feed-lost",severity="urgent",subject=""} 0`)
	assert.Contains(t, text, `liftbank_findings{severity="urgent"} 0`)
}

// promtool is Prometheus' own judge of a page of metrics (Debian package prometheus).
func TestPromtool(t *testing.T) {
	path := outside.Program(t, "promtool", "prometheus")
	for _, name := range []string{"healthy", "findings", "unknown", "series"} {
		cmd := exec.Command(path, "check", "metrics")
		cmd.Stdin = strings.NewReader(ours(t, expositionOf(sample(t, name), &clock{})))
		out, err := cmd.CombinedOutput()
		var exit *exec.ExitError
		if errors.As(err, &exit) || len(bytes.TrimSpace(out)) > 0 {
			t.Errorf("promtool check metrics on %s: %v: %s", name, err, out)
		}
	}
}

// The counter's start never reaches the counters: whoever sets it doesn't make them jump, and totals
// are sums of two series.
func TestCountersNeverHaveTheirStart(t *testing.T) {
	s := *sample(t, "healthy")
	before := strings.Join(samples(ours(t, expositionOf(&s, &clock{}))), "\n")
	s.Motor.Before = &snapshot.Before{LiftCycles: 41000, Runs: 82000, RunTimeS: 3.6e6, From: "old counter"}
	after := strings.Join(samples(ours(t, expositionOf(&s, &clock{}))), "\n")
	for _, name := range []string{"liftbank_motor_runs_total", "liftbank_motor_lift_cycles_total", "liftbank_motor_run_seconds_total"} {
		line := regexp.MustCompile(`(?m)^` + name + ` .*$`).FindString(before)
		require.NotEmpty(t, line, name)
		assert.Contains(t, after, line)
	}
	assert.NotContains(t, before, "motor_before")
	assert.Contains(t, after, "liftbank_motor_before_lift_cycles 41000")
	assert.Contains(t, after, "liftbank_motor_before_runs 82000")
	assert.Contains(t, after, "liftbank_motor_before_run_seconds 3.6e+06")
}
