package intake

import (
	"context"
	"errors"
	"fmt"
	"net"
	"sync"
	"time"

	"liftbank/agent/dial"
	"liftbank/agent/dial/packet"
	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/wire"
)

const quiesce = time.Second // for the last packets to leave

// item is a message on its way to a commit, or a mark.
type item struct {
	message wire.Message
	id      uint16 // to acknowledge; 0: nothing
	weight  int64
	mark    chan struct{} // closed once all before it is done
}

// link is one connection, from CONNECT to its end.
type link struct {
	in    *Intake
	life  context.Context // ends with the connection
	cut   context.CancelCauseFunc
	queue chan item
	s     *session
	begun time.Time

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
	if err := l.connect(ctx, creds); err != nil {
		return err
	}
	var work sync.WaitGroup
	defer work.Wait()
	limits := in.opts.Limits
	lost := func(err error) { cut(fmt.Errorf("connection to %s lost: %w", in.broker.Host, err)) }
	work.Go(func() { lost(l.s.read()) })
	work.Go(func() { lost(l.s.write(life, limits.KeepAlive, limits.Connect)) })
	work.Go(l.commits)
	answering, stopAnswering := context.WithCancel(life)
	work.Go(func() { in.answers.run(answering, l.s) })
	work.Go(l.subscribe)
	select {
	case <-ctx.Done():
		stopAnswering()
		l.leave()
		err = nil
	case <-life.Done():
		stopAnswering()
		err = context.Cause(life)
		l.stop()
	}
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
	mark := make(chan struct{})
	select {
	case l.queue <- item{mark: mark}:
		select {
		case <-mark:
			const patience = 5 * time.Second
			ctx, cancel := context.WithTimeout(l.life, patience)
			l.in.answers.last(ctx, l.s)
			cancel()
		case <-l.life.Done():
		}
	case <-l.life.Done():
	}
	l.s.bye()
	ctx, cancel := context.WithTimeout(l.life, quiesce)
	_ = l.s.flush(ctx, 0) // gone or slow: the broker has the session all the same
	cancel()
	l.cut(nil)
	l.in.setState(func(s *State) { s.Connected, s.Since = false, l.in.opts.Now() })
}

// connect connects within the limit and ctx.
func (l *link) connect(ctx context.Context, creds dial.Credentials) error {
	in, limits := l.in, l.in.opts.Limits
	began, cancel := context.WithTimeout(ctx, limits.Connect)
	defer cancel()
	conn, err := new(net.Dialer).DialContext(began, "tcp", in.broker.Host)
	if err != nil {
		return fmt.Errorf("connect to %s: %w", in.broker.Host, err)
	}
	// Closed with the connection's life, at any stage.
	context.AfterFunc(l.life, func() { _ = conn.Close() })
	stop := context.AfterFunc(began, func() { _ = conn.Close() })
	if creds.TLS != nil {
		secured, err := dial.Secure(began, conn, creds.TLS)
		if err != nil {
			return fmt.Errorf("connect to %s: tls: %w", in.broker.Host, err)
		}
		conn = secured
	}
	l.s = newSession(conn, limits.KeepAlive+limits.Connect, l.take)
	err = l.s.open(in.opts.ClientID, in.opts.Username, creds.Password, limits.KeepAlive)
	if !stop() && err == nil {
		err = began.Err()
	}
	if err != nil {
		if began.Err() != nil {
			err = fmt.Errorf("broker doesn't answer: %w", began.Err())
		}
		return fmt.Errorf("connect to %s: %w", in.broker.Host, err)
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
func (l *link) subscribe() {
	filters := make([]string, len(wire.Leaves))
	for i, leaf := range wire.Leaves {
		filters[i] = l.in.opts.Prefix + "/v1/+/" + leaf
	}
	l.s.subscribe(filters)
	patience := time.NewTimer(l.in.opts.Limits.Connect)
	defer patience.Stop()
	select {
	case codes := <-l.s.subbed:
		if err := granted(filters, codes); err != nil {
			l.cut(err)
		} else if l.life.Err() == nil {
			l.up()
		}
	case <-l.life.Done():
	case <-patience.C:
		l.cut(errors.New("broker doesn't answer the subscription"))
	}
}

// granted judges the codes of a SUBACK. With QoS 0 the broker would keep nothing while the collector is
// away, and wait for no acknowledgment.
func granted(filters []string, codes []byte) error {
	const atLeastOnce, exactlyOnce = 1, 2
	if len(codes) != len(filters) {
		return fmt.Errorf("%w: %d codes for %d filters", errBroker, len(codes), len(filters))
	}
	for i, code := range codes {
		switch code {
		case atLeastOnce:
		case packet.Refused:
			return fmt.Errorf("%w: %s", errSubscription, filters[i])
		default:
			if code > exactlyOnce {
				return fmt.Errorf("%w: code %#x for %s", errBroker, code, filters[i])
			}
			return fmt.Errorf("broker grants QoS %d of %s: want %d", code, filters[i], atLeastOnce)
		}
	}
	return nil
}

// take reads a message and queues it. It waits while the queue is full, and the broker with it.
func (l *link) take(m message) {
	l.taking.RLock()
	defer l.taking.RUnlock()
	if l.stopped { // not acknowledged: the broker keeps it
		return
	}
	parsed, _ := l.in.parser.Parse(m.topic, m.payload) // the message says why not
	parsed.Retained = m.retained
	parsed.Late = l.in.opts.Now().Sub(l.begun) < l.in.opts.Limits.Settle || len(l.queue) > cap(l.queue)/2
	it := item{message: parsed, id: m.id, weight: min(int64(len(m.payload)+len(parsed.Body))+512, l.in.opts.Limits.QueueBytes)}
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
		ids := make([]uint16, 0, len(batch))
		for i := range batch {
			if batch[i].id != 0 {
				ids = append(ids, batch[i].id)
			}
		}
		l.s.acknowledge(ids)
		l.in.opts.Committed(out)
	}
	for i := range batch {
		if batch[i].mark != nil {
			close(batch[i].mark)
		}
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
