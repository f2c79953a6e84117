package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// evil is what a hostile broker sends without end.
type evil struct {
	name   string
	packet func(topic string) []byte
}

func flood(qos byte, topic string) []byte {
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.Qos, p.TopicName, p.MessageID, p.Payload = qos, topic, 1, bytes.Repeat([]byte{'x'}, 1<<10)
	var b bytes.Buffer
	_ = p.Write(&b) // never fails
	return b.Bytes()
}

var evils = []evil{
	{"QoS 2 that is never released", func(topic string) []byte { return flood(2, topic) }},
	{"topics never subscribed to", func(string) []byte { return flood(0, "somewhere/else") }},
	{"receipts", func(topic string) []byte { return flood(0, topic) }},
	{"pongs", func(string) []byte { return []byte{0xd0, 0} }},
	{"acknowledgements of nothing", func(string) []byte { return []byte{0x40, 2, 0, 1} }},
}

// broker is a broker that floods each connection with another evil until it is cut.
func (t target) broker(ctx context.Context, listen string, last time.Duration) error {
	l, err := net.Listen("tcp", listen)
	if err != nil {
		return err
	}
	defer l.Close()
	fmt.Printf("broker: listening on %s for the agent to connect\n", listen)
	const patience = 3 * time.Minute // the longest pause between an agent's attempts is 2 min
	_ = l.(*net.TCPListener).SetDeadline(time.Now().Add(patience))
	c, err := l.Accept()
	if err != nil {
		return fmt.Errorf("no agent connected: %w", err)
	}
	until := time.Now().Add(last)
	return t.during(func() error {
		n := 0
		for ; ; n++ {
			if n > 0 {
				_ = l.(*net.TCPListener).SetDeadline(until)
				if c, err = l.Accept(); err != nil {
					break // time is up
				}
			}
			sent, cut, err := attackOne(c, evils[n%len(evils)], time.Now().Add(last))
			if err != nil {
				return err
			}
			fmt.Printf("  %s: cut after %.1f MB and %v\n", evils[n%len(evils)].name, float64(sent)/1e6, cut.Round(time.Millisecond))
			if sent > 64<<20 {
				return errors.New("not cut before 64 MiB")
			}
			if err := t.answers(); err != nil {
				return err
			}
		}
		fmt.Printf("  %d connections in %v\n", n, last)
		return ctx.Err()
	})
}

// attackOne answers an agent's connection, and floods it until it is cut.
func attackOne(c net.Conn, e evil, deadline time.Time) (sent int64, cut time.Duration, err error) {
	defer c.Close()
	_ = c.SetDeadline(deadline)
	in := bufio.NewReader(c)
	if _, err := packets.ReadPacket(in); err != nil {
		return 0, 0, fmt.Errorf("want a CONNECT packet: %w", err)
	}
	if _, err := c.Write([]byte{0x20, 2, 0, 0}); err != nil {
		return 0, 0, err
	}
	topic := ""
	for topic == "" {
		p, err := packets.ReadPacket(in)
		if err != nil {
			return 0, 0, fmt.Errorf("want a SUBSCRIBE packet: %w", err)
		}
		if s, ok := p.(*packets.SubscribePacket); ok {
			topic = s.Topics[0]
			if _, err := c.Write([]byte{0x90, 3, byte(s.MessageID >> 8), byte(s.MessageID), 0}); err != nil {
				return 0, 0, err
			}
		}
	}
	go func() { _, _ = io.Copy(io.Discard, in) }() // ends with the connection
	begun := time.Now()
	chunk := bytes.Repeat(e.packet(topic), 64)
	for {
		n, err := c.Write(chunk)
		sent += int64(n)
		if ne, ok := errors.AsType[net.Error](err); ok && ne.Timeout() {
			return sent, 0, fmt.Errorf("%s: not cut by the deadline", e.name)
		}
		if err != nil {
			return sent, time.Since(begun), nil
		}
	}
}
