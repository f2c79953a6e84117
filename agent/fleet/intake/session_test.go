package intake

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/wire"
	"liftbank/agent/records"
)

// script is a connection that says what it was given.
type script struct {
	net.Conn
	io.Reader
}

func (s script) Read(p []byte) (int, error) { return s.Reader.Read(p) }

func (script) SetReadDeadline(time.Time) error { return nil }

// hear reads a broker's bytes to their end.
func hear(in []byte) (got []message, codes []byte, err error) {
	s := newSession(script{Reader: bytes.NewReader(in)}, time.Minute, func(m message) { got = append(got, m) })
	err = s.read()
	select {
	case codes = <-s.subbed:
	default:
	}
	return got, codes, err
}

func publishPacket(t testing.TB, qos byte, id uint16, topic string, payload []byte) []byte {
	t.Helper()
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName, p.Qos, p.MessageID, p.Payload = topic, qos, id, payload
	var b bytes.Buffer
	require.NoError(t, p.Write(&b))
	return b.Bytes()
}

func TestTakesWhatABrokerMaySend(t *testing.T) {
	all := []byte{0x90, 3, 0xff, 0xff, 1, 0xd0, 0}
	all = append(all, publishPacket(t, 1, 7, "a/b", []byte("x"))...)
	all = append(all, publishPacket(t, 0, 0, "a/c", nil)...)
	// Of one that is too large so much is taken that it is seen; what follows is whole.
	all = append(all, publishPacket(t, 1, 258, "a/b", bytes.Repeat([]byte{'x'}, 5<<20))...)
	retained := publishPacket(t, 1, 65535, "a/d", []byte("y"))
	retained[0] |= 1
	all = append(all, retained...)
	got, codes, err := hear(all)
	require.ErrorIs(t, err, io.EOF)
	assert.Equal(t, []byte{1}, codes)
	require.Len(t, got, 4)
	assert.Equal(t, message{topic: "a/b", payload: []byte("x"), id: 7}, got[0])
	assert.Equal(t, message{topic: "a/c", payload: []byte{}}, got[1])
	assert.Len(t, got[2].payload, maxBody)
	assert.Equal(t, uint16(258), got[2].id)
	assert.Equal(t, message{topic: "a/d", payload: []byte("y"), id: 65535, retained: true}, got[3])
}

func TestEndsAtAnythingElse(t *testing.T) {
	for name, bad := range map[string][]byte{
		"PUBREL": {0x62, 2, 0, 1}, "PUBACK": {0x40, 2, 0, 1}, "reserved": {0xf0, 0}, "CONNECT": {0x10, 0}, "CONNACK": {0x20, 2, 0, 0},
		"QoS 2":           publishPacket(t, 2, 7, "a", nil),
		"no identifier":   publishPacket(t, 1, 0, "a", nil),
		"length too long": {0x30, 0xff, 0xff, 0xff, 0xff, 1},
		"no topic":        {0x30, 2, 0, 0},
		"topic too long":  {0x30, 3, 0, 9, 'a'},
		"SUBACK of 7":     {0x90, 9, 0xff, 0xff, 1, 1, 1, 1, 1, 1, 1},
		"SUBACK of none":  {0x90, 2, 0xff, 0xff},
		"SUBACK of what":  {0x90, 3, 0, 2, 1},
		"SUBACK twice":    {0x90, 3, 0xff, 0xff, 1, 0x90, 3, 0xff, 0xff, 1},
		"PINGRESP of 1":   {0xd0, 1, 0},
	} {
		_, _, err := hear(bad)
		assert.ErrorIs(t, err, errBroker, name)
	}
	for _, short := range [][]byte{{0x30, 9, 0}, {0x30}, {0x90, 3, 0}, publishPacket(t, 1, 7, "a/b", []byte("xyz"))[:9]} {
		_, _, err := hear(short)
		assert.ErrorIs(t, err, io.ErrUnexpectedEOF, "% x", short)
	}
}

// The library reads what a session writes, as it was meant.
func TestWritesWhatABrokerUnderstands(t *testing.T) {
	here, there := net.Pipe()
	s := newSession(here, time.Minute, func(message) {})
	opened := make(chan error, 1)
	go func() { opened <- s.open("fleet", "who", "secret", 30*time.Second) }()
	p, err := packets.ReadPacket(there)
	require.NoError(t, err)
	c := p.(*packets.ConnectPacket)
	assert.Zero(t, c.Validate())
	assert.Equal(t, []any{"fleet", "who", "secret", uint16(30), false, byte(4)},
		[]any{c.ClientIdentifier, c.Username, string(c.Password), c.Keepalive, c.CleanSession, c.ProtocolVersion})
	_, err = there.Write([]byte{0x20, 2, 1, 0})
	require.NoError(t, err)
	require.NoError(t, <-opened)
	life, end := context.WithCancelCause(t.Context())
	var work sync.WaitGroup
	defer work.Wait()
	defer end(nil)
	work.Go(func() { _ = s.write(life, time.Hour, time.Minute) })
	s.subscribe([]string{"a/+/b", "a/+/c"})
	s.acknowledge([]uint16{1, 65535})
	s.publish("a/b", bytes.Repeat([]byte{'x'}, 200))
	s.bye()
	for _, want := range []string{"SUBSCRIBE", "PUBACK", "PUBACK", "PUBLISH", "DISCONNECT"} {
		p, err := packets.ReadPacket(there)
		require.NoError(t, err)
		switch p := p.(type) {
		case *packets.SubscribePacket:
			assert.Equal(t, "SUBSCRIBE", want)
			assert.Equal(t, []string{"a/+/b", "a/+/c"}, p.Topics)
			assert.Equal(t, []byte{1, 1}, p.Qoss)
		case *packets.PubackPacket:
			assert.Equal(t, "PUBACK", want)
			assert.Contains(t, []uint16{1, 65535}, p.MessageID)
		case *packets.PublishPacket:
			assert.Equal(t, "PUBLISH", want)
			assert.True(t, p.Retain)
			assert.Equal(t, "a/b", p.TopicName)
			assert.Len(t, p.Payload, 200)
		case *packets.DisconnectPacket:
			assert.Equal(t, "DISCONNECT", want)
		default:
			t.Fatalf("%T", p)
		}
	}
	require.NoError(t, s.flush(t.Context(), 0))
}

func TestAnswersToCONNECT(t *testing.T) {
	for answer, want := range map[string]string{
		"\x20\x02\x00\x00": "", "\x20\x02\x01\x00": "", "\x20\x02\x00\x04": "wrong user name", "\x20\x02\x00\x05": "not authorized",
		"\x20\x02\x00\x06": errBroker.Error(), "\x20\x02\x02\x00": errBroker.Error(), "\x20\x03\x00\x00\x00": errBroker.Error(),
		"\xd0\x00": errBroker.Error(), "": "unexpected EOF", "\x20\x02": "unexpected EOF", "HTTP": errBroker.Error(),
	} {
		s := newSession(said{script{Reader: strings.NewReader(answer)}}, time.Minute, nil)
		err := s.open("fleet", "", "", time.Second)
		if want == "" {
			assert.NoError(t, err, "%q", answer)
		} else {
			assert.ErrorContains(t, err, want, "%q", answer)
		}
	}
}

// said is a script that takes what is written.
type said struct{ script }

func (said) Write(p []byte) (int, error) { return len(p), nil }

func TestGranted(t *testing.T) {
	filters := []string{"a", "b"}
	require.NoError(t, granted(filters, []byte{1, 1}))
	require.ErrorIs(t, granted(filters, []byte{1, 0x80}), errSubscription)
	require.ErrorIs(t, granted(filters, []byte{1}), errBroker)
	require.ErrorContains(t, granted(filters, []byte{0, 1}), "QoS 0")
	require.ErrorIs(t, granted(filters, []byte{1, 0x91}), errBroker)
}

// owing is a store in which every unit is to be answered.
type owing struct{ Store }

func (owing) Wanting(context.Context, time.Time, int) ([]db.StreamKey, error) { return nil, nil }

func (owing) Receipts(_ context.Context, _ time.Time, of []db.StreamKey) (out []records.Received, err error) {
	for _, k := range of {
		out = append(out, records.Received{Unit: k.Unit})
	}
	return out, nil
}

// A broker that dies while it is answered takes nobody along: with the connection all ends at once, and
// who was not answered will be. A library's publishing waited for as long as a write may take, and with it
// the next connection.
func TestADeadBrokerHoldsUpNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		here, there := net.Pipe() // nobody reads there
		defer there.Close()
		in, err := New(Options{Broker: "mqtt://127.0.0.1", Prefix: "liftbank", Store: owing{}})
		require.NoError(t, err)
		life, cut := context.WithCancelCause(t.Context())
		s := newSession(here, time.Hour, func(message) {})
		context.AfterFunc(life, func() { _ = here.Close() })
		keys := make([]db.StreamKey, 1500)
		for i := range keys {
			keys[i] = db.StreamKey{Unit: "t-" + strings.Repeat("x", i%50), Stream: "runs", Session: "s"}
		}
		in.answers.add(keys, nil)
		var work sync.WaitGroup
		work.Go(func() { _ = s.read() })
		work.Go(func() { _ = s.write(life, time.Hour, 30*time.Second) })
		work.Go(func() { in.answers.run(life, s) })
		s.acknowledge(make([]uint16, 500))
		time.Sleep(5 * time.Second) // simulated: it is in the middle of it
		died := time.Now()
		cut(errors.New("reset by peer"))
		work.Wait()
		assert.Zero(t, time.Since(died))
		assert.Len(t, in.answers.due(time.Now(), true), 50, "to be answered on the next connection")
	})
}

// A broker that says nothing for longer than its answer to a ping may take is dead.
func TestASilentBrokerIsDead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		here, there := net.Pipe()
		s := newSession(here, 60*time.Second, func(message) {})
		began := time.Now()
		life, cut := context.WithCancelCause(t.Context())
		defer cut(nil)
		var work sync.WaitGroup
		pings := 0
		work.Go(func() {
			for {
				p, err := packets.ReadPacket(there)
				if err != nil {
					return
				}
				require.IsType(t, &packets.PingreqPacket{}, p)
				if pings++; pings <= 3 { // then it hangs
					_, err = there.Write([]byte{0xd0, 0})
					require.NoError(t, err)
				}
			}
		})
		work.Go(func() { _ = s.write(life, 30*time.Second, 30*time.Second) })
		err := s.read()
		var late net.Error
		require.ErrorAs(t, err, &late)
		assert.True(t, late.Timeout())
		assert.Equal(t, (90+60)*time.Second, time.Since(began))
		cut(err)
		require.NoError(t, here.Close())
		work.Wait()
	})
}

func FuzzSession(f *testing.F) {
	f.Add(publishPacket(f, 1, 7, "a/b", []byte("x")))
	f.Add([]byte{0x90, 3, 0xff, 0xff, 1, 0xd0, 0})
	f.Fuzz(func(t *testing.T, in []byte) {
		got, codes, err := hear(in)
		require.Error(t, err)
		all := 0
		for _, m := range got {
			all += len(m.payload) + len(m.topic)
			require.NotEmpty(t, m.topic)
			require.LessOrEqual(t, len(m.payload), maxBody)
		}
		require.LessOrEqual(t, all, len(in))
		require.LessOrEqual(t, len(codes), len(wire.Leaves))
	})
}
