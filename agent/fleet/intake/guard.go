package intake

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net"

	"liftbank/agent/fleet/wire"
)

// Packets that a broker may send to this client (MQTT 3.1.1, section 2.2.1): it subscribes with QoS 1
// and publishes with QoS 0.
const (
	connack  = 2
	publish  = 3
	suback   = 9
	pingresp = 13
)

var errBroker = errors.New("broken packet")

// maxBody bounds what of a message is handed on: enough to see that it is too large. The rest is
// skipped, so that one large message neither fills the memory nor ends each connection anew.
const maxBody = wire.MaxPayload + 1

// guard is a network connection that hands on what a broker may send to this client, and ends with an
// error at anything else. The MQTT library behind it takes packets of 256 MB and panics on an answer to
// more topics than were asked for.
type guard struct {
	net.Conn
	in     *bufio.Reader
	failed func(error)
	err    error
	head   []byte // of the packet, not handed on yet
	left   int    // of its body, to be handed on after head
	skip   int    // of its body, after that
}

func newGuard(conn net.Conn, failed func(error)) *guard {
	const buffer = 32 << 10
	return &guard{Conn: conn, in: bufio.NewReaderSize(conn, buffer), failed: failed}
}

// Read returns bytes of packets that a broker may send.
func (g *guard) Read(p []byte) (int, error) {
	if g.err != nil {
		return 0, g.err
	}
	n, err := g.read(p)
	if err != nil {
		g.err = err
		if errors.Is(err, errBroker) {
			g.failed(err)
		}
	}
	return n, err
}

func (g *guard) read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	for len(g.head) == 0 && g.left == 0 {
		if g.skip > 0 {
			n, err := g.in.Discard(g.skip)
			g.skip -= n
			if err != nil {
				return 0, err
			}
		}
		if err := g.packet(); err != nil {
			return 0, err
		}
	}
	if len(g.head) > 0 {
		n := copy(p, g.head)
		g.head = g.head[n:]
		return n, nil
	}
	n, err := g.in.Read(p[:min(len(p), g.left)])
	g.left -= n
	return n, err
}

// packet reads the begin of a packet.
func (g *guard) packet() error {
	first, err := g.in.ReadByte()
	if err != nil {
		return err
	}
	length, shift := 0, 0
	for {
		b, err := g.in.ReadByte()
		if err != nil {
			return unexpected(err)
		}
		length |= int(b&0x7f) << shift
		if b < 0x80 {
			break
		}
		const most = 21 // four bytes
		if shift += 7; shift > most {
			return fmt.Errorf("%w: length of more than four bytes", errBroker)
		}
	}
	kind, flags := first>>4, first&0xf
	switch {
	case kind == connack && flags == 0 && length == 2, kind == pingresp && flags == 0 && length == 0,
		kind == suback && flags == 0 && length >= 3 && length <= 2+len(wire.Leaves):
		g.keep(first, length)
		g.left = length
		return nil
	case kind == publish:
		return g.message(first, length)
	}
	return fmt.Errorf("%w: type %d, flags %#x, %d bytes", errBroker, kind, flags, length)
}

// message reads the begin of a PUBLISH packet (section 3.3).
func (g *guard) message(first byte, length int) error {
	q := int(first >> 1 & 3)
	const lengthBytes, idBytes = 2, 2
	size, err := g.in.Peek(lengthBytes)
	if err != nil {
		return unexpected(err)
	}
	header := lengthBytes + (int(size[0])<<8 | int(size[1]))
	if q > 0 {
		header += idBytes
	}
	if q > 1 || header > length || size[0]|size[1] == 0 {
		return fmt.Errorf("%w: message of QoS %d with a header of %d of %d bytes", errBroker, q, header, length)
	}
	pass := min(length, header+maxBody)
	g.keep(first, pass)
	g.left, g.skip = pass, length-pass
	return nil
}

// keep makes the header that is handed on.
func (g *guard) keep(first byte, length int) {
	g.head = append(g.head[:0], first)
	for {
		b := byte(length & 0x7f)
		if length >>= 7; length > 0 {
			g.head = append(g.head, b|0x80)
			continue
		}
		g.head = append(g.head, b)
		return
	}
}

// unexpected returns the error of a connection that ended inside a packet.
func unexpected(err error) error {
	if errors.Is(err, io.EOF) {
		return io.ErrUnexpectedEOF
	}
	return err
}
