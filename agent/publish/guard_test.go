package publish

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net"
	"runtime"
	"sync/atomic"
	"testing"
	"testing/iotest"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/snapshot"
)

const receivedHere = "fleet/v1/t-1042/received"

// wire is a connection that a broker's bytes come from.
type wire struct {
	net.Conn
	io.Reader
}

func (w wire) Read(p []byte) (int, error) { return w.Reader.Read(p) }

// heard returns what a guard hands on of a broker's bytes, and how it ended. sent is how many
// messages the client has sent.
func heard(from io.Reader, sent int64) (out []byte, skipped int, err error) {
	var count atomic.Int64
	count.Store(sent)
	var failed error
	g := newGuard(wire{nil, from}, receivedHere, &count, func() time.Time { return time.Unix(0, 0) },
		func() { skipped++ }, func(err error) { failed = err })
	out, err = io.ReadAll(g)
	if !errors.Is(failed, err) && err != nil {
		panic("the connection's error is not the one that was told")
	}
	if err == nil && !errors.Is(failed, io.EOF) {
		panic("an end that was not told")
	}
	return out, skipped, err
}

// lengthOf encodes a remaining length (MQTT 3.1.1, section 2.2.3).
func lengthOf(n int) (out []byte) {
	for {
		b := byte(n % 128)
		if n /= 128; n > 0 {
			out = append(out, b|128)
			continue
		}
		return append(out, b)
	}
}

func frame(first byte, body ...byte) []byte {
	return append(append([]byte{first}, lengthOf(len(body))...), body...)
}

// push is a PUBLISH packet of QoS 0 with a payload of n bytes.
func push(first byte, topic string, n int) []byte {
	body := append([]byte{byte(len(topic) >> 8), byte(len(topic))}, topic...)
	return frame(first, append(body, bytes.Repeat([]byte{'x'}, n)...)...)
}

func join(parts ...[]byte) []byte { return bytes.Join(parts, nil) }

var welcome = frame(0x20, 0, 0)

// Each kind of packet and each way in which one can be broken, as section 2 and 3 of MQTT 3.1.1
// have them: what may come is handed on to the last byte, anything else ends the connection.
func TestWhatABrokerMaySend(t *testing.T) {
	pass := func(what string, in []byte) {
		t.Helper()
		out, _, err := heard(bytes.NewReader(in), 3)
		require.NoError(t, err, what)
		assert.Equal(t, in, out, what)
	}
	cut := func(what string, in []byte, want error) {
		t.Helper()
		out, _, err := heard(bytes.NewReader(join(in, welcome)), 3)
		require.ErrorIs(t, err, want, what)
		assert.LessOrEqual(t, len(out), len(in), what)
	}
	after := func(b ...byte) []byte { return join(welcome, b) }

	pass("accepted", welcome)
	pass("acknowledged", after(join(frame(0x40, 0, 1), frame(0x40, 0, 2), frame(0x40, 0, 3))...))
	pass("subscribed", after(frame(0x90, 0, 1, 0)...))
	pass("subscription refused", after(frame(0x90, 0, 1, 0x80)...))
	pass("pong", after(frame(0xd0)...))
	pass("a receipt", after(push(0x30, receivedHere, 10)...))
	pass("a retained receipt", after(push(0x31, receivedHere, 10)...))
	pass("an empty receipt", after(push(0x30, receivedHere, 0)...))
	pass("a length in more bytes than it needs", join(welcome, []byte{0xd0, 0x80, 0x80, 0x80, 0}))

	cut("nothing but text", []byte("HTTP/1.1 400 Bad Request\r\n\r\n"), errMalformed)
	cut("a receipt ahead of the answer", push(0x30, receivedHere, 1), errMalformed)
	cut("an acknowledgement after a refusal", join(frame(0x20, 0, 5), frame(0x40, 0, 1)), errMalformed)
	cut("a second answer", join(welcome, welcome), errUnasked)
	cut("a session that nobody kept", frame(0x20, 1, 0), errMalformed)
	cut("reserved bits of the answer", frame(0x20, 2, 0), errMalformed)
	cut("length of five bytes", after(0xd0, 0x80, 0x80, 0x80, 0x80, 0), errMalformed)
	cut("one acknowledgement too many", after(bytes.Repeat(frame(0x40, 0, 1), 4)...), errUnasked)
	cut("another topic", after(push(0x30, "fleet/v1/t-1042/snapshot", 1)...), errUnasked)
	cut("another topic of that length", after(push(0x30, "fleet/v1/t-1043/received", 1)...), errUnasked)
	cut("a topic that begins like it", after(push(0x30, receivedHere+"/x", 1)...), errUnasked)
	cut("a short topic", after(push(0x30, "f", 1)...), errUnasked)
	cut("the longest topic", after(push(0x30, string(bytes.Repeat([]byte{'t'}, 65535)), 1)...), errUnasked)
	cut("no topic", after(push(0x30, "", 9)...), errMalformed)
	cut("a topic longer than the message", after(frame(0x30, 0, 200, 'f', 'l')...), errMalformed)
	cut("a message without a topic's length", after(frame(0x30, 0)...), errMalformed)
	cut("an empty message", after(frame(0x30)...), errMalformed)
	for qos, want := range map[byte]error{1: errUnasked, 2: errUnasked, 3: errMalformed} {
		for _, flags := range []byte{0, 1, 8, 9} { // retained, duplicate
			cut(fmt.Sprintf("QoS %d, flags %d", qos, flags), after(push(0x30|qos<<1|flags, receivedHere, 3)...), want)
		}
	}
	cut("a duplicate of QoS 0", after(push(0x38, receivedHere, 3)...), errMalformed)
}

// Every first byte, every length of an answer and every code in it: what is let through is what the
// standard has for this client, written down here a second time.
func TestEveryFirstByteLengthAndCode(t *testing.T) {
	lengths := map[byte]int{0x40: 2, 0x90: 3, 0xd0: 0}
	for first := range 256 {
		for length := range 12 {
			_, _, err := heard(bytes.NewReader(join(welcome, frame(byte(first), make([]byte, length)...))), 3)
			want, known := lengths[byte(first)]
			assert.Equal(t, known && length == want, err == nil, "%#x with %d bytes: %v", first, length, err)
		}
		for length := range 12 {
			_, _, err := heard(bytes.NewReader(frame(byte(first), make([]byte, length)...)), 3)
			assert.Equal(t, first == 0x20 && length == 2, err == nil, "%#x with %d bytes at first: %v", first, length, err)
		}
	}
	for code := range 256 {
		_, _, err := heard(bytes.NewReader(frame(0x20, 0, byte(code))), 3)
		assert.Equal(t, code <= 5, err == nil, "CONNACK %d: %v", code, err)
		_, _, err = heard(bytes.NewReader(join(welcome, frame(0x90, 0, 1, byte(code)))), 3)
		assert.Equal(t, code <= 2 || code == 0x80, err == nil, "SUBACK %d: %v", code, err)
	}
}

// A connection that ends inside a packet says so, wherever that is; and how the bytes come changes
// nothing.
func TestCutAndDribbledPackets(t *testing.T) {
	parts := [][]byte{welcome, frame(0x40, 0, 1), frame(0x90, 0, 2, 0), frame(0xd0), push(0x31, receivedHere, 300)}
	all := join(parts...)
	whole := map[int]bool{0: true}
	for i := range parts {
		whole[len(join(parts[:i+1]...))] = true
	}
	for n := range len(all) + 1 {
		out, _, err := heard(bytes.NewReader(all[:n]), 1)
		if whole[n] {
			require.NoError(t, err, n)
			require.Equal(t, all[:n], out)
			continue
		}
		require.ErrorIs(t, err, io.ErrUnexpectedEOF, "cut after %d", n)
	}
	out, _, err := heard(iotest.OneByteReader(bytes.NewReader(all)), 1)
	require.NoError(t, err)
	assert.Equal(t, all, out)
	broken := errors.New("the wire is cut")
	_, _, err = heard(io.MultiReader(bytes.NewReader(all), iotest.ErrReader(broken)), 1)
	require.ErrorIs(t, err, broken)
}

// The limits of size from both sides: the largest message that is taken, the smallest that is
// skipped, the largest that there is.
func TestSizesOfWhatABrokerSends(t *testing.T) {
	room := maxPacket - 2 - len(receivedHere)
	next := frame(0x40, 0, 1)
	largest := push(0x30, receivedHere, room)
	out, skipped, err := heard(bytes.NewReader(join(welcome, largest, next)), 1)
	require.NoError(t, err)
	assert.Zero(t, skipped)
	assert.Equal(t, join(welcome, largest, next), out)

	out, skipped, err = heard(bytes.NewReader(join(welcome, push(0x30, receivedHere, room+1), next)), 1)
	require.NoError(t, err)
	assert.Equal(t, 1, skipped)
	assert.Equal(t, join(welcome, next), out, "what comes after it is heard")

	const most = 1<<28 - 1 // section 2.2.3
	begin := join(welcome, []byte{0x31}, lengthOf(most), []byte{0, byte(len(receivedHere))}, []byte(receivedHere))
	rest := int64(most - 2 - len(receivedHere))
	all := io.MultiReader(bytes.NewReader(begin), io.LimitReader(zeros{}, rest), bytes.NewReader(next))
	out, skipped, err = heard(all, 1)
	require.NoError(t, err)
	assert.Equal(t, 1, skipped)
	assert.Equal(t, join(welcome, next), out)
	_, skipped, err = heard(io.MultiReader(bytes.NewReader(begin), io.LimitReader(zeros{}, rest-1)), 1)
	require.ErrorIs(t, err, io.ErrUnexpectedEOF)
	assert.Equal(t, 1, skipped)
}

type zeros struct{}

func (zeros) Read(p []byte) (int, error) { clear(p); return len(p), nil }

// As much of what is allowed as nobody needs is an attack, too. How much a broker may say grows
// with what it is told.
func TestTooMuchOfIt(t *testing.T) {
	for name, one := range map[string][]byte{
		"pongs": frame(0xd0), "answers to SUBSCRIBE": frame(0x90, 0, 1, 0),
		"receipts": push(0x30, receivedHere, 100), "large receipts": push(0x30, receivedHere, 60_000),
		"skipped ones": push(0x30, receivedHere, maxPacket),
	} {
		endless := io.MultiReader(bytes.NewReader(welcome), repeated(one))
		out, skipped, err := heard(endless, 0)
		require.ErrorIs(t, err, errUnasked, name)
		assert.LessOrEqual(t, len(out)+skipped*maxPacket, 2<<20, name)
		_, _, err = heard(bytes.NewReader(join(welcome, bytes.Repeat(one, 10))), 0)
		require.NoError(t, err, name)
	}
	_, _, err := heard(bytes.NewReader(join(welcome, bytes.Repeat(push(0x30, receivedHere, 500), 5000))), 1000)
	require.NoError(t, err, "a collector that answers each record five times")
}

func repeated(b []byte) io.Reader { return &repeater{b: b} }

type repeater struct {
	b  []byte
	at int
}

func (r *repeater) Read(p []byte) (n int, err error) {
	for n < len(p) {
		k := copy(p[n:], r.b[r.at:])
		n, r.at = n+k, (r.at+k)%len(r.b)
	}
	return n, nil
}

// What the attacks do to a whole agent: each is cut in time, costs little memory, is named, and the
// next connection works.
func TestHostileBrokersAreCut(t *testing.T) {
	f := func(name, word string, one []byte) {
		t.Run(name, func(t *testing.T) {
			tried := make(chan int64, 1)
			b := newFaultBroker(t, nil, func(n int, c *faultConn) {
				c.connack(0)
				if n > 1 {
					c.serve(everything)
					return
				}
				var wrote int64
				chunk := bytes.Repeat(one, 1+64<<10/len(one))
				const enough = 1 << 30
				for wrote < enough {
					k, err := c.Write(chunk)
					wrote += int64(k)
					if err != nil {
						break
					}
				}
				tried <- wrote
			})
			opts := options(t, b.url())
			opts.Limits.Write = time.Second // that a message waits which is handed over as the connection ends
			problems := make(chan string, 10)
			var p *Publisher
			opts.Clock.After = func(d time.Duration) <-chan time.Time {
				if d <= opts.Limits.BackoffMax {
					problems <- p.State().Problem
				}
				return time.After(d)
			}
			p, err := New(opts)
			require.NoError(t, err)
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			stop := run(t, p)
			defer stop()
			assert.Equal(t, word, receive(t, problems, "the connection to be cut"))
			runtime.ReadMemStats(&after)
			allocated, wrote := after.TotalAlloc-before.TotalAlloc, receive(t, tried, "the broker to notice")
			assert.Less(t, allocated, uint64(16<<20))
			assert.Less(t, wrote, int64(64<<20), "in buffers of the network")
			t.Logf("cut after %.1f MB sent, %.1f MB allocated, here and in the broker of the test", float64(wrote)/1e6,
				float64(allocated)/1e6)
			receive(t, b.accepted, "the first connection")
			addRun(t, opts, snapshot.Run{Number: 1})
			receive(t, b.accepted, "the next connection").nextPublish("runs")
		})
	}
	const unasked, malformed = "broker sends what was not asked for", "broker does not use MQTT"
	kib := 1 << 10
	f("QoS 2 that is never released", unasked, push(0x34, receivedHere, kib))
	f("QoS 1", unasked, push(0x32, receivedHere, kib))
	f("topics never subscribed to", unasked, push(0x30, "fleet/v1/t-1042/other", kib))
	f("releases", unasked, frame(0x62, 0, 1))
	f("half acknowledgements", unasked, frame(0x50, 0, 1))
	f("acknowledgements of nothing", unasked, frame(0x40, 0, 1))
	f("answers to more topics than were asked for", malformed, frame(0x90, 0, 1, 0, 0))
	f("pongs", unasked, frame(0xd0))
	f("receipts", unasked, push(0x30, receivedHere, kib))
	f("a length without end", malformed, []byte{0xff})
	f("connection requests", unasked, frame(0x10, 0, 4, 'M', 'Q', 'T', 'T', 4, 2, 0, 0, 0, 0))
}

// Whatever bytes come: no panic, and what is handed on is packets that the library behind can take,
// of the kinds that it should.
func FuzzGuard(f *testing.F) {
	for _, seed := range [][]byte{
		welcome, join(welcome, frame(0x40, 0, 1)), join(welcome, push(0x30, receivedHere, 5)),
		join(welcome, push(0x34, receivedHere, 5)), join(welcome, frame(0x90, 0, 1, 0, 0)),
		join(welcome, []byte{0xd0, 0x80, 0x80, 0x80, 0x80, 0}), []byte("HTTP/1.1 400"), {0xff, 0xff, 0xff, 0xff},
		join(welcome, frame(0x30, 0xff, 0xff, 'x')),
	} {
		f.Add(seed, int64(2))
	}
	f.Fuzz(func(t *testing.T, in []byte, sent int64) {
		out, _, err := heard(bytes.NewReader(in), sent)
		from := bytes.NewReader(out)
		for from.Len() > 0 {
			p, unread := packets.ReadPacket(from)
			if unread != nil {
				if err == nil {
					t.Fatalf("% x handed on of % x: %v", out, in, unread)
				}
				return // cut inside a packet
			}
			switch m := p.(type) {
			case *packets.PublishPacket:
				if m.Qos != 0 || m.TopicName != receivedHere {
					t.Fatalf("handed on: %v", m)
				}
			case *packets.SubackPacket:
				if len(m.ReturnCodes) != 1 {
					t.Fatalf("handed on: %v", m)
				}
			case *packets.ConnackPacket, *packets.PubackPacket, *packets.PingrespPacket:
			default:
				t.Fatalf("handed on: %v", m)
			}
		}
	})
}
