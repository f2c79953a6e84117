package metrics_test

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"flag"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"liftbank/agent/metrics"
	"liftbank/agent/outlet"
	"liftbank/agent/snapshot"
	"liftbank/agent/store"
	"liftbank/agent/store/outbox"
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

func registryOf(s *snapshot.Snapshot, c *clock) *prometheus.Registry {
	hub := snapshot.NewHub(c.now)
	if s != nil {
		hub.Publish(s)
	}
	return metrics.New(metrics.Options{
		Hub: hub, Outlets: func() []outlet.State { return []outlet.State{published} },
		Store: func() store.Health { return keeping }, Version: "0.1.0", Revision: "abc1234",
	})
}

// ours returns the samples of a registry whose names start with liftbank_, go_version left out.
func ours(t require.TestingT, reg prometheus.Gatherer) string {
	rec := httptest.NewRecorder()
	metrics.Handler(reg.(*prometheus.Registry)).ServeHTTP(rec, httptest.NewRequest(http.MethodGet, "/metrics", nil))
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
	for _, name := range []string{"healthy", "findings", "unknown"} {
		t.Run(name, func(t *testing.T) {
			got := ours(t, registryOf(sample(t, name), &clock{}))
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
	h := metrics.Handler(registryOf(sample(t, "findings"), &clock{}))
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
	h := metrics.Handler(registryOf(sample(b, "findings"), &clock{}))
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
	for _, name := range []string{"healthy", "findings", "unknown"} {
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

// A pedantic registry checks that what is collected is what was described.
func TestPedantic(t *testing.T) {
	hub := snapshot.NewHub((&clock{}).now)
	hub.Publish(sample(t, "findings"))
	reg := prometheus.NewPedanticRegistry()
	require.NoError(t, reg.Register(metrics.NewCollector(metrics.Options{Hub: hub, StaleAfter: time.Second})))
	_, err := reg.Gather()
	assert.NoError(t, err)
}

func TestOldReadingsVanish(t *testing.T) {
	c := &clock{t: time.Date(2026, 3, 9, 14, 3, 22, 0, time.UTC)}
	reg := registryOf(sample(t, "healthy"), c)
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
	for _, line := range samples(ours(t, registryOf(nil, &clock{}))) {
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
	text := ours(t, registryOf(s, &clock{}))
	assert.Contains(t, text, `subject="b�\"\n"`)
	assert.Contains(t, text, `liftbank_findings{severity="urgent"} 1`, "the same condition twice is one")
}

func TestFindingsThatAreOver(t *testing.T) {
	s := sample(t, "findings")
	s.Findings[0].State = "returned to normal unacknowledged"
	text := ours(t, registryOf(s, &clock{}))
	assert.Contains(t, text, `liftbank_finding_active{finding="feed-lost",severity="urgent",subject=""} 0`)
	assert.Contains(t, text, `liftbank_findings{severity="urgent"} 0`)
}

// promtool is Prometheus' own judge of a page of metrics (Debian package prometheus).
func TestPromtool(t *testing.T) {
	path, err := exec.LookPath("promtool")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("promtool is not installed: apt-get install prometheus")
		}
		t.Skip("promtool is not installed")
	}
	for _, name := range []string{"healthy", "findings", "unknown"} {
		cmd := exec.Command(path, "check", "metrics")
		cmd.Stdin = strings.NewReader(ours(t, registryOf(sample(t, name), &clock{})))
		out, err := cmd.CombinedOutput()
		var exit *exec.ExitError
		if errors.As(err, &exit) || len(bytes.TrimSpace(out)) > 0 {
			t.Errorf("promtool check metrics on %s: %v: %s", name, err, out)
		}
	}
}
