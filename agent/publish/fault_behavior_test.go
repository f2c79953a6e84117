package publish

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"sync"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/records"
	"liftbank/agent/snapshot"
	"liftbank/agent/store/outbox"
)

// pausedClock hands each wait to the test, which lets it end or not.
type pausedClock struct{ waits chan wait }

type wait struct {
	d    time.Duration
	over chan time.Time
}

func (c pausedClock) after(d time.Duration) <-chan time.Time {
	w := wait{d, make(chan time.Time, 1)}
	c.waits <- w
	return w.over
}

// nextPause skips the limits on connecting and gives the pause before the next attempt.
func (c pausedClock) nextPause(t *testing.T, limits Limits) wait {
	for {
		if w := receive(t, c.waits, "the next pause"); w.d <= limits.BackoffMax && w.d != quiesce {
			return w
		}
	}
}

// With no broker at all the attempts come ever slower, and the state says why there is no
// connection.
func TestUnreachableBroker(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	broker := "mqtt://" + l.Addr().String()
	require.NoError(t, l.Close())

	clock := pausedClock{make(chan wait, 100)}
	opts := options(t, broker)
	opts.Clock.After = clock.after
	opts.Limits = Limits{BackoffMin: 100 * time.Millisecond, BackoffMax: 700 * time.Millisecond}
	p, _ := start(t, opts)

	// Three quarters of 100, 200, 400, 700, 700 at rand 0.5.
	for _, want := range []time.Duration{75, 150, 300, 525, 525} {
		pause := clock.nextPause(t, opts.Limits)
		assert.Equal(t, want*time.Millisecond, pause.d)
		pause.over <- time.Time{}
	}
	clock.nextPause(t, opts.Limits) // left waiting
	state := p.State()
	assert.False(t, state.Connected)
	assert.Equal(t, uint64(6), state.Failures)
	assert.Contains(t, state.LastError, "connection refused")
	assert.Zero(t, state.Published)
}

// Brokers that are there and of no use: each leaves a clear state, and the next attempt waits for
// its pause.
func TestUselessBroker(t *testing.T) {
	f := func(name string, behavior func(n int, c *faultConn), limits Limits, wantError, word string) {
		t.Run(name, func(t *testing.T) {
			t.Helper()
			b := newFaultBroker(t, nil, behavior)
			opts := options(t, b.url())
			limits.BackoffMin, limits.BackoffMax = time.Hour, time.Hour // one attempt, then quiet
			opts.Limits = limits
			failed := make(chan struct{}, 10)
			opts.Clock.After = func(d time.Duration) <-chan time.Time {
				if d == 45*time.Minute { // the pause, at rand 0.5
					failed <- struct{}{}
				}
				return time.After(d)
			}
			p, _ := start(t, opts)
			receive(t, failed, "the attempt to fail")
			state := p.State()
			assert.False(t, state.Connected)
			assert.Contains(t, state.LastError, wantError)
			assert.Equal(t, word, state.Problem)
			assert.Equal(t, uint64(1), state.Failures)
			assert.Len(t, b.accepted, 1, "no hot loop")
		})
	}
	f("refuses the user", func(_ int, c *faultConn) { c.connack(packets.ErrRefusedNotAuthorised) }, Limits{},
		"not Authorized", "broker: not authorized")
	f("refuses the name", func(_ int, c *faultConn) { c.connack(packets.ErrRefusedIDRejected) }, Limits{},
		"identifier rejected", "broker refuses the client name")
	f("refuses the password", func(_ int, c *faultConn) { c.connack(packets.ErrRefusedBadUsernameOrPassword) },
		Limits{}, "bad user name or password", "wrong user name or password")
	f("stays silent", func(_ int, c *faultConn) {
		for c.read() != nil {
		}
	}, Limits{Connect: 50 * time.Millisecond}, "i/o timeout", "broker does not answer")
	f("drops at once", func(int, *faultConn) {}, Limits{}, "connect to 127.0.0.1", "connection lost")
	f("drops after its yes", func(_ int, c *faultConn) { c.connack(0) }, Limits{Write: time.Second}, "lost", "connection lost")
	f("speaks another protocol", func(_ int, c *faultConn) {
		_, _ = c.Write([]byte("HTTP/1.1 400 Bad Request\r\n\r\n"))
	}, Limits{}, "packet type 4 before the answer to CONNECT", "broker does not use MQTT")
	f("never acknowledges", func(_ int, c *faultConn) { c.connack(0); c.serve(nothing) },
		Limits{Ack: 50 * time.Millisecond}, "no acknowledgement within ", "broker does not answer")
}

// The CONNECT packet: what the broker will say for us when we are gone.
func TestWillAndBirthBelongTogether(t *testing.T) {
	drop := make(chan struct{})
	b := newFaultBroker(t, nil, func(n int, c *faultConn) {
		c.connack(0)
		if n == 1 {
			go func() { <-drop; c.Close() }()
		}
		c.serve(everything)
	})
	_, stop := start(t, options(t, b.url()))

	for connection := uint64(1); connection <= 2; connection++ {
		c := receive(t, b.accepted, "a connection")
		connect := receive(t, c.seen, "CONNECT").(*packets.ConnectPacket)
		assert.Equal(t, "liftbank-t-1042", connect.ClientIdentifier)
		assert.True(t, connect.CleanSession)
		assert.Equal(t, "MQTT", connect.ProtocolName)
		assert.True(t, connect.WillFlag && connect.WillRetain)
		assert.Equal(t, byte(1), connect.WillQos)
		assert.Equal(t, "fleet/v1/t-1042/status", connect.WillTopic)
		birth := c.nextPublish("status")
		assert.True(t, birth.Retain)
		assert.Equal(t, byte(1), birth.Qos)

		var will, born records.Status
		require.NoError(t, json.Unmarshal(connect.WillMessage, &will))
		require.NoError(t, json.Unmarshal(birth.Payload, &born))
		assert.Equal(t, "lost", will.Status)
		assert.Equal(t, "online", born.Status)
		for _, m := range []records.Status{will, born} {
			assert.Equal(t, "5f0c2a9e", m.Session)
			assert.Equal(t, connection, m.Connection)
		}
		if connection == 1 {
			close(drop)
			continue
		}
		stop()
		var off records.Status
		offline := c.nextPublish("status")
		require.NoError(t, json.Unmarshal(offline.Payload, &off))
		assert.Equal(t, "offline", off.Status)
		assert.True(t, offline.Retain)
		assert.IsType(t, &packets.DisconnectPacket{}, receive(t, c.seen, "DISCONNECT"),
			"said after offline was acknowledged")
	}
}

// What wasn't acknowledged is sent again on the next connection, under the same number.
func TestUnacknowledgedIsSentAgain(t *testing.T) {
	b := newFaultBroker(t, nil, func(n int, c *faultConn) {
		c.connack(0)
		if n > 1 {
			c.serve(everything)
			return
		}
		runs := 0
		// Acknowledges the first run, then drops the connection at the third.
		c.serve(func(p *packets.PublishPacket) bool {
			if p.TopicName != "fleet/v1/t-1042/runs" {
				return true
			}
			if runs++; runs == 3 {
				c.Close()
			}
			return runs == 1
		})
	})
	opts := options(t, b.url())
	p, err := New(opts)
	require.NoError(t, err)
	for n := range uint64(3) {
		addRun(t, opts, snapshot.Run{Number: n + 1})
	}
	ctx, cancel := context.WithCancel(context.Background())
	var running sync.WaitGroup
	running.Go(func() { assert.NoError(t, p.Run(ctx)) })
	defer running.Wait()
	defer cancel()

	receive(t, b.accepted, "the first connection")
	second := receive(t, b.accepted, "the second connection")
	for _, want := range []uint64{2, 3} {
		var m records.Run
		require.NoError(t, json.Unmarshal(second.nextPublish("runs").Payload, &m))
		assert.Equal(t, want, m.Seq)
		assert.Equal(t, want, m.Run.Number)
		assert.Equal(t, "5f0c2a9e", m.Session)
	}
}

// Findings go ahead of the backlog of runs.
func TestFindingsGoFirst(t *testing.T) {
	b := newFaultBroker(t, nil, func(_ int, c *faultConn) { c.connack(0); c.serve(everything) })
	opts := options(t, b.url())
	p, err := New(opts)
	require.NoError(t, err)
	opts.Hub.Publish(sample(t, "findings"))
	for n := range uint64(40) {
		addRun(t, opts, snapshot.Run{Number: n + 1})
	}
	addFinding(t, opts, snapshot.Finding{Name: "feed-lost"})
	ctx, cancel := context.WithCancel(context.Background())
	var running sync.WaitGroup
	running.Go(func() { assert.NoError(t, p.Run(ctx)) })
	defer running.Wait()
	defer cancel()

	c := receive(t, b.accepted, "a connection")
	var order []string
	for len(order) < 4 {
		if m, ok := receive(t, c.seen, "messages").(*packets.PublishPacket); ok {
			order = append(order, m.TopicName[len("fleet/v1/t-1042/"):])
		}
	}
	assert.Equal(t, []string{"status", "findings", "snapshot", "runs"}, order)
}

// The end is bounded: a broker that acknowledges nothing holds the agent up for Limits.Stop, no
// longer.
func TestLeavingASilentBroker(t *testing.T) {
	b := newFaultBroker(t, nil, func(_ int, c *faultConn) { c.connack(0); c.serve(nothing) })
	opts := options(t, b.url())
	opts.Limits.Stop = 50 * time.Millisecond
	p, stop := start(t, opts)
	c := receive(t, b.accepted, "a connection")
	c.nextPublish("status")
	begun := time.Now()
	stop()
	assert.Less(t, time.Since(begun), patience)
	assert.Contains(t, p.State().LastError, "stopping")
	assert.False(t, p.State().Connected)
}

// Stopping while the broker keeps us waiting for its first answer.
func TestStoppedWhileConnecting(t *testing.T) {
	b := newFaultBroker(t, nil, func(_ int, c *faultConn) {
		for c.read() != nil {
		}
	})
	_, stop := start(t, options(t, b.url()))
	c := receive(t, b.accepted, "a connection")
	receive(t, c.seen, "CONNECT")
	begun := time.Now()
	stop()
	assert.Less(t, time.Since(begun), patience, "not the 30 s that connecting may take")
}

// The agent subscribes to receipts alone, and says nothing else that asks a broker for anything.
func TestNothingElseIsListenedTo(t *testing.T) {
	b := newFaultBroker(t, nil, func(_ int, c *faultConn) { c.connack(0); c.serve(everything) })
	opts := options(t, b.url())
	_, stop := start(t, opts)
	c := receive(t, b.accepted, "a connection")
	require.Eventually(t, func() bool { return len(c.seen) >= 3 }, patience, time.Millisecond)
	stop()
	b.close()
	var asked []string
	for len(c.seen) > 0 {
		switch p := (<-c.seen).(type) {
		case *packets.SubscribePacket:
			asked = append(asked, p.Topics...)
			assert.Equal(t, []byte{0}, p.Qoss)
		case *packets.UnsubscribePacket:
			t.Errorf("sent %v", p)
		}
	}
	assert.Equal(t, []string{receivedHere}, asked)
}

// receipt is a collector's message as a broker hands it on.
func receipt(c *faultConn, payload []byte, retained bool) {
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName, p.Payload, p.Retain = "fleet/v1/t-1042/received", payload, retained
	c.answer(p)
}

// A broker that acknowledges a record and drops it: the collector asks for it and gets it, with its
// number, and what it has leaves the outbox.
func TestTheCollectorGetsWhatTheBrokerDropped(t *testing.T) {
	b := newFaultBroker(t, nil, func(_ int, c *faultConn) { c.connack(0); c.serve(everything) })
	opts := options(t, b.url())
	for n := range uint64(5) {
		addRun(t, opts, snapshot.Run{Number: n + 1})
	}
	p, _ := start(t, opts)
	c := receive(t, b.accepted, "a connection")
	seqOf := func() uint64 {
		var m records.Run
		require.NoError(t, json.Unmarshal(c.nextPublish("runs").Payload, &m))
		assert.Equal(t, m.Seq, m.Run.Number)
		return m.Seq
	}
	for want := range uint64(5) {
		assert.Equal(t, want+1, seqOf())
	}
	const form = `{"schema":"liftbank.received.v1","unit":"t-1042","streams":[{"stream":"runs",
		"session":"5f0c2a9e","through":%d%s}]}`
	receipt(c, fmt.Appendf(nil, form, 1, `,"missing":[[2,2],[4,4]]`), true)
	assert.Equal(t, uint64(2), seqOf())
	assert.Equal(t, uint64(4), seqOf())
	receipt(c, fmt.Appendf(nil, form, 5, ""), false)
	require.Eventually(t, func() bool {
		flushed := storeOf(opts).Flush(t.Context())
		left, err := opts.Outbox.After(t.Context(), outbox.Runs, 0, 10)
		return flushed == nil && err == nil && len(left) == 0
	}, patience, time.Millisecond)
	assert.Equal(t, uint64(2), p.State().Repeated)
	require.Eventually(t, func() bool { return p.State().Receipts == 2 }, patience, time.Millisecond)

	// One for what was never sent is refused; so is what is none, however it comes.
	receipt(c, fmt.Appendf(nil, form, 6, ""), true)
	receipt(c, []byte(`{"motor":"on"}`), true)
	receipt(c, []byte("\x00\xff"), true)
	require.Eventually(t, func() bool { return p.State().Refused == 3 }, patience, time.Millisecond)
	receipt(c, make([]byte, 200_000), true) // oversized: read past, the connection lives on
	addRun(t, opts, snapshot.Run{Number: 6})
	assert.Equal(t, uint64(6), seqOf())
	require.Eventually(t, func() bool { return p.State().Oversized == 1 }, patience, time.Millisecond)
	assert.True(t, p.State().Connected)
	assert.Len(t, b.accepted, 0)
}

// What a broker had and a collector that confirms did not get by the next look is sent again
// unasked: the collector can't know of a last one.
func TestTheLastOnesAreSentAgainUnasked(t *testing.T) {
	b := newFaultBroker(t, nil, func(_ int, c *faultConn) { c.connack(0); c.serve(everything) })
	opts := options(t, b.url())
	opts.Limits.Confirm = time.Hour + time.Second
	looks := make(chan chan time.Time, 10)
	opts.Clock.After = func(d time.Duration) <-chan time.Time {
		if d == opts.Limits.Confirm || d == 2*opts.Limits.Confirm {
			look := make(chan time.Time, 1)
			looks <- look
			return look
		}
		return time.After(d)
	}
	addRun(t, opts, snapshot.Run{Number: 1})
	addRun(t, opts, snapshot.Run{Number: 2})
	start(t, opts)
	c := receive(t, b.accepted, "a connection")
	c.nextPublish("runs")
	c.nextPublish("runs")
	_, _, err := opts.Outbox.Confirm(t.Context(), outbox.Receipt{Stream: outbox.Runs, Session: "5f0c2a9e", Through: 1})
	require.NoError(t, err)
	require.Eventually(t, func() bool { return waiting(opts, outbox.Runs) == 0 }, patience, time.Millisecond)
	for range 2 { // the first look notes, the second sends
		receive(t, looks, "a look") <- time.Time{}
	}
	var m records.Run
	require.NoError(t, json.Unmarshal(c.nextPublish("runs").Payload, &m))
	assert.Equal(t, uint64(2), m.Seq)
}

// A broker that doesn't let the unit hear the collector is used all the same, and that is said.
func TestReceiptsBlocked(t *testing.T) {
	b := newFaultBroker(t, nil, func(_ int, c *faultConn) {
		c.connack(0)
		for {
			switch p := c.read().(type) {
			case nil:
				return
			case *packets.SubscribePacket:
				a := packets.NewControlPacket(packets.Suback).(*packets.SubackPacket)
				a.MessageID, a.ReturnCodes = p.MessageID, []byte{0x80}
				c.answer(a)
			case *packets.PublishPacket:
				a := packets.NewControlPacket(packets.Puback).(*packets.PubackPacket)
				a.MessageID = p.MessageID
				c.answer(a)
			}
		}
	})
	opts := options(t, b.url())
	p, _ := start(t, opts)
	require.Eventually(t, func() bool { return p.State().ReceiptsBlocked }, patience, time.Millisecond)
	addRun(t, opts, snapshot.Run{Number: 1})
	receive(t, b.accepted, "a connection").nextPublish("runs")
	assert.True(t, p.State().Connected)
}
