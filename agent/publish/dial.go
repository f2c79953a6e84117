package publish

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"os"
	"sync/atomic"

	"liftbank/agent/outlet"
)

// credentials are the files of the options, as read for one connection.
type credentials struct {
	password string
	tls      *tls.Config // nil without TLS
}

func (p *Publisher) credentials() (credentials, error) {
	var c credentials
	if p.opts.PasswordFile != "" {
		b, err := os.ReadFile(p.opts.PasswordFile)
		if err != nil {
			return c, fmt.Errorf("mqtt password file: %w", err)
		}
		c.password = string(bytes.TrimRight(b, "\r\n"))
	}
	if p.broker.Scheme != "mqtts" {
		return c, nil
	}
	// The clock is handed in because a board without a battery-backed clock starts in the past,
	// before any certificate.
	c.tls = &tls.Config{ServerName: p.broker.Hostname(), MinVersion: tls.VersionTLS12, Time: p.opts.Clock.Now}
	if p.opts.CAFile != "" {
		pem, err := os.ReadFile(p.opts.CAFile)
		if err != nil {
			return c, fmt.Errorf("mqtt ca file: %w", err)
		}
		c.tls.RootCAs = x509.NewCertPool()
		if !c.tls.RootCAs.AppendCertsFromPEM(pem) {
			return c, fmt.Errorf("mqtt ca file: %s: no certificate in it: want PEM: %w", p.opts.CAFile, errFile)
		}
	}
	if p.opts.CertFile != "" {
		cert, err := tls.LoadX509KeyPair(p.opts.CertFile, p.opts.KeyFile)
		if err != nil {
			return c, fmt.Errorf("mqtt certificate: %w: %w", errFile, err)
		}
		c.tls.Certificates = []tls.Certificate{cert}
		p.judgeName(cert.Leaf)
	}
	return c, nil
}

// dial opens the network connection. It ends at once when l.life does, at any stage. failed hears
// why reading from it ended: with TLS 1.3 a broker's refusal of the unit's certificate comes only
// then.
func (l *link) dial(c credentials, failed func(error)) (net.Conn, error) {
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
	if c.tls == nil {
		return guarded(metered{conn, p.budget.spend}), nil
	}
	handshake, cancel := context.WithTimeout(life, p.opts.Limits.Connect)
	defer cancel()
	wire := &gate{metered: metered{conn, p.budget.spend}}
	secured := tls.Client(wire, c.tls)
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
