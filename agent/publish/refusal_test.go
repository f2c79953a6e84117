package publish

import (
	"encoding/json"
	"fmt"
	"net"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/records"
	"liftbank/agent/snapshot"
	"liftbank/agent/store/outbox"
	"liftbank/agent/visit"
)

// addVisit adds a visit whose note has n bytes.
func addVisit(t *testing.T, opts Options, id string, n int) {
	t.Helper()
	add(t, opts, outbox.Visits, visit.Visit{ID: id, Note: strings.Repeat("n", n)})
}

// got is what a broker took, in order: topic and number, a gap with its reason.
type got chan string

func (g got) take(p *packets.PublishPacket) {
	var m struct {
		Schema, Because string
		From, Seq       uint64
	}
	if json.Unmarshal(p.Payload, &m) != nil {
		return
	}
	text := fmt.Sprintf("%s %d", p.TopicName[len("fleet/v1/t-1042/"):], m.Seq)
	if m.Schema == records.GapSchema {
		text += fmt.Sprintf(" from %d: %s", m.From, m.Because)
	}
	g <- text
}

// next returns the next of a stream.
func (g got) next(t *testing.T, leaf string) string {
	t.Helper()
	for {
		if text := receive(t, g, "a message on "+leaf); strings.HasPrefix(text, leaf+" ") {
			return text
		}
	}
}

// limited is a broker that ends the connection at a message of more bytes than limit.
func limited(t *testing.T, limit func() int) (*faultBroker, got) {
	took := make(got, 1000)
	return newFaultBroker(t, nil, func(_ int, c *faultConn) {
		c.connack(0)
		c.serve(func(p *packets.PublishPacket) bool {
			if len(p.Payload) > limit() {
				c.Close()
				return false
			}
			took.take(p)
			return true
		})
	}), took
}

// A broker with a limit that it ends connections at: everything else goes on at once, in a few tries
// a gap stands for the record, and what comes after it in its stream is sent.
func TestARecordThatIsTooLargeHoldsNobodyUp(t *testing.T) {
	b, took := limited(t, func() int { return 128 << 10 })
	opts := options(t, b.url())
	opts.Limits.Hold = time.Millisecond
	opts.Hub.Publish(sample(t, "findings"))
	addVisit(t, opts, "v1", 10)
	addVisit(t, opts, "v2", 188_000)
	addVisit(t, opts, "v3", 10)
	addRun(t, opts, snapshot.Run{Number: 1})
	addFinding(t, opts, snapshot.Finding{Name: "feed-lost"})
	p, _ := start(t, opts)
	assert.Equal(t, "findings 1", took.next(t, "findings"))
	assert.Equal(t, "runs 1", took.next(t, "runs"))
	want := []string{"visits 2 from 2: " + tooLarge, "visits 3"}
	for len(want) > 0 {
		text := took.next(t, "visits")
		if text == "visits 1" { // it may come twice: in company with the one that is too large
			continue
		}
		assert.Equal(t, want[0], text)
		want = want[1:]
	}
	state := p.State()
	assert.Equal(t, uint64(1), state.Dropped)
	assert.GreaterOrEqual(t, state.Failures, uint64(1+maxTries), "once in company, then alone")
	assert.LessOrEqual(t, state.Failures, uint64(4*maxTries))
	require.Eventually(t, func() bool { return waiting(opts, outbox.Visits) == 0 }, patience, time.Millisecond)
}

// The same with a snapshot; the next one that is smaller is sent.
func TestASnapshotThatIsTooLargeHoldsNobodyUp(t *testing.T) {
	b, took := limited(t, func() int { return 64 << 10 })
	opts := options(t, b.url())
	opts.Limits.Hold = time.Millisecond
	large := sample(t, "findings")
	large.Findings[0].Title = strings.Repeat("t", 70_000)
	opts.Hub.Publish(large)
	addVisit(t, opts, "v1", 10)
	p, _ := start(t, opts)
	assert.Equal(t, "visits 1", took.next(t, "visits"))
	require.Eventually(t, func() bool { return p.State().Dropped == 1 && p.State().Connected }, patience, time.Millisecond)
	small := sample(t, "healthy")
	small.Seq = large.Seq + 1
	opts.Hub.Publish(small)
	assert.Equal(t, fmt.Sprintf("snapshot %d", small.Seq), took.next(t, "snapshot"))
}

// What is not large is never given up: a network that fails, or a broker that is set wrong, may end
// connections at it as often as it likes. It doesn't hold up other streams meanwhile, and the state
// names it.
func TestWhatIsNotLargeIsNeverGivenUp(t *testing.T) {
	var cuts atomic.Int64
	took := make(got, 1000)
	const enough = 3 * maxTries
	b := newFaultBroker(t, nil, func(_ int, c *faultConn) {
		c.connack(0)
		c.serve(func(p *packets.PublishPacket) bool {
			if strings.HasSuffix(p.TopicName, "/visits") && cuts.Add(1) <= enough {
				c.Close()
				return false
			}
			took.take(p)
			return true
		})
	})
	opts := options(t, b.url())
	opts.Limits.Hold = time.Microsecond
	opts.Limits.Pace = time.Millisecond
	addVisit(t, opts, "v1", 5000)
	p, _ := start(t, opts)
	require.Eventually(t, func() bool { return p.State().Problem == refusesMessage }, patience, time.Millisecond)
	for n := range uint64(5) {
		addRun(t, opts, snapshot.Run{Number: n + 1})
		assert.Equal(t, fmt.Sprintf("runs %d", n+1), took.next(t, "runs"))
	}
	require.Eventually(t, func() bool { return waiting(opts, outbox.Visits) == 0 }, patience, time.Millisecond)
	assert.Equal(t, "visits 1", took.next(t, "visits"))
	assert.Zero(t, p.State().Dropped)
}

// A pause lies between two tries, and it grows.
func TestAMessageIsHeldLonger(t *testing.T) {
	l := &link{p: must(New(options(t, "mqtt://broker"))), acks: 1}
	at := time.Unix(0, 0)
	l.p.opts.Clock.Now = func() time.Time { return at }
	m := outgoing{leaf: "visits", key: recordKey{seq: 1}, bytes: 10}
	l.inflight = []inflight{{outgoing: m}}
	cut := fmt.Errorf("lost: %w", errReset)
	l.blame(cut)
	assert.True(t, l.held("visits", m.key))
	assert.False(t, l.held("visits", recordKey{seq: 2}))
	assert.False(t, l.held("runs", m.key))
	l.alone = "visits"
	for _, want := range []time.Duration{2, 4, 8, 16, 32, 64, 128, 256, 360, 360, 360} {
		l.blame(cut)
		assert.Equal(t, want*time.Minute, l.p.refused.suspects["visits"].until.Sub(at))
	}
	for range 100 {
		l.blame(cut)
	}
	assert.Equal(t, maxHold, l.p.refused.suspects["visits"].until.Sub(at))
	l.taken(&l.inflight[0])
	assert.False(t, l.held("visits", m.key))
	assert.Empty(t, l.alone)

	for name, not := range map[string]func(){
		"by silence":            func() { l.blame(errSilent) },
		"for what it sends":     func() { l.blame(errUnasked) },
		"before any answer":     func() { l.acks = 0; l.blame(cut); l.acks = 1 },
		"with nothing unheard":  func() { l.inflight = nil; l.blame(cut); l.inflight = []inflight{{outgoing: m}} },
		"at the status of ours": func() { l.inflight[0].leaf = statusTopic; l.blame(cut) },
	} {
		not()
		assert.Empty(t, l.p.refused.suspects, name)
	}
}

// A broker that acknowledges what is too large and throws it away: the collector asks for it again
// and again, and gets a gap in the end. A receipt that the broker has kept says nothing of that.
func TestARecordThatNeverArrivesBecomesAGap(t *testing.T) {
	for _, live := range []bool{true, false} {
		took := make(got, 1000)
		b := newFaultBroker(t, nil, func(_ int, c *faultConn) {
			c.connack(0)
			c.serve(func(p *packets.PublishPacket) bool {
				took.take(p)
				return true
			})
		})
		opts := options(t, b.url())
		opts.Limits.Confirm = time.Nanosecond
		after := opts.Clock.After
		opts.Clock.After = func(d time.Duration) <-chan time.Time {
			if d < time.Microsecond {
				d = time.Hour // the looks for what nobody confirmed
			}
			return after(d)
		}
		addVisit(t, opts, "v1", 188_000)
		addVisit(t, opts, "v2", 10)
		p, _ := start(t, opts)
		c := receive(t, b.accepted, "a connection")
		assert.Equal(t, "visits 1", took.next(t, "visits"))
		assert.Equal(t, "visits 2", took.next(t, "visits"))
		const ask = `{"schema":"liftbank.received.v1","unit":"t-1042","streams":[{"stream":"visits",
			"session":"5f0c2a9e","through":0,"missing":[[1,1]]}]}`
		const asks = 2 * maxTries
		var answers []string
		for n := range uint64(asks) {
			require.Eventually(t, func() bool { return p.State().Published >= 3+n }, patience, time.Millisecond)
			receipt(c, []byte(ask), !live)
			answers = append(answers, took.next(t, "visits"))
		}
		resent := "visits 1"
		gap := resent + " from 1: " + neverThere
		for n, answer := range answers {
			want := resent
			if live && n >= maxTries {
				want = gap
			}
			assert.Equal(t, want, answer, "asked %d times before", n)
		}
	}
}

// errReset is how a connection ends that a broker has closed.
var errReset = &net.OpError{Op: "read", Net: "tcp", Err: syscall.ECONNRESET}
