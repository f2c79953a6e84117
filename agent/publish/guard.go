package publish

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net"
	"sync/atomic"
	"time"

	"liftbank/agent/dial/packet"
)

// maxPacket bounds what is accepted from a broker, in bytes. All that it has to say to a unit fits.
// A larger message is skipped and counted, so that an oversized retained one neither fills the
// memory nor ends the connection.
const maxPacket = 64 << 10

// What a broker may send that is no acknowledgement, in units of a packet and a kibibyte of it: so
// much at once, for each message of ours, and each second. A collector that answers every record
// stays far below.
const (
	unaskedAtOnce   = 1024
	unaskedPerSent  = 8
	unaskedPerSec   = 4
	unaskedUnit     = 1 << 10
	unaskedPerPiece = maxPacket / unaskedUnit // at most, for one packet: a skipped one is no worse
)

// answerBytes is how long the packets are that may come and are no message (MQTT 3.1.1, section 2.2.1).
// This client publishes with QoS 1 and has one subscription, with QoS 0: no other kind has a place in that.
var answerBytes = map[byte]int{packet.Connack: 2, packet.Puback: 2, packet.Suback: 3, packet.Pingresp: 0}

// Why a connection is cut. A broker that does one of these is broken or hostile, and whatever it
// sends next can't be trusted.
var (
	errMalformed = packet.ErrMalformed
	errUnasked   = errors.New("broker sends what was not asked for")
)

// guard is a network connection that hands on what a broker may send to this client, and ends with
// an error at anything else. The MQTT library behind it keeps each message of QoS 2 in memory
// until its release, starts a goroutine for each message, and panics on an answer to more topics
// than were asked for.
type guard struct {
	net.Conn
	in     *bufio.Reader
	topic  string        // of the one subscription
	sent   *atomic.Int64 // messages handed to the connection so far
	now    func() time.Time
	over   func()      // hears of each message that was too large
	fail   func(error) // hears why reading ended
	failed error

	up      bool  // the broker has accepted the connection
	acked   int64 // acknowledgements so far
	begun   time.Time
	unasked int64  // units of anything else
	head    []byte // of the packet being read, not handed on yet
	left    int    // of the packet's body, after head
	space   []byte
}

func newGuard(conn net.Conn, topic string, sent *atomic.Int64, now func() time.Time, over func(),
	fail func(error),
) *guard {
	return &guard{
		Conn: conn, in: bufio.NewReaderSize(conn, 2048), topic: topic, sent: sent, now: now, over: over, fail: fail,
		begun: now(), space: make([]byte, 0, 8+len(topic)),
	}
}

// Read returns bytes of packets that a broker may send.
func (g *guard) Read(p []byte) (int, error) {
	if g.failed != nil {
		return 0, g.failed
	}
	n, err := g.read(p)
	if err != nil {
		g.failed = err
		g.fail(err)
	}
	return n, err
}

func (g *guard) read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	for len(g.head) == 0 && g.left == 0 {
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
	return n, packet.Inside(err)
}

// packet reads the begin of the next packet, as much as it takes to judge it: its header, the topic
// of a message, the whole of an answer. One that is too large is skipped.
func (g *guard) packet() error {
	h, raw, err := packet.Next(g.in, g.space[:0])
	if err != nil {
		return err
	}
	g.space = raw
	if !g.up && h.Kind != packet.Connack {
		return fmt.Errorf("%w: packet type %d before the answer to CONNECT", errMalformed, h.Kind)
	}
	if h.Kind == packet.Publish {
		return g.message(h.Flags, h.Length)
	}
	return g.answer(h.Kind, h.Flags, h.Length)
}

// answer reads a packet that is no message.
func (g *guard) answer(kind, flags byte, length int) error {
	want, known := answerBytes[kind]
	if !known {
		return fmt.Errorf("%w: packet type %d", errUnasked, kind)
	}
	if flags != 0 || length != want {
		return fmt.Errorf("%w: packet type %d with flags %#x and %d bytes", errMalformed, kind, flags, length)
	}
	body, err := g.keep(length)
	if err != nil {
		return err
	}
	const maxCode = 5 // section 3.2.2.3
	switch kind {
	case packet.Connack:
		switch {
		case g.up:
			return fmt.Errorf("%w: a second answer to CONNECT", errUnasked)
		case body[0] != 0 || body[1] > maxCode: // no session is kept that could be present
			return fmt.Errorf("%w: answer % x to CONNECT", errMalformed, body)
		}
		g.up = body[1] == 0
		return nil
	case packet.Puback:
		if g.acked++; g.acked > g.sent.Load() {
			return fmt.Errorf("%w: acknowledgement of a message that was not sent", errUnasked)
		}
		return nil
	case packet.Suback:
		if body[2] > 2 && body[2] != packet.Refused {
			return fmt.Errorf("%w: answer %#x to SUBSCRIBE", errMalformed, body[2])
		}
	}
	return g.spend(length)
}

// message reads the begin of a PUBLISH packet (section 3.3): QoS 0, of the topic that is subscribed
// to.
func (g *guard) message(flags byte, length int) error {
	const retain, lengthBytes = 1, 2
	switch qos := flags >> 1 & 3; {
	case qos == 3 || qos == 0 && flags&^retain != 0: // QoS 0 is never a duplicate
		return fmt.Errorf("%w: message with flags %#x", errMalformed, flags)
	case qos > 0:
		return fmt.Errorf("%w: message of QoS %d", errUnasked, qos)
	case length < lengthBytes:
		return fmt.Errorf("%w: message of %d bytes", errMalformed, length)
	}
	size, err := g.keep(lengthBytes)
	if err != nil {
		return err
	}
	topicBytes := int(size[0])<<8 | int(size[1])
	if topicBytes == 0 || lengthBytes+topicBytes > length {
		return fmt.Errorf("%w: topic of %d bytes in a message of %d", errMalformed, topicBytes, length)
	}
	if topicBytes != len(g.topic) {
		return fmt.Errorf("%w: topic of %d bytes", errUnasked, topicBytes)
	}
	topic, err := g.keep(topicBytes)
	if err != nil {
		return err
	}
	if string(topic) != g.topic {
		return fmt.Errorf("%w: topic %q", errUnasked, topic)
	}
	if err := g.spend(length); err != nil {
		return err
	}
	if length > maxPacket {
		g.over()
		g.head = nil
		_, err := g.in.Discard(length - lengthBytes - topicBytes)
		return packet.Inside(err)
	}
	g.left = length - lengthBytes - topicBytes
	return nil
}

// keep reads n bytes that are to be handed on, after those of the header.
func (g *guard) keep(n int) ([]byte, error) {
	at := len(g.space)
	g.space = append(g.space, make([]byte, n)...)
	if _, err := io.ReadFull(g.in, g.space[at:]); err != nil {
		return nil, packet.Inside(err)
	}
	g.head = g.space
	return g.space[at:], nil
}

// spend counts a packet that acknowledges nothing.
func (g *guard) spend(length int) error {
	g.unasked += 1 + int64(min(length/unaskedUnit, unaskedPerPiece))
	allowed := unaskedAtOnce + unaskedPerSent*g.sent.Load() + int64(unaskedPerSec*g.now().Sub(g.begun).Seconds())
	if g.unasked > allowed {
		return fmt.Errorf("%w: too much of it", errUnasked)
	}
	return nil
}
