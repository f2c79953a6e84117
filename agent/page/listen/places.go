package listen

import (
	"crypto/tls"
	"net"
	"net/http"
	"sync"

	"liftbank/agent/tries"
)

// Bounds of the connections that are open at a time.
const (
	MaxConns   = 128
	MaxOfOne   = 64 // of one address: a phone has one stream and a few more, a proxy has many phones
	spareConns = 8  // beyond MaxConns, for addresses that have none open: probes and scrapes get in

	// Buffers of the kernel for one connection, in bytes, which count as the service's memory, too. A
	// scrape fits in one.
	sendBuffer    = 64 << 10
	receiveBuffer = 16 << 10
)

// places counts connections by address, and makes room for new ones by closing those that wait
// without a request. Its zero value is ready.
type places struct {
	mu      sync.Mutex
	open    map[net.Conn]*place
	of      map[string]int // open connections by address
	seq     uint64
	stopped bool
}

// place is one open connection.
type place struct {
	address string
	busy    bool   // a request is under way
	virgin  bool   // no request came yet
	since   uint64 // when it became busy or idle: smaller is earlier
}

// bounded is a listener that accepts only connections for which there is a place.
type bounded struct {
	net.Listener
	places *places
}

// Accept returns the next connection for which there is a place, and closes all others.
func (b bounded) Accept() (net.Conn, error) {
	for {
		c, err := b.Listener.Accept()
		if err != nil {
			return nil, err
		}
		if b.places.admit(c) {
			return c, nil
		}
		c.Close()
	}
}

// admit makes room for a connection and reports whether there is any.
func (p *places) admit(c net.Conn) bool {
	address := tries.Host(c.RemoteAddr().String())
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.stopped {
		return false
	}
	if p.open == nil {
		p.open, p.of = map[net.Conn]*place{}, map[string]int{}
	}
	if p.of[address] >= MaxOfOne && !p.evict(address) {
		return false
	}
	most := MaxConns
	if p.of[address] == 0 {
		most += spareConns
	}
	if len(p.open) >= MaxConns && !p.evict("") && len(p.open) >= most {
		return false
	}
	p.seq++
	p.open[c] = &place{address: address, virgin: true, since: p.seq}
	p.of[address]++
	bufferLess(c)
	return true
}

// evict closes the connection that has been without a request for longest, of one address or of
// any, and reports whether there was one.
func (p *places) evict(address string) bool {
	var oldest net.Conn
	for c, pl := range p.open {
		if !pl.busy && (address == "" || pl.address == address) &&
			(oldest == nil || pl.since < p.open[oldest].since) {
			oldest = c
		}
	}
	if oldest == nil {
		return false
	}
	p.forget(oldest)
	closeNow(oldest)
	return true
}

func (p *places) forget(c net.Conn) {
	if pl := p.open[c]; pl != nil {
		delete(p.open, c)
		if p.of[pl.address]--; p.of[pl.address] == 0 {
			delete(p.of, pl.address)
		}
	}
}

// follow is a server's ConnState hook.
func (p *places) follow(c net.Conn, state http.ConnState) {
	p.mu.Lock()
	defer p.mu.Unlock()
	pl := p.open[c]
	switch {
	case pl == nil:
	case state == http.StateClosed || state == http.StateHijacked:
		p.forget(c)
	case state != http.StateNew:
		p.seq++
		pl.busy, pl.virgin, pl.since = state == http.StateActive, false, p.seq
	}
}

// stop closes the connections on which no whole request came yet, and from now on admits none.
// Browsers open one to spare, and http.Server.Shutdown waits for such a one for 5 s.
func (p *places) stop() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.stopped = true
	for c, pl := range p.open {
		if pl.virgin {
			closeNow(c)
		}
	}
}

// closeNow closes a connection without the goodbye of TLS, which would wait for a peer that doesn't
// read.
func closeNow(c net.Conn) {
	if t, ok := c.(*tls.Conn); ok {
		c = t.NetConn()
	}
	c.Close()
}

// bufferLess bounds the kernel's buffers of a connection.
func bufferLess(c net.Conn) {
	if t, ok := c.(*tls.Conn); ok {
		c = t.NetConn()
	}
	if t, ok := c.(*net.TCPConn); ok { // an error leaves the system's buffers
		_ = t.SetWriteBuffer(sendBuffer)
		_ = t.SetReadBuffer(receiveBuffer)
	}
}
