package page

import (
	"compress/gzip"
	"context"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"liftbank/agent/internal/browsertest"
	"liftbank/agent/page/listen"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
	"liftbank/cmd/slowtest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(tests{m}) }

// tests are those of this package, and the end of the browser that they share.
type tests struct{ *testing.M }

func (t tests) Run() int {
	slowtest.SideBySide(6)
	code := t.M.Run()
	browsertest.End()
	return code
}

const patience = 30 * time.Second

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

// unit is a server with its hub and clock; first is nil for a hub without a snapshot.
func unit(t testing.TB, first *snapshot.Snapshot, change ...func(*Options)) (*Server, *snapshot.Hub, *clock) {
	c := &clock{t: time.Date(2026, 3, 9, 14, 3, 22, 0, time.UTC)}
	hub := snapshot.NewHub(c.now)
	opts := Options{
		Hub: hub, Now: c.now,
		Metrics: http.HandlerFunc(
			func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "metrics\n") },
		),
	}
	for _, f := range change {
		f(&opts)
	}
	s, err := New(opts)
	require.NoError(t, err)
	if first != nil {
		hub.Publish(first)
	}
	return s, hub, c
}

func get(s *Server, path string, change ...func(*http.Request)) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodGet, path, nil)
	r.Host = "192.168.4.1:8080"
	for _, f := range change {
		f(r)
	}
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w
}

func gzipped(r *http.Request) { r.Header.Set("Accept-Encoding", "gzip, deflate, br") }

var everyPath = []string{
	"/", "/api/v1/snapshot", "/api/v1/findings", "/metrics", "/healthz", "/readyz", "/no/such/page", "/assets/",
	"/assets/../server.go",
}

// The policy is that of the trade's hardening guides: nothing from elsewhere, nothing inline, not
// in a frame.
func TestEveryAnswerHasTheHeaders(t *testing.T) {
	s, _, _ := unit(t, sample(t, "healthy"))
	for _, path := range append(everyPath, s.site.Assets.URLs["sheet.css"]) {
		h := get(s, path).Header()
		assert.Equal(t, "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "+
			"img-src 'self' blob:; manifest-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'self'",
			h.Get("Content-Security-Policy"), path)
		for name, want := range map[string]string{
			"X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Referrer-Policy": "same-origin",
			"Cross-Origin-Opener-Policy": "same-origin", "Cross-Origin-Resource-Policy": "same-origin",
			"Permissions-Policy": "camera=(), geolocation=(), microphone=()",
		} {
			assert.Equal(t, want, h.Get(name), "%s: %s", path, name)
		}
		if !strings.HasPrefix(path, "/assets/sheet") {
			assert.Equal(t, "no-store", h.Get("Cache-Control"), path)
		}
	}
}

func TestRoutes(t *testing.T) {
	s, _, _ := unit(t, sample(t, "healthy"))
	for path, want := range map[string]struct {
		status      int
		contentType string
	}{
		"/":                 {200, "text/html; charset=utf-8"},
		"/api/v1/snapshot":  {200, "application/json"},
		"/api/v1/findings":  {200, "application/json"},
		"/metrics":          {200, ""},
		"/healthz":          {200, "text/plain; charset=utf-8"},
		"/readyz":           {200, "text/plain; charset=utf-8"},
		"/index.html":       {404, "text/plain; charset=utf-8"},
		"/api/v1":           {404, "text/plain; charset=utf-8"},
		"/assets":           {404, "text/plain; charset=utf-8"},
		"/assets/":          {404, "text/plain; charset=utf-8"},
		"/assets/sheet.css": {404, "text/plain; charset=utf-8"},
	} {
		w := get(s, path)
		assert.Equal(t, want.status, w.Code, path)
		if want.contentType != "" {
			assert.Equal(t, want.contentType, w.Header().Get("Content-Type"), path)
		}
	}
	for _, method := range []string{"POST", "PUT", "DELETE", "PATCH", "TRACE", "OPTIONS"} {
		for _, path := range []string{"/", "/api/v1/snapshot", "/api/v1/stream", "/live", "/healthz"} {
			w := get(s, path, func(r *http.Request) { r.Method = method })
			assert.Equal(t, http.StatusMethodNotAllowed, w.Code, "%s %s", method, path)
			assert.Equal(t, "GET, HEAD", w.Header().Get("Allow"), "%s %s", method, path)
		}
	}
	none, _, _ := unit(t, nil, func(o *Options) { o.Metrics = nil })
	assert.Equal(t, http.StatusNotFound, get(none, "/metrics").Code)
}

func TestHosts(t *testing.T) {
	s, _, _ := unit(t, sample(t, "healthy"), func(o *Options) { o.Hosts = []string{"lift-7.local"} })
	for host, want := range map[string]int{
		"192.168.4.1": 200, "192.168.4.1:80": 200, "[fe80::1]:8080": 200, "[fe80::1]": 200, "localhost": 200,
		"LOCALHOST:8080": 200,
		"lift-7.local":   200, "Lift-7.local.:8080": 200,
		"evil.example": 421, "lift-7.local.evil.example": 421, "127.0.0.1.evil.example": 421, "": 421,
		"localhost.evil.example": 421,
	} {
		assert.Equal(t, want, get(s, "/api/v1/snapshot", func(r *http.Request) { r.Host = host }).Code, host)
	}
	open, _, _ := unit(t, sample(t, "healthy"), func(o *Options) { o.Hosts = []string{"*"} })
	assert.Equal(t, 200, get(open, "/", func(r *http.Request) { r.Host = "evil.example" }).Code)
}

// One snapshot, the same bytes wherever it goes.
func TestSnapshotIsTheHubs(t *testing.T) {
	first := sample(t, "findings")
	s, hub, _ := unit(t, first)
	want, err := hub.JSON(first)
	require.NoError(t, err)
	assert.Equal(t, string(want), get(s, "/api/v1/snapshot").Body.String())

	packed := get(s, "/api/v1/snapshot", gzipped)
	assert.Equal(t, "gzip", packed.Header().Get("Content-Encoding"))
	assert.Equal(t, "Accept-Encoding", packed.Header().Get("Vary"))
	z, err := gzip.NewReader(packed.Body)
	require.NoError(t, err)
	plain, err := io.ReadAll(z)
	require.NoError(t, err)
	assert.Equal(t, string(want), string(plain))

	var answer struct {
		Schema    string               `json:"schema"`
		Seq       uint64               `json:"seq"`
		Findings  []snapshot.Finding   `json:"findings"`
		NotJudged []snapshot.NotJudged `json:"not_judged"`
	}
	require.NoError(t, json.Unmarshal(get(s, "/api/v1/findings").Body.Bytes(), &answer))
	assert.Equal(t, "liftbank.findings.v2", answer.Schema)
	assert.Equal(t, first.Seq, answer.Seq)
	assert.Equal(t, first.Findings, answer.Findings)
	assert.Equal(t, first.NotJudged, answer.NotJudged)
}

func TestBeforeTheFirstSnapshot(t *testing.T) {
	s, _, c := unit(t, nil)
	assert.Equal(t, 503, get(s, "/api/v1/snapshot").Code)
	assert.JSONEq(t, `{"error":"no scan yet"}`, get(s, "/api/v1/findings").Body.String())
	assert.Equal(t, 503, get(s, "/readyz").Code)
	assert.Equal(t, 200, get(s, "/healthz").Code, "the scan loop may take its time at first")
	page := get(s, "/")
	assert.Equal(t, 200, page.Code)
	assert.Contains(t, page.Body.String(), words.English.W["NotYet"])
	c.t = c.t.Add(11 * time.Second)
	assert.Equal(t, 503, get(s, "/healthz").Code)
}

func TestHealthFollowsTheScanLoop(t *testing.T) {
	s, hub, c := unit(t, sample(t, "healthy"))
	c.t = c.t.Add(10 * time.Second)
	assert.Equal(t, 200, get(s, "/healthz").Code)
	c.t = c.t.Add(time.Second)
	w := get(s, "/healthz")
	assert.Equal(t, 503, w.Code)
	assert.Equal(t, "scan loop: last snapshot 11s ago\n", w.Body.String())
	assert.Equal(t, 503, get(s, "/readyz").Code, "there is nothing of now to show")
	hub.Publish(sample(t, "healthy"))
	assert.Equal(t, 200, get(s, "/healthz").Code)
	assert.Equal(t, 200, get(s, "/readyz").Code)
	hub.Stall(true)
	assert.Equal(t, 503, get(s, "/readyz").Code, "the loop is known to hang")
}

// Every page, by whatever name it is opened, says in words that measuring has stopped, and how old
// the figures are.
func TestEveryPageSaysThatMeasuringHasStopped(t *testing.T) {
	s, hub, c := unit(t, sample(t, "findings"), full(t))
	pages := []string{"/", "/check", "/findings", "/findings/feed-lost", "/history", "/visit", "/visit/report", "/visits", "/pin"}
	begin(t, s)
	said := func(path string) bool {
		return strings.Contains(get(s, path).Body.String(), `<span id="age">Not measuring, data `) &&
			strings.Contains(get(s, path).Body.String(), `class="bad"><b>`)
	}
	for _, path := range pages {
		assert.False(t, said(path), path)
	}
	hub.Stall(true)
	for _, path := range pages {
		assert.True(t, said(path), "%s: the loop hangs", path)
	}
	hub.Stall(false)
	c.t = c.t.Add(11 * time.Second)
	for _, path := range pages {
		assert.True(t, said(path), "%s: no scan for a while", path)
	}
}

// A snapshot that JSON can't say is a defect of ours: an error to whoever asks, not the end of the
// process.
func TestSnapshotWithoutJSON(t *testing.T) {
	bad := sample(t, "healthy")
	bad.UptimeS = nan
	s, _, _ := unit(t, bad)
	assert.Equal(t, 500, get(s, "/api/v1/snapshot").Code)
}

func TestAssets(t *testing.T) {
	s, _, _ := unit(t, sample(t, "healthy"), full(t))
	pages := get(s, "/").Body.String() + get(s, "/history").Body.String() + get(s, "/visit").Body.String()
	begin(t, s)
	pages += get(s, "/visit").Body.String() + get(s, "/visit/order").Body.String() + get(s, "/visits/"+finished(t, s)).Body.String()
	pages += get(s, "/manifest.webmanifest").Body.String() + get(s, "/calibrate").Body.String() + get(s, "/fit").Body.String()
	types := map[string]string{
		".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml",
		".png": "image/png",
	}
	for name, url := range s.site.Assets.URLs {
		assert.Regexp(t, regexp.MustCompile(`^/assets/\w+\.[0-9a-f]{12}\.\w+$`), url)
		assert.Contains(t, pages, url, name)
		w := get(s, url)
		assert.Equal(t, 200, w.Code)
		assert.Equal(t, "public, max-age=31536000, immutable", w.Header().Get("Cache-Control"))
		assert.Equal(t, types[filepath.Ext(name)], w.Header().Get("Content-Type"))
		want, err := os.ReadFile(filepath.Join("web", "assets", name))
		require.NoError(t, err)
		if name == "sheet.css" {
			want = append(web.BaseSheet(), want...)
		}
		assert.Equal(t, string(want), w.Body.String())
		packed := get(s, url, gzipped)
		assert.Equal(t, "gzip", packed.Header().Get("Content-Encoding"))
	}
}

// What a phone loads first, packed as a browser asks for it.
func TestFirstViewIsSmall(t *testing.T) {
	s, _, _ := unit(t, sample(t, "findings"))
	total := get(s, "/", gzipped).Body.Len()
	for _, name := range []string{"sheet.css", "sheet.js", "shell.js", "mark.svg"} {
		require.Contains(t, get(s, "/").Body.String(), s.site.Assets.URLs[name])
		total += get(s, s.site.Assets.URLs[name], gzipped).Body.Len()
	}
	t.Logf("first view: %d bytes", total)
	assert.Less(t, total, 20_000)
}

// serve runs a server on a listener until the test ends or stop is called.
func serve(t *testing.T, s *Server, l net.Listener) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(ctx, l) }()
	done := false
	stop = func() {
		if done {
			return
		}
		done = true
		cancel()
		select {
		case err := <-ended:
			require.NoError(t, err)
		case <-time.After(patience):
			t.Fatal("Serve doesn't return")
		}
	}
	t.Cleanup(stop)
	return stop
}

func TestServeFailsWithItsListener(t *testing.T) {
	s, _, _ := unit(t, nil)
	l, err := listen.Open(t.Context(), "127.0.0.1:0")
	require.NoError(t, err)
	require.NoError(t, l.Close())
	assert.ErrorContains(t, s.Serve(t.Context(), l), "page: serve on 127.0.0.1:")
}

// pipes is a listener of connections in memory, so that a server's time limits pass in simulated
// time.
type pipes struct {
	waiting chan net.Conn
	closed  chan struct{}
	once    sync.Once
}

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.waiting:
		return c, nil
	case <-p.closed:
		return nil, net.ErrClosed
	}
}

func (p *pipes) Close() error   { p.once.Do(func() { close(p.closed) }); return nil }
func (p *pipes) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 8080} }

func (p *pipes) dial() net.Conn {
	here, there := net.Pipe()
	p.waiting <- there
	return here
}

// A server's end waits for answers, for so long as a phone that went out of reach may take one, but
// for no connection without a whole question, such as a browser opens to spare.
func TestServeEnds(t *testing.T) {
	for _, c := range []struct {
		name, sent string
		want       time.Duration
	}{
		{"nothing asked", "", 0},
		{"asked, and gone before the answer", "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", listen.StopLimit},
		{"gone while asking", "GET / HT", 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s, _, _ := unit(t, sample(t, "findings"))
				l := &pipes{waiting: make(chan net.Conn), closed: make(chan struct{})}
				ctx, cancel := context.WithCancel(t.Context())
				ended := make(chan error, 1)
				go func() { ended <- s.Serve(ctx, l) }()
				phone := l.dial()
				defer phone.Close()
				_, err := io.WriteString(phone, c.sent)
				require.NoError(t, err)
				synctest.Wait()
				begun := time.Now()
				cancel()
				require.NoError(t, <-ended)
				// Shutdown looks every so many milliseconds
				assert.InDelta(t, c.want.Seconds(), time.Since(begun).Seconds(), 0.5)
			})
		})
	}
}

func TestNewRefusesWhatIsMissing(t *testing.T) {
	_, err := New(Options{})
	assert.Error(t, err)
}
