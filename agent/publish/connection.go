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

	"liftbank/agent/snapshot"
	"liftbank/agent/store"
)

const (
	qosAtLeastOnce = 1
	window         = 16            // messages under way at most
	birthEvery     = 6 * time.Hour // mends a status that a late will has overwritten
	burst          = 20            // records that go at once before Limits.Pace holds
	fetch          = 16            // records taken from the outbox at a time
	againMost      = 1024          // records that wait to be sent again, each stream
	quiesce        = time.Second   // for the DISCONNECT packet to leave and the client's goroutines to end
)

// link is one connection, from CONNECT to its end. A paho client serves exactly one: with its own reconnecting it calls
// messages delivered that no broker has acknowledged.
type link struct {
	p      *Publisher
	number uint64
	client mqtt.Client
	cut    context.CancelFunc // ends the network connection at once

	lost   chan struct{} // closed when paho has given the connection up and its goroutines have ended
	reason error         // set before lost is closed

	life     context.Context
	why      atomic.Pointer[error] // the first error of dialling or reading; paho keeps its text only
	flights  []flight              // in the order sent
	lines    [store.Streams]line
	receipts chan []byte     // from paho's goroutine; bounded, what is too much is let go: the next one says it all again
	heard    <-chan struct{} // the broker has answered the subscription
	hearing  mqtt.Token
	tokens   float64 // records that may go at once
	counted  time.Time
	paced    <-chan time.Time // when there are tokens again
	recheck  <-chan time.Time // when to look for what no collector has confirmed
	patience time.Duration    // until the next look
	overdue  <-chan time.Time
	shown    *snapshot.Snapshot // the last one sent
	showing  bool               // it is under way
	showDue  bool               // its interval is over
	interval <-chan time.Time
	birth    <-chan time.Time
}

// flight is a message sent and not acknowledged.
type flight struct {
	token  mqtt.Token
	sent   time.Time
	landed func() // once acknowledged
}

// connection makes one connection and lives through it. nil means that ctx ended it.
func (p *Publisher) connection(ctx context.Context, number uint64) error {
	life, cut := context.WithCancel(context.Background()) // not ctx's child: goodbye comes after ctx
	defer cut()
	l := &link{p: p, number: number, cut: cut, lost: make(chan struct{}), showDue: true, life: life, receipts: make(chan []byte, 4)}
	creds, err := p.credentials()
	if err != nil {
		return err
	}
	l.client = mqtt.NewClient(p.clientOptions(l, life, creds))
	up, err := l.connect(ctx)
	if !up {
		return err
	}
	p.connected()
	err = l.live(ctx)
	if err == nil {
		l.client.Disconnect(uint(quiesce.Milliseconds()))
	} else {
		l.abandon()
		l.harvest()
	}
	return err
}

// harvest lands what was acknowledged before the connection ended and not looked at yet.
func (l *link) harvest() {
	for len(l.flights) > 0 {
		select {
		case <-l.flights[0].token.Done():
			if l.flights[0].token.Error() != nil || l.land() != nil {
				return
			}
		default:
			return
		}
	}
}

func (p *Publisher) clientOptions(l *link, life context.Context, creds credentials) *mqtt.ClientOptions {
	o := mqtt.NewClientOptions().AddBroker(p.broker.String())
	o.SetClientID(p.opts.ClientID)
	o.SetUsername(p.opts.Username)
	o.SetPassword(creds.password)
	o.SetProtocolVersion(4) // 3.1.1 only: no second attempt with 3.1
	o.SetAutoReconnect(false)
	o.SetConnectRetry(false)
	o.SetCleanSession(true)
	o.SetOrderMatters(false)
	o.SetConnectTimeout(p.opts.Limits.Connect)
	o.SetWriteTimeout(p.opts.Limits.Write)
	o.SetKeepAlive(p.opts.Limits.KeepAlive)
	o.SetPingTimeout(p.opts.Limits.Ping)
	o.SetBinaryWill(p.opts.topic("status"), p.status(statusLost, l.number), qosAtLeastOnce, true)
	o.SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) {
		failed := func(err error) { l.why.CompareAndSwap(nil, &err) }
		conn, err := p.dial(life, creds, failed)
		if err != nil {
			failed(err)
		}
		return conn, err
	})
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) {
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

// abandon drops the connection without a DISCONNECT, so that the broker says the will, and waits for paho's goroutines to
// end. paho takes a connection closed under it for its own doing and has to be told to stop.
func (l *link) abandon() {
	l.cut()
	l.client.Disconnect(uint(quiesce.Milliseconds()))
}

// live publishes until ctx ends (nil after a clean goodbye) or the connection fails.
func (l *link) live(ctx context.Context) error {
	if err := l.sendStatus(statusOnline); err != nil {
		return err
	}
	l.begin()
	for {
		if err := l.fill(); err != nil {
			return err
		}
		var oldest <-chan struct{}
		if len(l.flights) > 0 {
			oldest = l.flights[0].token.Done()
		}
		select {
		case <-ctx.Done():
			return l.goodbye()
		case <-l.lost:
			return l.reason
		case <-oldest:
			if err := l.land(); err != nil {
				return err
			}
		case <-l.overdue:
			return fmt.Errorf("broker %s: no acknowledgement within %v: %w", l.p.broker.Host, l.p.opts.Limits.Ack, errSilent)
		case <-l.p.wake:
		case <-l.p.opts.Outbox.News():
			for i := range l.lines {
				l.lines[i].dry = false
			}
		case <-l.paced:
			l.paced = nil
		case m := <-l.receipts:
			l.confirm(m)
		case <-l.heard:
			l.subscribed()
		case <-l.recheck:
			l.remind()
		case <-l.interval:
			l.showDue = true
		case <-l.birth:
			if err := l.sendStatus(statusOnline); err != nil {
				return err
			}
		}
	}
}

// fill sends what is waiting as far as the window allows: findings, the newest state, visits, runs, readings.
func (l *link) fill() error {
	if err := l.sendStream(store.Findings); err != nil {
		return err
	}
	if err := l.sendSnapshot(); err != nil {
		return err
	}
	for _, of := range []store.Stream{store.Visits, store.Runs, store.Readings} {
		if err := l.sendStream(of); err != nil {
			return err
		}
	}
	return nil
}

// sendSnapshot sends the current snapshot if its time has come or its findings are not those last sent. One is under way at
// a time: a slow link gets fewer, never older ones.
func (l *link) sendSnapshot() error {
	s := l.p.opts.Hub.Current()
	if s == nil || l.showing || len(l.flights) >= window {
		return nil
	}
	thrift := l.p.budget.level()
	if !l.showDue && (thrift == 3 || sameFindings(l.shown.Findings, s.Findings)) {
		return nil
	}
	l.shown, l.showDue = s, false
	l.interval = l.p.opts.Clock.After(l.p.opts.Every << thrift)
	payload, err := l.p.opts.Hub.JSON(s)
	if err != nil { // not the connection's fault
		l.p.setState(func(st *State) { st.Dropped++ })
		l.p.opts.Log.Error("snapshot can't be sent", "unit", l.p.opts.Unit, "err", err)
		return nil
	}
	l.showing = true
	if l.p.opts.Deflate {
		payload = pack(payload)
	}
	return l.send("snapshot", true, payload, func() { l.showing = false })
}

func (l *link) sendStatus(status string) error {
	l.birth = l.p.opts.Clock.After(birthEvery)
	return l.send("status", true, l.p.status(status, l.number), func() {})
}

// send hands a message to paho, which may take up to Limits.Write. An error is of the connection; what becomes of the
// message otherwise shows when it lands.
func (l *link) send(leaf string, retained bool, payload []byte, landed func()) error {
	sent := l.p.opts.Clock.Now()
	token := l.client.Publish(l.p.opts.topic(leaf), qosAtLeastOnce, retained, payload)
	if err := token.Error(); err != nil {
		return l.cause(err)
	}
	l.flights = append(l.flights, flight{token: token, sent: sent, landed: landed})
	if len(l.flights) == 1 {
		l.overdue = l.p.opts.Clock.After(l.p.opts.Limits.Ack)
	}
	return nil
}

// land takes the oldest flight, which is done, off the list. With reconnecting off a token without an error is a PUBACK.
func (l *link) land() error {
	first := l.flights[0]
	if err := first.token.Error(); err != nil {
		return l.cause(err)
	}
	first.landed()
	l.p.setState(func(s *State) { s.Published++ })
	l.flights = l.flights[1:]
	l.overdue = nil
	if len(l.flights) > 0 {
		age := l.p.opts.Clock.Now().Sub(l.flights[0].sent)
		l.overdue = l.p.opts.Clock.After(max(0, l.p.opts.Limits.Ack-age))
	}
	return nil
}

// cause prefers the reason of a lost connection to what it did to one message; paho tells it a moment later.
func (l *link) cause(err error) error {
	select {
	case <-l.lost:
		return l.reason
	case <-l.p.opts.Clock.After(quiesce):
		return fmt.Errorf("publish to %s: %w", l.p.broker.Host, err)
	}
}

// goodbye sends what the window takes and that the agent is off, and waits for the broker to have it all.
func (l *link) goodbye() error {
	limit := l.p.opts.Clock.After(l.p.opts.Limits.Stop)
	if err := l.fill(); err != nil {
		return err
	}
	if err := l.sendStatus(statusOffline); err != nil {
		return err
	}
	for len(l.flights) > 0 {
		select {
		case <-l.flights[0].token.Done():
			if err := l.land(); err != nil {
				return err
			}
		case <-l.lost:
			return l.reason
		case <-limit:
			return errors.New("leaving: broker has not acknowledged everything in time")
		}
	}
	return nil
}
