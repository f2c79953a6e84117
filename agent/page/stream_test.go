package page

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/page/listen"
	"liftbank/agent/snapshot"
)

// live is a unit on loopback; its clock is the real one, as deadlines of connections need.
func live(
	t *testing.T, first *snapshot.Snapshot, change ...func(*Options),
) (address string, hub *snapshot.Hub, stop func()) {
	hub = snapshot.NewHub(time.Now)
	if first != nil {
		hub.Publish(first)
	}
	opts := Options{Hub: hub, Now: time.Now}
	for _, f := range change {
		f(&opts)
	}
	s, err := New(opts)
	require.NoError(t, err)
	l, err := listen.Open(t.Context(), "127.0.0.1:0")
	require.NoError(t, err)
	return l.Addr().String(), hub, serve(t, s, l)
}

// sse is one server-sent event as read from the wire (HTML standard, section 9.2.6).
type sse struct{ event, id, data string }

// stream opens path and reads its events.
func stream(t *testing.T, address, path, lastID string) (*http.Response, func() (sse, error)) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	t.Cleanup(cancel)
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+address+path, nil)
	require.NoError(t, err)
	if lastID != "" {
		req.Header.Set("Last-Event-ID", lastID)
	}
	transport := &http.Transport{}
	t.Cleanup(transport.CloseIdleConnections)
	res, err := transport.RoundTrip(req)
	require.NoError(t, err)
	t.Cleanup(func() { res.Body.Close() })
	lines := bufio.NewReader(res.Body)
	return res, func() (sse, error) {
		var e sse
		for {
			line, err := lines.ReadString('\n')
			if err != nil {
				return e, err
			}
			name, value, _ := strings.Cut(strings.TrimSuffix(line, "\n"), ": ")
			switch name {
			case "event":
				e.event = value
			case "id":
				e.id = value
			case "data":
				e.data = value
			case "":
				if e.event != "" {
					return e, nil
				}
			}
		}
	}
}

func numbered(s *snapshot.Snapshot, seq uint64) *snapshot.Snapshot {
	c := *s
	c.Seq = seq
	return &c
}

// sheetEvent is what the script of a live page reads.
type sheetEvent struct {
	Build string            `json:"build"`
	AgeS  float64           `json:"age_s"`
	Parts map[string]string `json:"parts"`
}

func TestStream(t *testing.T) {
	base := sample(t, "healthy")
	first := numbered(base, 1)
	address, hub, stop := live(t, first)
	res, next := stream(t, address, "/api/v1/stream", "")
	assert.Equal(t, "text/event-stream", res.Header.Get("Content-Type"))
	assert.Equal(t, "no-store", res.Header.Get("Cache-Control"))
	assert.NotEmpty(t, res.Header.Get("Content-Security-Policy"))

	want, err := hub.JSON(first)
	require.NoError(t, err)
	e, err := next()
	require.NoError(t, err)
	assert.Equal(
		t, sse{"snapshot", "1", string(want)}, e, "what is there comes at once, in the same bytes as everywhere",
	)

	for seq := uint64(2); seq <= 50; seq++ { // faster than the stream's gap: the newest is enough
		hub.Publish(numbered(base, seq))
	}
	e, err = next()
	require.NoError(t, err)
	assert.Equal(t, "50", e.id)

	stop()
	_, err = next()
	assert.Error(t, err, "a stop ends the stream")
}

func TestStreamGoesOnWhereItWas(t *testing.T) {
	base := sample(t, "healthy")
	address, hub, _ := live(t, numbered(base, 7))
	_, next := stream(t, address, "/api/v1/stream", "7")
	hub.Publish(numbered(base, 8))
	e, err := next()
	require.NoError(t, err)
	assert.Equal(t, "8", e.id, "7 is not sent again")

	for _, id := range []string{"900", "x", "-1"} { // of an earlier start, or of nobody
		_, next = stream(t, address, "/api/v1/stream", id)
		e, err = next()
		require.NoError(t, err)
		assert.Equal(t, "8", e.id, "last seen %q", id)
	}
}

func TestLiveSendsWhatChanged(t *testing.T) {
	base := sample(t, "findings")
	address, hub, _ := live(t, numbered(base, 1))
	_, next := stream(t, address, "/live", "")
	e, err := next()
	require.NoError(t, err)
	assert.Equal(t, "sheet", e.event)
	var all, some sheetEvent
	require.NoError(t, json.Unmarshal([]byte(e.data), &all))
	assert.Len(t, all.Parts, len(partsOfAll[kindNow])+1, "and the line about work under way")
	assert.Contains(t, all.Parts["answer"], "No charge reaches the bank")

	second := numbered(base, 2)
	second.Motor.Runs++
	hub.Publish(second)
	e, err = next()
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal([]byte(e.data), &some))
	assert.Len(t, some.Parts, 1)
	assert.Contains(t, some.Parts["motor"], ">413<")
	assert.Equal(t, all.Build, some.Build)
}

func TestStreamsAreLimited(t *testing.T) {
	address, _, stop := live(t, sample(t, "healthy"), func(o *Options) { o.MaxStreams = 2 })
	for _, path := range []string{"/live", "/api/v1/stream"} {
		_, next := stream(t, address, path, "")
		_, err := next()
		require.NoError(t, err)
	}
	res, _ := stream(t, address, "/live", "")
	assert.Equal(t, http.StatusServiceUnavailable, res.StatusCode)
	assert.Equal(t, "10", res.Header.Get("Retry-After"))
	stop()
}

func TestHeadOfAStreamEnds(t *testing.T) {
	address, _, _ := live(t, sample(t, "healthy"))
	res, err := http.Head("http://" + address + "/api/v1/stream")
	require.NoError(t, err)
	defer http.DefaultClient.CloseIdleConnections()
	assert.Equal(t, 200, res.StatusCode)
}

// pipe is a listener of one connection without any buffer: what isn't read blocks the writer.
type pipe struct {
	conn   chan net.Conn
	closed chan struct{}
}

func (p *pipe) Accept() (net.Conn, error) {
	select {
	case c := <-p.conn:
		return c, nil
	case <-p.closed:
		return nil, net.ErrClosed
	}
}
func (p *pipe) Close() error {
	select {
	case <-p.closed:
	default:
		close(p.closed)
	}
	return nil
}
func (p *pipe) Addr() net.Addr { return &net.UnixAddr{Name: "pipe", Net: "pipe"} }

// A client that doesn't read is dropped once a write has taken its time; the others don't notice.
func TestSlowClientIsDropped(t *testing.T) {
	hub := snapshot.NewHub(time.Now)
	hub.Publish(sample(t, "findings"))
	// A clock that is late by nearly the limit of a write: deadlines are soon over.
	now := func() time.Time { return time.Now().Add(300*time.Millisecond - listen.WriteLimit) }
	s, err := New(Options{Hub: hub, Now: now})
	require.NoError(t, err)
	p := &pipe{make(chan net.Conn, 1), make(chan struct{})}
	client, server := net.Pipe()
	p.conn <- server
	serve(t, s, p)

	_, err = io.WriteString(client, "GET /api/v1/stream HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
	require.NoError(t, err)
	one := make([]byte, 1)
	_, err = client.Read(one) // it has begun; then nothing is read
	require.NoError(t, err)
	require.Eventually(t, func() bool { return s.streams.open.Load() == 0 }, patience, time.Millisecond, "dropped")
	_, err = io.Copy(io.Discard, client)
	assert.True(t, err == nil || errors.Is(err, io.ErrClosedPipe), "closed by the server: %v", err)
}

// The hub's readers on the stream survive a burst while clients come and go. Run with -race.
func TestManyClients(t *testing.T) {
	base := sample(t, "healthy")
	address, hub, stop := live(t, numbered(base, 1))
	for i := range 8 {
		_, next := stream(t, address, []string{"/live", "/api/v1/stream"}[i%2], "")
		_, err := next()
		require.NoError(t, err)
	}
	for seq := range uint64(500) {
		hub.Publish(numbered(base, seq+2))
	}
	res, err := http.Get(fmt.Sprintf("http://%s/", address))
	require.NoError(t, err)
	_, err = io.Copy(io.Discard, res.Body)
	require.NoError(t, err)
	require.NoError(t, res.Body.Close())
	http.DefaultClient.CloseIdleConnections()
	stop()
}

func BenchmarkPage(b *testing.B) {
	base := sample(b, "findings")
	s, hub, _ := unit(b, base)
	b.Run("new snapshot, page packed", func(b *testing.B) {
		b.ReportAllocs()
		for seq := uint64(10000); b.Loop(); seq++ {
			hub.Publish(numbered(base, seq))
			get(s, "/", gzipped)
		}
	})
	b.Run("same snapshot, page packed", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			get(s, "/", gzipped)
		}
	})
	b.Run("new snapshot, JSON", func(b *testing.B) {
		b.ReportAllocs()
		for seq := uint64(1e6); b.Loop(); seq++ {
			next := numbered(base, seq)
			hub.Publish(next)
			if _, err := hub.JSON(next); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("same snapshot, JSON over HTTP", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			get(s, "/api/v1/snapshot")
		}
	})
}
