package listen

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// conn is one end of a connection whose other end says to be at an address.
type conn struct {
	net.Conn
	from net.Addr
}

func (c conn) RemoteAddr() net.Addr { return c.from }

// wire is a listener of connections in memory.
type wire struct {
	waiting chan net.Conn
	closed  chan struct{}
	once    sync.Once
}

func (w *wire) Accept() (net.Conn, error) {
	select {
	case c := <-w.waiting:
		return c, nil
	case <-w.closed:
		return nil, net.ErrClosed
	}
}

func (w *wire) Close() error   { w.once.Do(func() { close(w.closed) }); return nil }
func (w *wire) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 1} }

func (w *wire) dial(address string) net.Conn {
	here, there := net.Pipe()
	w.waiting <- conn{there, &net.TCPAddr{IP: net.ParseIP(address), Port: 1}}
	return here
}

// ask sends a request on an open connection and returns the answer, or empty when it was cut.
func ask(c net.Conn, path string) string {
	_ = c.SetDeadline(time.Now().Add(5 * time.Second))
	if _, err := fmt.Fprintf(c, "GET %s HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n", path); err != nil {
		return ""
	}
	answer, _ := io.ReadAll(c)
	return string(answer)
}

func serve(t *testing.T, h http.Handler) *wire {
	w := &wire{waiting: make(chan net.Conn), closed: make(chan struct{})}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- Serve(ctx, w, h, slog.New(slog.DiscardHandler)) }()
	t.Cleanup(func() { cancel(); require.NoError(t, <-ended) })
	return w
}

func fine(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, "fine") }

// Connections that ask nothing, from one address or from many, keep nobody out: not the same
// address, not another one. The ones that waited longest are closed.
func TestIdleConnectionsKeepNobodyOut(t *testing.T) {
	for name, from := range map[string]func(i int) string{
		"one address":    func(int) string { return "10.0.0.1" },
		"many addresses": func(i int) string { return fmt.Sprintf("10.1.%d.%d", i>>8, i&255) },
	} {
		t.Run(name, func(t *testing.T) {
			w := serve(t, http.HandlerFunc(fine))
			var idle []net.Conn
			for i := range 4 * MaxConns {
				idle = append(idle, w.dial(from(i)))
			}
			for range 20 {
				assert.Contains(t, ask(w.dial("10.0.0.2"), "/healthz"), "fine")
				assert.Contains(t, ask(w.dial("10.0.0.1"), "/"), "fine")
			}
			_, err := idle[0].Write([]byte("G"))
			assert.Error(t, err, "the oldest was closed")
			for _, c := range idle {
				c.Close()
			}
		})
	}
}

// Half a request is no request: such connections make room, too.
func TestHalfRequestsKeepNobodyOut(t *testing.T) {
	w := serve(t, http.HandlerFunc(fine))
	for i := range 2 * MaxConns {
		c := w.dial(fmt.Sprintf("10.0.%d.1", i%16))
		defer c.Close()
		go io.WriteString(c, "GET / HTTP/1.1\r\nX: ")
	}
	assert.Contains(t, ask(w.dial("10.3.0.1"), "/"), "fine")
}

// Requests that are under way are never cut for new ones. One address can't take all places, and
// when all are taken, an address that has none open still gets one.
func TestRequestsUnderWayAreNotCut(t *testing.T) {
	release := make(chan struct{})
	var working sync.WaitGroup
	w := serve(t, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/slow" {
			working.Done()
			<-release
		}
		fine(w, r)
	}))
	var answers sync.WaitGroup
	var mu sync.Mutex
	good := 0
	start := func(address string, n int) {
		for range n {
			working.Add(1)
			c := w.dial(address)
			answers.Go(func() {
				if strings.Contains(ask(c, "/slow"), "fine") {
					mu.Lock()
					defer mu.Unlock()
					good++
				}
			})
		}
		working.Wait()
	}
	start("10.0.0.1", MaxOfOne)
	assert.Empty(t, ask(w.dial("10.0.0.1"), "/"), "it has all its places")
	start("10.0.0.2", MaxConns-MaxOfOne)
	assert.Empty(t, ask(w.dial("10.0.0.2"), "/"), "all places are taken")
	for range 3 * spareConns {
		assert.Contains(t, ask(w.dial("10.0.0.3"), "/healthz"), "fine", "a probe gets in")
	}
	close(release)
	answers.Wait()
	assert.Equal(t, MaxConns, good)
}
