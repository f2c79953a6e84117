package intake

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"sync"
	"time"

	"liftbank/agent/dial/packet"
	"liftbank/agent/fleet/wire"
)

// session is one connection of a client of MQTT 3.1.1 that takes messages with QoS 1 and says what it
// has to say with QoS 0. A library for all clients hands each message and each acknowledgment through
// five goroutines and writes each by itself, which takes longer than to store it; and what it is given to
// say on a connection that has just ended, it keeps for as long as a write may take. This one reads in
// one goroutine and writes in another all that is there.
type session struct {
	conn   net.Conn
	in     *bufio.Reader
	alive  time.Duration // silence of the broker after which it is dead: it answers pings
	take   func(message) // may wait
	subbed chan []byte   // codes of the answer to the subscription

	mu      sync.Mutex
	out     []byte        // packets to be written
	queued  uint64        // bytes ever put into out
	written uint64        // and ever written
	wake    chan struct{} // there is something in out
	wrote   chan struct{} // closed, and made anew, with each write
	ended   error         // writes are over
}

// message is a PUBLISH packet.
type message struct {
	topic    string
	payload  []byte
	retained bool
	id       uint16 // 0: nothing to acknowledge
}

var errBroker = errors.New("broken packet")

// maxBody bounds what of a message is taken: enough to see that it is too large. The rest is skipped, so
// that one large message neither fills the memory nor ends each connection anew.
const maxBody = wire.MaxPayload + 1

// subscriptionID is of the one SUBSCRIBE packet of a connection. The last one: a broker that wrongly holds
// the numbers of its own messages against it begins at 1.
const subscriptionID = 1<<16 - 1

func newSession(conn net.Conn, alive time.Duration, take func(message)) *session {
	const buffer = 64 << 10
	s := &session{
		conn: conn, alive: alive, take: take, subbed: make(chan []byte, 1),
		wake: make(chan struct{}, 1), wrote: make(chan struct{}),
	}
	s.in = bufio.NewReaderSize(awake{s}, buffer)
	return s
}

// awake reads from the connection, which ends if the broker is silent for too long. A reader that is
// busy with a message judges nobody.
type awake struct{ s *session }

func (a awake) Read(p []byte) (int, error) {
	if err := a.s.conn.SetReadDeadline(time.Now().Add(a.s.alive)); err != nil {
		return 0, err
	}
	return a.s.conn.Read(p)
}

// codes of a CONNACK (section 3.2.2.3).
var codes = [...]string{
	1: "it doesn't speak MQTT 3.1.1", 2: "it doesn't accept the client's name", 3: "it is not available",
	4: "wrong user name or password", 5: "not authorized: give this client its rights",
}

// open asks for the session that lasts. The connection's deadline bounds it.
func (s *session) open(clientID, username, password string, keepAlive time.Duration) error {
	const version, userFlag, passwordFlag = 4, 0x80, 0x40
	flags := byte(0) // not clean: the broker keeps the session
	body := packet.AppendText(nil, "MQTT")
	after := packet.AppendText(nil, clientID)
	if username != "" {
		flags |= userFlag
		after = packet.AppendText(after, username)
		if password != "" {
			flags |= passwordFlag
			after = packet.AppendText(after, password)
		}
	}
	seconds := uint16(keepAlive / time.Second)
	body = append(append(body, version, flags, byte(seconds>>8), byte(seconds)), after...)
	if _, err := s.conn.Write(append(packet.Append(nil, packet.Connect, 0, len(body)), body...)); err != nil {
		return err
	}
	h, _, err := packet.Next(s.in, nil)
	if err != nil {
		return packet.Inside(err)
	}
	if h != (packet.Head{Kind: packet.Connack, Length: 2}) {
		return fmt.Errorf("%w instead of the answer to CONNECT: type %d, flags %#x, %d bytes", errBroker, h.Kind, h.Flags, h.Length)
	}
	var answer [2]byte
	if _, err := io.ReadFull(s.in, answer[:]); err != nil {
		return packet.Inside(err)
	}
	switch code := int(answer[1]); {
	case answer[0] > 1 || code >= len(codes):
		return fmt.Errorf("%w: answer % x to CONNECT", errBroker, answer)
	case code > 0:
		return fmt.Errorf("broker refuses the connection: %s", codes[code])
	}
	return nil
}

// read takes packets until the connection ends, and says why it did.
func (s *session) read() error {
	var raw [8]byte
	for {
		h, _, err := packet.Next(s.in, raw[:0])
		if err != nil {
			return fault(err)
		}
		switch {
		case h.Kind == packet.Publish:
			m, err := s.message(h)
			if err != nil {
				return fault(err)
			}
			s.take(m)
		case h == packet.Head{Kind: packet.Pingresp}:
		case h.Kind == packet.Suback && h.Flags == 0 && h.Length >= 3 && h.Length <= 2+len(wire.Leaves):
			if err := s.suback(h.Length); err != nil {
				return fault(err)
			}
		default:
			return fmt.Errorf("%w: type %d, flags %#x, %d bytes", errBroker, h.Kind, h.Flags, h.Length)
		}
	}
}

func fault(err error) error {
	if errors.Is(err, packet.ErrMalformed) {
		return fmt.Errorf("%w: %w", errBroker, err)
	}
	return err
}

// message reads a PUBLISH packet (section 3.3).
func (s *session) message(h packet.Head) (m message, err error) {
	const retain, lengthBytes, idBytes = 1, 2, 2
	qos := h.Flags >> 1 & 3
	size, err := s.in.Peek(lengthBytes)
	if err != nil {
		return m, packet.Inside(err)
	}
	topic := int(size[0])<<8 | int(size[1])
	header := lengthBytes + topic
	if qos > 0 {
		header += idBytes
	}
	if qos > 1 || header > h.Length || topic == 0 {
		return m, fmt.Errorf("%w: message of QoS %d with a header of %d of %d bytes", errBroker, qos, header, h.Length)
	}
	body := min(h.Length-header, maxBody)
	// Topic and what follows it: one piece of memory, which the stored message keeps.
	all := make([]byte, header-lengthBytes+body)
	if _, err := s.in.Discard(lengthBytes); err != nil {
		return m, packet.Inside(err)
	}
	if _, err := io.ReadFull(s.in, all); err != nil {
		return m, packet.Inside(err)
	}
	if _, err := s.in.Discard(h.Length - header - body); err != nil {
		return m, packet.Inside(err)
	}
	m.topic, m.retained, m.payload = string(all[:topic]), h.Flags&retain != 0, all[header-lengthBytes:]
	if qos > 0 {
		if m.id = uint16(all[topic])<<8 | uint16(all[topic+1]); m.id == 0 {
			return m, fmt.Errorf("%w: message without an identifier", errBroker)
		}
	}
	return m, nil
}

func (s *session) suback(length int) error {
	body := make([]byte, length)
	if _, err := io.ReadFull(s.in, body); err != nil {
		return packet.Inside(err)
	}
	if id := int(body[0])<<8 | int(body[1]); id != subscriptionID {
		return fmt.Errorf("%w: answer to subscription %d", errBroker, id)
	}
	select {
	case s.subbed <- body[2:]:
		return nil
	default:
		return fmt.Errorf("%w: a second answer to the subscription", errBroker)
	}
}

// write writes what is there until life ends or a write fails, and pings.
func (s *session) write(life context.Context, every, patience time.Duration) error {
	ping := time.NewTicker(every)
	defer ping.Stop()
	var spare []byte
	for {
		select {
		case <-life.Done():
			return s.over(context.Cause(life))
		case <-ping.C:
			s.put(packet.Append(nil, packet.Pingreq, 0, 0))
			continue
		case <-s.wake:
		}
		s.mu.Lock()
		out := s.out
		s.out = spare[:0]
		s.mu.Unlock()
		err := s.conn.SetWriteDeadline(time.Now().Add(patience))
		if err == nil {
			_, err = s.conn.Write(out)
		}
		if err != nil {
			return s.over(err)
		}
		s.mu.Lock()
		s.written += uint64(len(out))
		close(s.wrote)
		s.wrote = make(chan struct{})
		s.mu.Unlock()
		spare = out
	}
}

// over says that nothing more is written.
func (s *session) over(err error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.ended == nil {
		s.ended = err
		close(s.wrote)
		s.wrote = make(chan struct{})
	}
	return err
}

// put has bytes written soon.
func (s *session) put(b []byte) {
	s.mu.Lock()
	s.out = append(s.out, b...)
	s.queued += uint64(len(b))
	s.mu.Unlock()
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// flush waits until all that was put before is written, within most bytes.
func (s *session) flush(ctx context.Context, most uint64) error {
	s.mu.Lock()
	upTo := s.queued
	for {
		wrote, err, done := s.wrote, s.ended, s.written+most >= upTo
		s.mu.Unlock()
		if done || err != nil {
			return err
		}
		select {
		case <-wrote:
		case <-ctx.Done():
			return ctx.Err()
		}
		s.mu.Lock()
	}
}

// acknowledge acknowledges messages (section 3.4).
func (s *session) acknowledge(ids []uint16) {
	const length = 2
	b := make([]byte, 0, 4*len(ids))
	for _, id := range ids {
		b = append(packet.Append(b, packet.Puback, 0, length), byte(id>>8), byte(id))
	}
	if len(b) > 0 {
		s.put(b)
	}
}

// publish says something, to be kept by the broker, with QoS 0.
func (s *session) publish(topic string, payload []byte) {
	const retain, lengthBytes = 1, 2
	b := packet.Append(nil, packet.Publish, retain, lengthBytes+len(topic)+len(payload))
	s.put(append(packet.AppendText(b, topic), payload...))
}

// subscribe asks for all messages of some filters with QoS 1. The codes come on subbed.
func (s *session) subscribe(filters []string) {
	const flags, atLeastOnce = 2, 1
	body := []byte{subscriptionID >> 8, subscriptionID & 0xff}
	for _, f := range filters {
		body = append(packet.AppendText(body, f), atLeastOnce)
	}
	s.put(append(packet.Append(nil, packet.Subscribe, flags, len(body)), body...))
}

// bye says that this is the end in order.
func (s *session) bye() { s.put(packet.Append(nil, packet.Disconnect, 0, 0)) }
