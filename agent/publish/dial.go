package publish

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"sync/atomic"

	"liftbank/agent/dial"
	"liftbank/agent/outlet"
)

// credentials reads the files of the options for one connection.
func (p *Publisher) credentials() (dial.Credentials, error) {
	files := dial.Files{Password: p.opts.PasswordFile, CA: p.opts.CAFile, Cert: p.opts.CertFile, Key: p.opts.KeyFile}
	c, err := files.Read(p.broker, p.opts.Clock.Now)
	if err == nil && c.Leaf != nil {
		p.judgeName(c.Leaf)
	}
	return c, err
}

// dial opens the network connection. It ends at once when l.life does, at any stage. failed hears
// why reading from it ended: with TLS 1.3 a broker's refusal of the unit's certificate comes only
// then.
func (l *link) dial(c dial.Credentials, failed func(error)) (net.Conn, error) {
	p, life := l.p, l.life
	// TCP keep-alive probes off: MQTT pings do their work at a fraction of the bytes.
	dialer := net.Dialer{KeepAlive: -1, Timeout: p.opts.Limits.Connect}
	conn, err := dialer.DialContext(life, "tcp", p.broker.Host)
	if err != nil {
		return nil, err
	}
	context.AfterFunc(life, func() { _ = conn.Close() })
	guarded := func(conn net.Conn) net.Conn {
		oversized := func() { p.setState(func(s *outlet.State) { s.Oversized++ }) }
		return newGuard(conn, p.opts.topic(receivedTopic), &l.sent, p.opts.Clock.Now, oversized, failed)
	}
	if c.TLS == nil {
		return guarded(&metered{Conn: conn, cost: p.budget.spend}), nil
	}
	handshake, cancel := context.WithTimeout(life, p.opts.Limits.Connect)
	defer cancel()
	wire := &gate{metered: metered{Conn: conn, cost: p.budget.spend}}
	secured := tls.Client(wire, c.TLS)
	if err := secured.HandshakeContext(handshake); err != nil {
		return nil, errors.Join(fmt.Errorf("tls to %s: %w", p.broker.Host, err), conn.Close())
	}
	wire.open.Store(true)
	return guarded(secured), nil
}

// gate counts the encrypted traffic of TLS once the handshake is over.
type gate struct {
	metered
	open atomic.Bool
}

func (g *gate) Read(p []byte) (int, error) {
	if g.open.Load() {
		return g.metered.Read(p)
	}
	return g.Conn.Read(p)
}

func (g *gate) Write(p []byte) (int, error) {
	if g.open.Load() {
		return g.metered.Write(p)
	}
	return g.Conn.Write(p)
}
