package intake

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"liftbank/agent/dial"
	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/wire"
)

const (
	qos     = 1
	refused = 0x80        // in a SUBACK (MQTT 3.1.1, section 3.9.3)
	quiesce = time.Second // for the last packets to leave
)

// item is a message on its way to a commit.
type item struct {
	message wire.Message
	ack     func()
	weight  int64
}

// link is one connection, from CONNECT to its end. A paho client serves exactly one: with its own
// reconnecting, acknowledgments of the connection before would be of other messages.
type link struct {
	in     *Intake
	life   context.Context // ends with the connection
	cut    context.CancelCauseFunc
	queue  chan item
	client mqtt.Client
	begun  time.Time

	taking  sync.RWMutex // read while a message is queued
	stopped bool         // nothing more is taken
}

// connection makes one connection and serves it. nil means that ctx ended it.
func (in *Intake) connection(ctx context.Context) error {
	creds, err := in.opts.Files.Read(in.broker, in.opts.Now)
	if err != nil {
		return err
	}
	life, cut := context.WithCancelCause(context.WithoutCancel(ctx)) // what was taken is committed after ctx
	defer cut(nil)
	l := &link{in: in, life: life, cut: cut, queue: make(chan item, in.opts.Limits.Queue), begun: in.opts.Now()}
	l.client = mqtt.NewClient(l.options(creds))
	if err := l.connect(ctx); err != nil {
		cut(nil)
		l.client.Disconnect(0)
		return err
	}
	var work sync.WaitGroup
	defer work.Wait()
	work.Go(l.commits)
	answering, stopAnswering := context.WithCancel(life)
	work.Go(func() { in.answers.run(answering, l.client) })

	subscribed := make(chan error, 1)
	work.Go(func() { subscribed <- l.subscribe() })
	for {
		select {
		case err := <-subscribed:
			if err != nil {
				cut(err)
			} else if life.Err() == nil {
				l.up()
			}
			continue
		case <-ctx.Done():
			stopAnswering()
			l.leave()
			return nil
		case <-life.Done():
		}
		break
	}
	stopAnswering()
	err = context.Cause(life)
	l.stop()
	l.client.Disconnect(0)
	close(l.queue)
	return err
}

// stop has nothing more taken, and waits for what is being queued.
func (l *link) stop() {
	l.taking.Lock()
	defer l.taking.Unlock()
	l.stopped = true
}

// leave ends in order: nothing more is taken; what was is committed, acknowledged and answered; then
// the broker is told. It keeps the rest.
func (l *link) leave() {
	l.stop()
	done := make(chan struct{})
	drained := item{ack: func() { close(done) }}
	select {
	case l.queue <- drained:
		select {
		case <-done:
			const patience = 5 * time.Second
			ctx, cancel := context.WithTimeout(l.life, patience)
			l.in.answers.last(ctx, l.client)
			cancel()
		case <-l.life.Done():
		}
	case <-l.life.Done():
	}
	l.client.Disconnect(uint(quiesce.Milliseconds()))
	l.cut(nil)
	close(l.queue)
	l.in.setState(func(s *State) { s.Connected, s.Since = false, l.in.opts.Now() })
}

func (l *link) options(creds dial.Credentials) *mqtt.ClientOptions {
	limits := l.in.opts.Limits
	o := mqtt.NewClientOptions().AddBroker(l.in.broker.String())
	o.SetClientID(l.in.opts.ClientID)
	o.SetUsername(l.in.opts.Username)
	o.SetPassword(creds.Password)
	o.SetProtocolVersion(4) // 3.1.1
	o.SetCleanSession(false)
	o.SetAutoReconnect(false)
	o.SetConnectRetry(false)
	o.SetAutoAckDisabled(true)
	o.SetOrderMatters(true)
	o.SetConnectTimeout(limits.Connect)
	o.SetWriteTimeout(limits.Connect)
	o.SetKeepAlive(limits.KeepAlive)
	o.SetPingTimeout(limits.Connect)
	o.SetResumeSubs(false)
	o.SetDefaultPublishHandler(l.take)
	o.SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) { return l.dial(creds) })
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) {
		l.cut(fmt.Errorf("connection to %s lost: %w", l.in.broker.Host, err))
	})
	return o
}

func (l *link) dial(creds dial.Credentials) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(l.life, l.in.opts.Limits.Connect)
	defer cancel()
	conn, err := new(net.Dialer).DialContext(ctx, "tcp", l.in.broker.Host)
	if err != nil {
		return nil, err
	}
	// Closed with the connection's life, at any stage.
	context.AfterFunc(l.life, func() { _ = conn.Close() })
	if creds.TLS != nil {
		secured, err := dial.Secure(ctx, conn, creds.TLS)
		if err != nil {
			return nil, fmt.Errorf("tls to %s: %w", l.in.broker.Host, err)
		}
		conn = secured
	}
	failed := func(err error) { l.cut(fmt.Errorf("broker %s: %w", l.in.broker.Host, err)) }
	return newGuard(conn, failed), nil
}

func (l *link) connect(ctx context.Context) error {
	token := l.client.Connect()
	select {
	case <-token.Done():
	case <-ctx.Done():
		return ctx.Err()
	}
	if err := token.Error(); err != nil {
		return fmt.Errorf("connect to %s: %w", l.in.broker.Host, err)
	}
	return nil
}

// up notes that the broker gives what units send.
func (l *link) up() {
	l.in.setState(func(s *State) {
		s.Connected, s.Since, s.Problem = true, l.in.opts.Now(), ""
		s.Connections++
	})
	l.in.opts.Log.Info("broker connected", "broker", l.in.broker.Host)
}

// errSubscription says that the broker gives nothing.
var errSubscription = errors.New("broker refuses the subscription: give this client the right to read")

// subscribe asks for all that units send. The broker answers with what it retains.
func (l *link) subscribe() error {
	filters := map[string]byte{}
	for _, leaf := range wire.Leaves {
		filters[l.in.opts.Prefix+"/v1/+/"+leaf] = qos
	}
	token := l.client.SubscribeMultiple(filters, nil)
	select {
	case <-token.Done():
	case <-l.life.Done():
		return nil
	case <-time.After(l.in.opts.Limits.Connect):
		return errors.New("broker doesn't answer the subscription")
	}
	if err := token.Error(); err != nil {
		return fmt.Errorf("subscribe: %w", err)
	}
	if t, ok := token.(*mqtt.SubscribeToken); ok {
		for filter, code := range t.Result() {
			if code == refused {
				return fmt.Errorf("%w: %s", errSubscription, filter)
			}
		}
	}
	return nil
}

// take reads a message and queues it. It waits while the queue is full, and the broker with it.
func (l *link) take(_ mqtt.Client, m mqtt.Message) {
	l.taking.RLock()
	defer l.taking.RUnlock()
	if l.stopped { // not acknowledged: the broker keeps it
		return
	}
	payload := m.Payload()
	message, _ := l.in.parser.Parse(m.Topic(), payload) // the message says why not
	message.Retained = m.Retained()
	message.Late = l.in.opts.Now().Sub(l.begun) < l.in.opts.Limits.Settle || len(l.queue) > cap(l.queue)/2
	it := item{message: message, ack: m.Ack, weight: min(int64(len(payload)+len(message.Body))+512, l.in.opts.Limits.QueueBytes)}
	if err := l.in.room.Acquire(l.life, it.weight); err != nil {
		return
	}
	select {
	case l.queue <- it:
	case <-l.life.Done():
		l.in.room.Release(it.weight)
	}
}

// commits commits what is queued until the connection ends, and acknowledges it.
func (l *link) commits() {
	defer func() { // what is left is not acknowledged: the broker has it
		for it := range l.queue {
			l.in.room.Release(it.weight)
		}
	}()
	limits := l.in.opts.Limits
	var batch []item
	for {
		batch = batch[:0]
		var first item
		more := true
		select {
		case first, more = <-l.queue:
		case <-l.life.Done():
			more = false
		}
		if !more {
			return
		}
		batch = append(batch, first)
		bytes := first.weight
		gather := time.NewTimer(limits.Gather)
	gathering:
		for len(batch) < limits.Batch && bytes < int64(limits.BatchBytes) && batch[len(batch)-1].weight > 0 {
			select {
			case it, more := <-l.queue:
				if !more {
					break gathering
				}
				batch = append(batch, it)
				bytes += it.weight
			case <-gather.C:
				break gathering
			case <-l.life.Done():
				break gathering
			}
		}
		gather.Stop()
		err := l.commit(batch)
		for _, it := range batch {
			l.in.room.Release(it.weight)
		}
		if err != nil {
			l.cut(fmt.Errorf("%w: %w", errStore, err))
			return
		}
	}
}

// commit commits a batch and acknowledges it. What has no weight is a mark: all before it is done.
func (l *link) commit(batch []item) error {
	messages := make([]wire.Message, 0, len(batch))
	for i := range batch {
		if batch[i].weight > 0 {
			messages = append(messages, batch[i].message)
		}
	}
	if len(messages) > 0 {
		begun := time.Now()
		out, err := l.in.store(l.life, messages)
		if err != nil {
			return err
		}
		l.in.count(messages, out, time.Since(begun))
		l.in.answers.touched(out)
		for _, it := range batch {
			it.ack()
		}
		l.in.opts.Committed(out)
		return nil
	}
	for _, it := range batch {
		it.ack()
	}
	return nil
}

// tries is how often a commit is tried before the connection is given up.
const tries = 3

// store commits. Should the database work and not take a batch, its messages are tried one by one: one
// that nothing can be done with must not hold up all others for ever.
func (in *Intake) store(ctx context.Context, batch []wire.Message) (out db.Outcome, err error) {
	const pause = 200 * time.Millisecond
	for try := range tries {
		if out, err = in.opts.Store.Commit(ctx, in.opts.Now(), batch); err == nil {
			in.setState(func(s *State) { s.StoreProblem = "" })
			return out, nil
		}
		in.setState(func(s *State) { s.CommitFailed++ })
		if try < tries-1 && !sleep(ctx, pause<<try) {
			return out, err
		}
	}
	if db.Unwell(err) || in.opts.Store.Ping(ctx) != nil || len(batch) == 0 {
		return out, err
	}
	return in.oneByOne(ctx, batch, err)
}

func (in *Intake) oneByOne(ctx context.Context, batch []wire.Message, whole error) (all db.Outcome, err error) {
	stored := 0
	for i := range batch {
		out, err := in.opts.Store.Commit(ctx, in.opts.Now(), batch[i:i+1])
		if err != nil {
			aside := wire.Message{Topic: batch[i].Topic, Body: batch[i].Body, Retained: batch[i].Retained,
				Refused: &wire.Refused{Reason: wire.NotStored, Detail: fmt.Sprintf("%.300s", err.Error())}}
			because := err
			if out, err = in.opts.Store.Commit(ctx, in.opts.Now(), []wire.Message{aside}); err != nil {
				return all, errors.Join(whole, err)
			}
			in.opts.Log.Error("message can't be stored: quarantined", "topic", batch[i].Topic, "err", because)
		} else {
			stored++
		}
		all.New = append(all.New, out.New...)
		all.Touched, all.Hurry = append(all.Touched, out.Touched...), append(all.Hurry, out.Hurry...)
		all.Changed, all.Refused, all.Flags = append(all.Changed, out.Changed...), append(all.Refused, out.Refused...),
			append(all.Flags, out.Flags...)
	}
	return all, nil
}

func (in *Intake) count(batch []wire.Message, out db.Outcome, took time.Duration) {
	in.setState(func(s *State) {
		s.Commits++
		s.CommitTime += took
		for i := range batch {
			if batch[i].Leaf != "" {
				s.Received[batch[i].Leaf]++
			}
			if i < len(out.New) && out.New[i] {
				s.Stored++
			} else {
				s.Repeated++
			}
		}
		for _, r := range out.Refused {
			s.Refused[r]++
		}
	})
}
