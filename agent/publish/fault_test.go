package publish

import (
	"crypto/tls"
	"net"
	"sync"
	"testing"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/require"
)

// faultBroker accepts connections and leaves each to a behavior of the test. It speaks the wire
// format of paho's packets and knows nothing else of MQTT.
type faultBroker struct {
	t        *testing.T
	listener net.Listener
	scheme   string
	accepted chan *faultConn
	behavior func(n int, c *faultConn)
	wg       sync.WaitGroup
	mu       sync.Mutex
	open     []net.Conn
}

// faultConn is one connection; every packet that arrives is also sent to seen.
type faultConn struct {
	net.Conn
	t    *testing.T
	seen chan packets.ControlPacket
}

// newFaultBroker starts a broker whose behavior is called for each connection, n counting from 1;
// the connection is closed when it returns. secure is nil for plain TCP.
func newFaultBroker(t *testing.T, secure *tls.Config, behavior func(n int, c *faultConn)) *faultBroker {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	b := &faultBroker{t: t, listener: l, scheme: "mqtt", behavior: behavior, accepted: make(chan *faultConn, 1000)}
	if secure != nil {
		b.listener, b.scheme = tls.NewListener(l, secure), "mqtts"
	}
	b.wg.Go(b.accept)
	t.Cleanup(b.close)
	return b
}

func (b *faultBroker) url() string { return b.scheme + "://" + b.listener.Addr().String() }

func (b *faultBroker) accept() {
	for n := 1; ; n++ {
		conn, err := b.listener.Accept()
		if err != nil {
			return
		}
		b.mu.Lock()
		b.open = append(b.open, conn)
		b.mu.Unlock()
		c := &faultConn{Conn: conn, t: b.t, seen: make(chan packets.ControlPacket, 1000)}
		b.accepted <- c
		b.wg.Go(func() {
			defer conn.Close()
			b.behavior(n, c)
		})
	}
}

func (b *faultBroker) close() {
	b.listener.Close()
	b.mu.Lock()
	for _, c := range b.open {
		c.Close()
	}
	b.mu.Unlock()
	b.wg.Wait()
}

// read gives the next packet, nil when the connection has ended.
func (c *faultConn) read() packets.ControlPacket {
	p, err := packets.ReadPacket(c)
	if err != nil {
		return nil
	}
	c.seen <- p
	return p
}

func (c *faultConn) answer(p packets.ControlPacket) { _ = p.Write(c) }

// connack reads CONNECT and answers it with a return code (0: accepted).
func (c *faultConn) connack(code byte) *packets.ConnectPacket {
	connect, ok := c.read().(*packets.ConnectPacket)
	if !ok {
		return nil
	}
	ack := packets.NewControlPacket(packets.Connack).(*packets.ConnackPacket)
	ack.ReturnCode = code
	c.answer(ack)
	return connect
}

// serve answers what comes until the connection ends or until says so after a packet; ack tells
// which messages to acknowledge.
func (c *faultConn) serve(ack func(*packets.PublishPacket) bool) {
	for {
		switch p := c.read().(type) {
		case nil:
			return
		case *packets.PublishPacket:
			if !ack(p) {
				continue
			}
			a := packets.NewControlPacket(packets.Puback).(*packets.PubackPacket)
			a.MessageID = p.MessageID
			c.answer(a)
		case *packets.PingreqPacket:
			c.answer(packets.NewControlPacket(packets.Pingresp))
		case *packets.DisconnectPacket:
			return
		}
	}
}

func everything(*packets.PublishPacket) bool { return true }
func nothing(*packets.PublishPacket) bool    { return false }

// nextPublish waits for the next message on this connection whose topic ends in leaf.
func (c *faultConn) nextPublish(leaf string) *packets.PublishPacket {
	c.t.Helper()
	for {
		if p, ok := receive(c.t, c.seen, "a message on "+leaf).(*packets.PublishPacket); ok &&
			p.TopicName == "fleet/v1/t-1042/"+leaf {
			return p
		}
	}
}
