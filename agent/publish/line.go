package publish

import (
	"context"
	"errors"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"liftbank/agent/store"
)

// line is one stream on one connection.
type line struct {
	place int64          // behind which nothing was sent yet
	ready []store.Record // taken from the outbox, oldest first
	again []store.Record // to be sent once more
	dry   bool           // the outbox had nothing more
	reach int64          // what was acknowledged at the last look for the unconfirmed
	asked bool           // some were sent again at the last look, and nothing was heard since
}

// begin sets the streams to where the broker has acknowledged them, and asks to hear the collector.
func (l *link) begin() {
	l.tokens, l.counted = burst, l.p.opts.Clock.Now()
	for i := range l.lines {
		l.lines[i].place = l.p.opts.Outbox.Resume(store.Stream(i))
		l.lines[i].reach = l.lines[i].place
	}
	// QoS 0: a receipt says all that was said before it, so that a lost one costs nothing but time.
	l.hearing = l.client.Subscribe(l.p.opts.topic("received"), 0, func(_ mqtt.Client, m mqtt.Message) {
		select {
		case l.receipts <- m.Payload():
		default:
		}
	})
	l.heard = l.hearing.Done()
	l.patience = l.p.opts.Limits.Confirm
	l.recheck = l.p.opts.Clock.After(l.patience)
}

// subscribed takes the broker's answer to the subscription. A broker that refuses is no reason to leave it.
func (l *link) subscribed() {
	l.heard = nil
	t, ok := l.hearing.(*mqtt.SubscribeToken)
	if !ok {
		return
	}
	const refused = 0x80 // MQTT 3.1.1, section 3.9.3
	deaf := t.Error() != nil
	for _, code := range t.Result() {
		deaf = deaf || code == refused
	}
	l.p.setState(func(s *State) { s.Deaf = deaf })
}

// allowed takes one token, or says when there will be one.
func (l *link) allowed() bool {
	now, pace := l.p.opts.Clock.Now(), l.p.opts.Limits.Pace
	l.tokens = min(l.tokens+max(now.Sub(l.counted), 0).Seconds()/pace.Seconds(), burst)
	l.counted = now
	if l.tokens >= 1 {
		l.tokens--
		return true
	}
	if l.paced == nil {
		l.paced = l.p.opts.Clock.After(pace)
	}
	return false
}

// next gives the next record of a stream; ok is false when there is none for now.
func (l *link) next(of store.Stream) (r store.Record, repeated, ok bool) {
	ln := &l.lines[of]
	if len(ln.ready) == 0 && !ln.dry {
		ctx, cancel := context.WithTimeout(l.life, l.p.opts.Limits.Ack)
		defer cancel()
		records, err := l.p.opts.Outbox.After(ctx, of, ln.place, fetch)
		if err != nil {
			l.p.opts.Log.Warn("outbox can't be read", "unit", l.p.opts.Unit, "stream", of, "err", err)
		}
		ln.ready, ln.dry = records, err != nil || len(records) < fetch
	}
	switch {
	case len(ln.again) > 0:
		if !l.allowed() {
			return r, false, false
		}
		r, ln.again = ln.again[0], ln.again[1:]
		return r, true, true
	case len(ln.ready) > 0:
		if of != store.Findings && !l.allowed() {
			return r, false, false
		}
		r, ln.ready = ln.ready[0], ln.ready[1:]
		ln.place = r.ID
		return r, false, true
	}
	return r, false, false
}

// sendStream sends a stream's records in order, those first that are to be sent again.
func (l *link) sendStream(of store.Stream) error {
	for len(l.flights) < window {
		r, repeated, ok := l.next(of)
		if !ok {
			return nil
		}
		payload, err := l.p.payload(&r)
		if err != nil { // not the connection's fault: the record is lost, and that is said
			l.p.setState(func(s *State) { s.Dropped++ })
			l.p.opts.Log.Error("record can't be sent", "unit", l.p.opts.Unit, "stream", of, "seq", r.Seq, "err", err)
			r.Gap = "can't be encoded"
			if payload, err = l.p.payload(&r); err != nil {
				continue
			}
		}
		if l.p.opts.Deflate {
			payload = pack(payload)
		}
		landed := func() { l.p.opts.Outbox.Acked(r) }
		if repeated {
			l.p.setState(func(s *State) { s.Repeated++ })
			landed = func() {}
		}
		if err := l.send(of.String(), false, payload, landed); err != nil {
			return err
		}
	}
	return nil
}

// confirm takes a message on received.
func (l *link) confirm(message []byte) {
	receipts, err := parseReceived(l.p.opts.Unit, message)
	ctx, cancel := context.WithTimeout(l.life, l.p.opts.Limits.Ack)
	defer cancel()
	for _, r := range receipts {
		again, known, problem := l.p.opts.Outbox.Confirm(ctx, r)
		if problem != nil {
			err = problem
			continue
		}
		if known {
			l.p.setState(func(s *State) { s.Receipts++ })
			l.encouraged(r.Stream)
		}
		l.repeat(r.Stream, again)
	}
	if err != nil {
		if !errors.Is(err, context.Canceled) {
			l.p.setState(func(s *State) { s.Refused++ })
		}
		l.p.opts.Log.Debug("receipt not taken", "unit", l.p.opts.Unit, "err", err)
	}
}

// encouraged looks again soon when a collector answers to what was sent again unasked: there may be more where that was.
func (l *link) encouraged(of store.Stream) {
	const soon = 5 * time.Second
	if ln := &l.lines[of]; ln.asked {
		ln.asked = false
		l.patience = l.p.opts.Limits.Confirm
		l.recheck = l.p.opts.Clock.After(min(l.patience, soon))
	}
}

// repeat queues records to be sent again, those that are not queued already.
func (l *link) repeat(of store.Stream, records []store.Record) {
	ln := &l.lines[of]
	queued := map[[2]string]bool{}
	for i := range ln.again {
		queued[keyOf(&ln.again[i])] = true
	}
	for i := range records {
		if len(ln.again) >= againMost {
			return
		}
		if k := keyOf(&records[i]); !queued[k] {
			queued[k] = true
			ln.again = append(ln.again, records[i])
		}
	}
}

func keyOf(r *store.Record) [2]string {
	var b [16]byte
	for i := range 8 {
		b[i], b[8+i] = byte(r.From>>(8*i)), byte(r.Seq>>(8*i))
	}
	return [2]string{r.Session, string(b[:])}
}

// remindMost bounds what one look has sent again, each stream.
const remindMost = 64

// remind sends again what a broker had before the last look and a collector that confirms has not confirmed since: a broker may drop what
// it has acknowledged.
func (l *link) remind() {
	const longest = 6 * time.Hour
	l.patience = min(2*l.patience, longest)
	l.recheck = l.p.opts.Clock.After(l.patience)
	for i := range l.lines {
		of, ln := store.Stream(i), &l.lines[i]
		reach := ln.reach
		ln.reach = l.p.opts.Outbox.Resume(of)
		if !l.p.opts.Outbox.Collected(of) {
			continue
		}
		ctx, cancel := context.WithTimeout(l.life, l.p.opts.Limits.Ack)
		records, err := l.p.opts.Outbox.Unconfirmed(ctx, of, remindMost)
		cancel()
		if err != nil {
			continue
		}
		for k, r := range records {
			if r.ID > reach {
				records = records[:k]
				break
			}
		}
		ln.asked = len(records) > 0
		l.repeat(of, records)
	}
}
