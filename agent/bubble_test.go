package agent_test

import (
	"context"
	"net"
	"net/http"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"liftbank/agent"
)

// inBubble plays agents and who uses them by a simulated clock: what waits for the next scan waits no real time.
func inBubble(t *testing.T, play func(t *testing.T, w *wire)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(time.Until(time.Date(2026, 6, 1, 8, 0, 0, 0, time.UTC))) // a clock that has never been set reads 2000
		play(t, new(wire))
	})
}

// wire joins a browser and the agent that listens on it now, in memory: a bubble's clock stands still while somebody
// waits for a socket of the system.
type wire struct {
	mu  sync.Mutex
	end *wireEnd
}

// wireEnd is where an agent listens.
type wireEnd struct {
	dialed chan net.Conn
	closed chan struct{}
	close  func()
}

// address is on both ends of a wire: the page wants to know who asks.
var address = &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 8480}

// listen has an agent listen on the wire, and not on the system's socket.
func (w *wire) listen(o *agent.Options) {
	o.Listener.Close()
	closed := make(chan struct{})
	end := &wireEnd{dialed: make(chan net.Conn), closed: closed, close: sync.OnceFunc(func() { close(closed) })}
	o.Listener = end
	w.mu.Lock()
	defer w.mu.Unlock()
	w.end = end
}

// client is a browser at the other end, which follows no redirection.
func (w *wire) client() *http.Client {
	return &http.Client{
		Transport:     &http.Transport{DialContext: w.dial},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}

func (w *wire) dial(ctx context.Context, _, _ string) (net.Conn, error) {
	w.mu.Lock()
	end := w.end
	w.mu.Unlock()
	here, there := net.Pipe()
	select {
	case end.dialed <- wireConn{there}:
		return here, nil
	case <-end.closed:
		return nil, net.ErrClosed
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

func (e *wireEnd) Accept() (net.Conn, error) {
	select {
	case c := <-e.dialed:
		return c, nil
	case <-e.closed:
		return nil, net.ErrClosed
	}
}

func (e *wireEnd) Close() error   { e.close(); return nil }
func (e *wireEnd) Addr() net.Addr { return address }

type wireConn struct{ net.Conn }

func (wireConn) LocalAddr() net.Addr  { return address }
func (wireConn) RemoteAddr() net.Addr { return address }
