package publish

import (
	"context"
	"errors"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"liftbank/agent/outlet"
	"liftbank/agent/records"
	"liftbank/agent/store/outbox"
)

// streamState is one stream on one connection.
type streamState struct {
	place        int64           // behind which nothing was sent yet
	ready        []outbox.Record // taken from the outbox, oldest first
	again        []outbox.Record // to be sent once more
	drained      bool            // the outbox had nothing more
	ackedAtCheck int64           // what was acknowledged at the last look for the unconfirmed
	asked        bool            // some were sent again at the last look, and nothing was heard since
}

// Last levels of topics that are no streams.
const (
	receivedTopic = "received" // what the collector answers on
	statusTopic   = "status"
	snapshotTopic = "snapshot"
)

// heardReceipt is a message on received.
type heardReceipt struct {
	payload  []byte
	retained bool // the broker had kept it from before the subscription
}

// begin sets the streams to where the broker has acknowledged them, and subscribes to the
// collector's receipts.
func (l *link) begin() {
	for i := range l.streams {
		l.streams[i].place = l.p.opts.Outbox.Resume(outbox.Stream(i))
		l.streams[i].ackedAtCheck = l.streams[i].place
	}
	// QoS 0: a receipt says all that was said before it, so that a lost one costs nothing but time.
	l.subscription = l.client.Subscribe(l.p.opts.topic(receivedTopic), 0, func(_ mqtt.Client, m mqtt.Message) {
		select {
		case l.receipts <- heardReceipt{m.Payload(), m.Retained()}:
		default:
		}
	})
	l.subscribeDone = l.subscription.Done()
	l.recheckAfter = l.p.opts.Limits.Confirm
	l.recheck = l.p.opts.Clock.After(l.recheckAfter)
}

// subscribed handles the broker's answer to the subscription. The connection goes on without it.
func (l *link) subscribed() {
	l.subscribeDone = nil
	t, ok := l.subscription.(*mqtt.SubscribeToken)
	if !ok {
		return
	}
	const refused = 0x80 // MQTT 3.1.1, section 3.9.3
	blocked := t.Error() != nil
	for _, code := range t.Result() {
		blocked = blocked || code == refused
	}
	l.p.setState(func(s *outlet.State) { s.ReceiptsBlocked = blocked })
}

// takeToken reports whether a record may go now. If not, the link wakes when one may.
func (l *link) takeToken() bool {
	if l.pace.AllowN(l.p.opts.Clock.Now(), 1) {
		return true
	}
	if l.paced == nil {
		l.paced = l.p.opts.Clock.After(l.p.opts.Limits.Pace)
	}
	return false
}

// next returns the next record of a stream; ok is false when there is none for now.
func (l *link) next(of outbox.Stream) (r outbox.Record, repeated, ok bool) {
	st := &l.streams[of]
	if len(st.ready) == 0 && !st.drained {
		ctx, cancel := context.WithTimeout(l.life, l.p.opts.Limits.Ack)
		defer cancel()
		more, err := l.p.opts.Outbox.After(ctx, of, st.place, fetch)
		if err != nil {
			l.p.opts.Log.Warn("outbox unreadable", "unit", l.p.opts.Unit, "stream", of, "err", err)
		}
		st.ready, st.drained = more, err != nil || len(more) < fetch
	}
	switch {
	case len(st.again) > 0:
		if l.held(of.String(), keyOf(&st.again[0])) || !l.takeToken() {
			return r, false, false
		}
		r, st.again = st.again[0], st.again[1:]
		return r, true, true
	case len(st.ready) > 0:
		if l.held(of.String(), keyOf(&st.ready[0])) {
			return r, false, false
		}
		if of != outbox.Findings && !l.takeToken() {
			return r, false, false
		}
		r, st.ready = st.ready[0], st.ready[1:]
		st.place = r.ID
		return r, false, true
	}
	return r, false, false
}

// sendStream sends a stream's records in order, those first that are to be sent again.
func (l *link) sendStream(of outbox.Stream) error {
	for len(l.inflight) < l.room() {
		r, repeated, ok := l.next(of)
		if !ok {
			return nil
		}
		key := keyOf(&r)
		payload := l.p.payload(&r)
		if payload == nil {
			continue
		}
		l.p.opts.Outbox.Handing(r)
		acked := func() { l.p.opts.Outbox.Sent(r) }
		if repeated {
			l.p.setState(func(s *outlet.State) { s.Repeated++ })
			acked = func() { l.p.tookAgain(key) }
		}
		if err := l.send(outgoing{leaf: of.String(), key: key, acked: acked}, payload); err != nil {
			return err
		}
	}
	return nil
}

// payload returns the message of a record. A gap stands for one that can't be sent; it has the
// record's number. nil: not even that can be encoded.
func (p *Publisher) payload(r *outbox.Record) []byte {
	if why, given := p.refused.gaps[keyOf(r)]; given {
		r.Gap, r.Body = why, nil
	}
	payload, err := p.encoder.Body(r)
	if err != nil { // not the connection's fault: the record is lost, and a gap says so
		p.dropped()
		p.opts.Log.Error("record can't be encoded", "unit", p.opts.Unit, "stream", r.Stream, "seq", r.Seq, "err", err)
		r.Gap = "can't be encoded"
		if payload, err = p.encoder.Body(r); err != nil {
			return nil
		}
	}
	if p.opts.Deflate {
		payload = pack(payload)
	}
	return payload
}

// confirm applies a message on received.
func (l *link) confirm(m heardReceipt) {
	receipts, err := records.ParseReceived(l.p.opts.Unit, m.payload)
	ctx, cancel := context.WithTimeout(l.life, l.p.opts.Limits.Ack)
	defer cancel()
	for _, r := range receipts {
		r.Old = m.retained
		again, known, problem := l.p.opts.Outbox.Confirm(ctx, r)
		switch {
		case errors.Is(problem, outbox.ErrUnsent):
			err = problem
			continue
		case problem != nil: // the store's doing: the next receipt says it again
			l.p.opts.Log.Warn("receipt not applied", "unit", l.p.opts.Unit, "stream", r.Stream, "err", problem)
			continue
		case known:
			l.p.setState(func(s *outlet.State) { s.Receipts++ })
			l.recheckSoon(r.Stream)
		}
		if !m.retained { // one that the broker kept says nothing of what was sent since
			l.p.asked(r.Stream, again)
		}
		l.repeat(r.Stream, again)
	}
	if err != nil {
		l.p.setState(func(s *outlet.State) { s.Refused++ })
		l.p.opts.Log.Debug("receipt rejected", "unit", l.p.opts.Unit, "err", err)
	}
}

// recheckSoon looks again soon when a collector answers to what was sent again unasked: there may
// be more where that was.
func (l *link) recheckSoon(of outbox.Stream) {
	const soon = 5 * time.Second
	if st := &l.streams[of]; st.asked {
		st.asked = false
		l.recheckAfter = l.p.opts.Limits.Confirm
		l.recheck = l.p.opts.Clock.After(min(l.recheckAfter, soon))
	}
}

// recordKey tells records of one stream apart: a gap ends in the number of its last record.
type recordKey struct {
	session   string
	from, seq uint64
}

func keyOf(r *outbox.Record) recordKey { return recordKey{r.Session, r.From, r.Seq} }

// repeat queues records to be sent again, those that are not queued already.
func (l *link) repeat(of outbox.Stream, list []outbox.Record) {
	st := &l.streams[of]
	queued := map[recordKey]bool{}
	for i := range st.again {
		queued[keyOf(&st.again[i])] = true
	}
	for i := range list {
		if len(st.again) >= maxResendQueue {
			return
		}
		if k := keyOf(&list[i]); !queued[k] {
			queued[k] = true
			st.again = append(st.again, list[i])
		}
	}
}

// maxResend bounds what one look sends again, each stream.
const maxResend = 64

// resendUnconfirmed sends again what a broker had before the last look and a collector that
// confirms has not confirmed since: a broker may drop what it has acknowledged.
func (l *link) resendUnconfirmed() {
	const longest = 6 * time.Hour
	l.recheckAfter = min(2*l.recheckAfter, longest)
	l.recheck = l.p.opts.Clock.After(l.recheckAfter)
	for i := range l.streams {
		of, st := outbox.Stream(i), &l.streams[i]
		acked := st.ackedAtCheck
		st.ackedAtCheck = l.p.opts.Outbox.Resume(of)
		if !l.p.opts.Outbox.Collected() {
			continue
		}
		ctx, cancel := context.WithTimeout(l.life, l.p.opts.Limits.Ack)
		list, err := l.p.opts.Outbox.Unconfirmed(ctx, of, maxResend)
		cancel()
		if err != nil {
			continue
		}
		for k, r := range list {
			if r.ID > acked {
				list = list[:k]
				break
			}
		}
		st.asked = len(list) > 0
		l.repeat(of, list)
	}
}
