package publish

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/time/rate"

	"liftbank/agent/dial"
	"liftbank/agent/outlet"
	"liftbank/agent/records"
	"liftbank/agent/snapshot"
	"liftbank/agent/store/outbox"
)

const (
	qosAtLeastOnce = 1
	window         = 16            // messages under way at most
	birthEvery     = 6 * time.Hour // repairs a status that a late will has overwritten
	burst          = 20            // records that go at once before Limits.Pace holds
	fetch          = 16            // records taken from the outbox at a time
	maxResendQueue = 1024          // records that wait to be sent again, each stream
	quiesce        = time.Second   // for the DISCONNECT packet to leave and the client's goroutines to end
)

// link is one connection, from CONNECT to its end. A paho client serves exactly one: with its own
// reconnecting it reports messages as delivered that no broker has acknowledged.
type link struct {
	p      *Publisher
	number uint64
	client mqtt.Client
	cut    context.CancelFunc // ends the network connection at once

	sent atomic.Int64 // messages handed to paho, for the guard

	lost   chan struct{} // closed when paho has given the connection up and its goroutines have ended
	reason error         // set before lost is closed

	life     context.Context
	why      atomic.Pointer[error] // the first error of dialing or reading; paho keeps its text only
	inflight []inflight            // in the order sent
	acks     int                   // messages acknowledged
	alone    string                // last level of the topic of the one message that may be under way; "": any
	retry    <-chan time.Time      // when one that is held may be tried again
	overdue  <-chan time.Time      // the oldest of them has had its time

	streams       [outbox.Streams]streamState
	pace          *rate.Limiter     // of records
	paced         <-chan time.Time  // when one may go again
	receipts      chan heardReceipt // from paho's goroutine; bounded: the next one says all that is dropped
	subscription  mqtt.Token
	subscribeDone <-chan struct{}  // the broker has answered the subscription
	recheck       <-chan time.Time // when to look for what no collector has confirmed
	recheckAfter  time.Duration    // until the next look

	snapshotSent    *snapshot.Snapshot // the last one sent
	snapshotPending bool               // it is under way
	snapshotDue     bool               // its interval is over
	interval        <-chan time.Time
	birth           <-chan time.Time
	said            string // the status sent last
	begun           time.Time
	resting         <-chan time.Time // when to look whether it can end
}

// inflight is a message sent and not acknowledged.
type inflight struct {
	outgoing
	token mqtt.Token
	sent  time.Time
}

// outgoing is a message to be sent.
type outgoing struct {
	leaf     string    // last level of the topic
	key      recordKey // of a record; else zero
	retained bool
	bytes    int
	acked    func() // called once the broker has acknowledged it
}

// connection makes one connection and serves it. nil means that ctx ended it.
func (p *Publisher) connection(ctx context.Context, number uint64) error {
	life, cut := context.WithCancel(context.Background()) // not ctx's child: goodbye comes after ctx
	defer cut()
	l := &link{
		p: p, number: number, cut: cut, lost: make(chan struct{}), life: life, receipts: make(chan heardReceipt, 4),
		snapshotDue: true, begun: p.opts.Clock.Now(), pace: rate.NewLimiter(rate.Every(p.opts.Limits.Pace), burst),
	}
	creds, err := p.credentials()
	if err != nil {
		return err
	}
	l.client = mqtt.NewClient(p.clientOptions(l, creds))
	up, err := l.connect(ctx)
	if !up {
		return err
	}
	p.connected()
	err = l.live(ctx)
	p.lastShown = l.snapshotSent
	if err == nil || errors.Is(err, errRest) {
		l.client.Disconnect(uint(quiesce.Milliseconds()))
	} else {
		l.abandon()
		l.collectAcks()
		l.blame(err)
	}
	return err
}

// collectAcks finishes what was acknowledged before the connection ended and not looked at yet.
func (l *link) collectAcks() {
	for len(l.inflight) > 0 {
		select {
		case <-l.inflight[0].token.Done():
			if l.inflight[0].token.Error() != nil || l.finishOldest() != nil {
				return
			}
		default:
			return
		}
	}
}

func (p *Publisher) clientOptions(l *link, creds dial.Credentials) *mqtt.ClientOptions {
	o := mqtt.NewClientOptions().AddBroker(p.broker.String())
	o.SetClientID(p.opts.ClientID)
	o.SetUsername(p.opts.Username)
	o.SetPassword(creds.Password)
	o.SetProtocolVersion(4) // 3.1.1 only: no second attempt with 3.1
	o.SetAutoReconnect(false)
	o.SetConnectRetry(false)
	o.SetCleanSession(true)
	o.SetOrderMatters(false)
	o.SetConnectTimeout(p.opts.Limits.Connect)
	o.SetWriteTimeout(p.opts.Limits.Write)
	o.SetKeepAlive(p.opts.Limits.KeepAlive)
	o.SetPingTimeout(p.opts.Limits.Ping)
	o.SetBinaryWill(p.opts.topic(statusTopic), p.status(records.Lost, l.number), qosAtLeastOnce, true)
	o.SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) {
		failed := func(err error) { l.why.CompareAndSwap(nil, &err) }
		conn, err := l.dial(creds, failed)
		if err != nil {
			failed(err)
		}
		return conn, err
	})
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) {
		if why := l.why.Load(); why != nil {
			err = *why
		}
		l.reason = fmt.Errorf("connection to %s lost: %w", p.broker.Host, err)
		close(l.lost)
	})
	return o
}

// connect waits for the broker's answer. up is false with a nil error when ctx ended first.
func (l *link) connect(ctx context.Context) (up bool, err error) {
	token := l.client.Connect()
	limit := l.p.opts.Clock.After(l.p.opts.Limits.Connect + time.Second) // paho's own comes first
	select {
	case <-token.Done():
	case <-ctx.Done():
	case <-limit:
		err = fmt.Errorf("connect to %s: %w: within %v", l.p.broker.Host, errSilent, l.p.opts.Limits.Connect)
	}
	select {
	case <-token.Done():
		if token.Error() != nil {
			return false, l.refused(token)
		}
		return true, nil
	default:
	}
	l.cut() // ends the attempt, so that the token is done soon
	select {
	case <-token.Done():
	case <-l.p.opts.Clock.After(quiesce):
	}
	l.abandon()
	return false, err
}

// abandon drops the connection without a DISCONNECT, so that the broker sends the will, and waits
// for paho's goroutines to end. paho takes a connection closed under it for its own doing and must
// be stopped.
func (l *link) abandon() {
	l.cut()
	l.client.Disconnect(uint(quiesce.Milliseconds()))
}

// live publishes until ctx ends (nil after a clean goodbye) or the connection fails.
func (l *link) live(ctx context.Context) error {
	if err := l.sendStatus(l.statusNow()); err != nil {
		return err
	}
	l.begin()
	for {
		if now := l.statusNow(); now != l.said {
			if err := l.sendStatus(now); err != nil {
				return err
			}
		}
		l.showSleep()
		if err := l.fill(); err != nil {
			return err
		}
		if l.mayRest() {
			return l.rest()
		}
		l.resting = nil
		if l.p.opts.Hub.Asleep() != nil || l.p.saving(l.p.opts.Hub.Current()) {
			l.resting = l.p.opts.Clock.After(min(radioLook, l.p.opts.Limits.RadioLeast))
		}
		var oldest <-chan struct{}
		if len(l.inflight) > 0 {
			oldest = l.inflight[0].token.Done()
		}
		select {
		case <-ctx.Done():
			return l.goodbye()
		case <-l.lost:
			return l.reason
		case <-oldest:
			if err := l.finishOldest(); err != nil {
				return err
			}
		case <-l.overdue:
			return fmt.Errorf("broker %s: no acknowledgement within %v: %w", l.p.broker.Host, l.allowance(), errSilent)
		case <-l.p.wake:
		case <-l.p.opts.Outbox.News():
			for i := range l.streams {
				l.streams[i].drained = false
			}
		case <-l.resting:
		case <-l.paced:
			l.paced = nil
		case <-l.retry:
			l.retry = nil
		case m := <-l.receipts:
			l.confirm(m)
		case <-l.subscribeDone:
			l.subscribed()
		case <-l.recheck:
			l.resendUnconfirmed()
		case <-l.interval:
			l.snapshotDue = true
		case <-l.birth:
			if err := l.sendStatus(l.statusNow()); err != nil {
				return err
			}
		}
	}
}

// fill sends what is waiting as far as the window allows: findings, the newest snapshot, visits,
// runs, readings; last what is held.
func (l *link) fill() error {
	if l.alone != "" {
		return nil
	}
	if err := l.sendStream(outbox.Findings); err != nil {
		return err
	}
	if err := l.sendSnapshot(); err != nil {
		return err
	}
	for _, of := range []outbox.Stream{outbox.Visits, outbox.Runs, outbox.Readings} {
		if err := l.sendStream(of); err != nil {
			return err
		}
	}
	return l.sendAlone()
}

// sendSnapshot sends the current snapshot if it is due, its findings differ from those last sent, or
// work under way began or ended.
// One is under way at a time: a slow link gets fewer, never older ones.
func (l *link) sendSnapshot() error {
	s := l.p.opts.Hub.Current()
	if s == nil || l.snapshotPending || len(l.inflight) >= l.room() || l.held(snapshotTopic, recordKey{}) {
		return nil
	}
	level := l.p.budget.level()
	if !l.snapshotDue && sameWork(l.snapshotSent, s) && (level == 3 || sameFindings(l.snapshotSent.Findings, s.Findings)) {
		return nil
	}
	l.snapshotSent, l.snapshotDue = s, false
	l.interval = l.p.opts.Clock.After(l.p.opts.SnapshotEvery << level)
	payload, err := l.p.opts.Hub.JSON(s)
	if err != nil { // not the connection's fault
		l.p.setState(func(st *outlet.State) { st.Dropped++ })
		l.p.opts.Log.Error("snapshot can't be encoded", "unit", l.p.opts.Unit, "err", err)
		return nil
	}
	if l.p.opts.Deflate {
		payload = pack(payload)
	}
	if most := l.p.refused.snapshot; most > 0 && len(payload) >= most {
		return nil
	}
	l.snapshotPending = true
	acked := func() { l.snapshotPending = false }
	return l.send(outgoing{leaf: snapshotTopic, retained: true, acked: acked}, payload)
}

// statusNow returns how the unit is.
func (l *link) statusNow() string {
	if l.p.opts.Hub.Stalled() {
		return records.Stalled
	}
	return records.Online
}

func (l *link) sendStatus(status string) error {
	l.said = status
	l.birth = l.p.opts.Clock.After(birthEvery)
	return l.send(outgoing{leaf: statusTopic, retained: true, acked: func() {}}, l.p.status(status, l.number))
}

// send hands a message to paho, which may take up to Limits.Write. An error is of the connection;
// what becomes of the message otherwise shows in its token.
func (l *link) send(m outgoing, payload []byte) error {
	sent := l.p.opts.Clock.Now()
	l.sent.Add(1)
	m.bytes = len(payload)
	token := l.client.Publish(l.p.opts.topic(m.leaf), qosAtLeastOnce, m.retained, payload)
	if err := token.Error(); err != nil {
		return l.cause(err)
	}
	l.inflight = append(l.inflight, inflight{outgoing: m, token: token, sent: sent})
	if len(l.inflight) == 1 {
		l.overdue = l.p.opts.Clock.After(l.allowance())
	}
	return nil
}

// allowance returns how long the oldest message under way may take: its bytes count on a slow link.
func (l *link) allowance() time.Duration {
	const slowest = 1000 // bytes a second; our choice: GPRS has twice as much
	return l.p.opts.Limits.Ack + time.Duration(l.inflight[0].bytes)*time.Second/slowest
}

// finishOldest takes the oldest message, which is done, off the list. With reconnecting off, a
// token without an error is a PUBACK.
func (l *link) finishOldest() error {
	first := l.inflight[0]
	if err := first.token.Error(); err != nil {
		return l.cause(err)
	}
	first.acked()
	l.taken(&first)
	l.p.setState(func(s *outlet.State) { s.Published++ })
	l.inflight = l.inflight[1:]
	l.overdue = nil
	if len(l.inflight) > 0 {
		age := l.p.opts.Clock.Now().Sub(l.inflight[0].sent)
		l.overdue = l.p.opts.Clock.After(max(0, l.allowance()-age))
	}
	return nil
}

// cause prefers the reason of a lost connection to its effect on one message; paho reports it a
// moment later.
func (l *link) cause(err error) error {
	select {
	case <-l.lost:
		return l.reason
	case <-l.p.opts.Clock.After(quiesce):
		return fmt.Errorf("publish to %s: %w", l.p.broker.Host, err)
	}
}

// goodbye sends what fits the window, what is held, and that the agent is off, and waits for the
// broker to have it all.
func (l *link) goodbye() error {
	limit := l.p.opts.Clock.After(l.p.opts.Limits.Stop)
	if err := l.fill(); err != nil {
		return err
	}
	if len(l.p.refused.suspects) > 0 { // what waits until it can be sent alone
		if err := l.drain(limit); err != nil {
			return err
		}
		if err := l.fill(); err != nil {
			return err
		}
	}
	if err := l.sendStatus(records.Offline); err != nil {
		return err
	}
	return l.drain(limit)
}

// drain waits for the broker to have acknowledged all that was sent.
func (l *link) drain(limit <-chan time.Time) error {
	for len(l.inflight) > 0 {
		select {
		case <-l.inflight[0].token.Done():
			if err := l.finishOldest(); err != nil {
				return err
			}
		case <-l.lost:
			return l.reason
		case <-limit:
			return errors.New("stopping: broker did not acknowledge everything in time")
		}
	}
	return nil
}
