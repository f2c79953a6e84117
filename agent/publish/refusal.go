package publish

import (
	"errors"
	"io"
	"syscall"
	"time"

	"liftbank/agent/outlet"
	"liftbank/agent/store/outbox"
)

// Brokers have limits that they don't tell (MQTT 3.1.1 has no way to). One ends the connection at a
// message that is too large for it, and would at each connection; another acknowledges it and
// throws it away. Neither may hold up what comes after: what a connection ended at is sent last and
// alone, with growing pauses, and in the end a gap stands for it.
const (
	maxTries     = 5        // alone, or at a collector's wish, before a gap stands for a record
	largeBytes   = 32 << 10 // below, size can't be the reason, and a record is tried for ever; our choice
	maxHold      = 6 * time.Hour
	maxDoublings = 10
	maxFollowed  = 1024 // records at a time
)

// Reasons in gaps.
const (
	tooLarge   = "the broker does not take it: too large"
	neverThere = "the broker took it, and the collector never got it"
)

// refused is what a broker may not take. It belongs to the goroutine of Run and outlives
// connections.
type refused struct {
	suspects map[string]suspect   // by the topic's last level
	tries    map[recordKey]try    // records sent again at a collector's wish
	gaps     map[recordKey]string // records that a gap stands for, with the reason
	snapshot int                  // bytes of a snapshot that was given up; larger ones are not sent
}

// suspect is a message that the broker may have ended a connection at.
type suspect struct {
	key   recordKey // zero for a snapshot
	tries int       // alone
	until time.Time // not to be tried before
}

// try is a record that was sent again at a collector's wish.
type try struct {
	n     int       // times that it was asked for all the same
	acked time.Time // when the broker took it last; zero: not since it was asked for
}

func newRefused() refused {
	return refused{suspects: map[string]suspect{}, tries: map[recordKey]try{}, gaps: map[recordKey]string{}}
}

// held reports whether a message waits until it can be sent alone.
func (l *link) held(leaf string, key recordKey) bool {
	s, is := l.p.refused.suspects[leaf]
	return is && s.key == key && l.alone != leaf
}

// sendAlone sends one of the messages that are held, when nothing else is left to be sent and its
// pause is over.
func (l *link) sendAlone() error {
	if len(l.inflight) > 0 || l.paced != nil {
		return nil
	}
	now := l.p.opts.Clock.Now()
	for leaf, s := range l.p.refused.suspects {
		if wait := s.until.Sub(now); wait > 0 {
			if l.retry == nil {
				l.retry = l.p.opts.Clock.After(wait)
			}
			continue
		}
		l.alone = leaf
		var err error
		if of, is := outbox.ParseStream(leaf); is {
			err = l.sendStream(of)
		} else {
			err = l.sendSnapshot()
		}
		if err != nil || len(l.inflight) > 0 {
			return err
		}
		l.alone = ""
		if leaf != snapshotTopic && l.paced == nil { // it is no longer there; a snapshot comes again
			delete(l.p.refused.suspects, leaf)
		}
	}
	return nil
}

// room is how many messages may be under way. A large one is the last until it has arrived: on a slow
// link the next could not leave in its time.
func (l *link) room() int {
	if n := len(l.inflight); l.alone != "" || n > 0 && l.inflight[n-1].bytes >= largeBytes {
		return 1
	}
	return window
}

// taken notes that the broker has acknowledged a message.
func (l *link) taken(m *inflight) {
	l.acks++
	if s, is := l.p.refused.suspects[m.leaf]; is && s.key == m.key {
		delete(l.p.refused.suspects, m.leaf)
	}
	l.alone = ""
}

// blame notes what the broker may have ended the connection at: the oldest message that it has not
// acknowledged. A network that fails looks the same; what is tried alone after that is taken then.
func (l *link) blame(err error) {
	closed := errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) ||
		errors.Is(err, syscall.ECONNRESET) || errors.Is(err, syscall.EPIPE)
	if !closed || len(l.inflight) == 0 || l.acks == 0 {
		return
	}
	m := &l.inflight[0]
	if m.leaf == statusTopic {
		return
	}
	s := l.p.refused.suspects[m.leaf]
	if s.key != m.key || l.alone != m.leaf { // in company, nothing is known yet
		l.p.refused.suspects[m.leaf] = suspect{key: m.key}
		return
	}
	s.tries++
	s.until = l.p.opts.Clock.Now().Add(min(l.p.opts.Limits.Hold<<min(s.tries-1, maxDoublings), maxHold))
	l.p.opts.Log.Warn("broker ends the connection at a message", "unit", l.p.opts.Unit, "topic", m.leaf,
		"bytes", m.bytes, "tries", s.tries)
	l.p.refused.suspects[m.leaf] = s
	if s.tries >= maxTries && m.bytes >= largeBytes {
		delete(l.p.refused.suspects, m.leaf)
		if m.key == (recordKey{}) {
			l.p.refused.snapshot = m.bytes
			l.p.dropped()
			return
		}
		l.p.giveUp(m.leaf, m.key, tooLarge)
	}
}

// refusing reports whether there is something that the broker does not take.
func (p *Publisher) refusing() bool {
	for _, s := range p.refused.suspects {
		if s.tries > 0 {
			return true
		}
	}
	return false
}

// giveUp has a gap stand for a record from now on.
func (p *Publisher) giveUp(leaf string, key recordKey, why string) {
	if len(p.refused.gaps) >= maxFollowed {
		clear(p.refused.gaps)
	}
	p.refused.gaps[key] = why
	p.dropped()
	p.opts.Log.Error("record given up", "unit", p.opts.Unit, "stream", leaf, "session", key.session, "seq", key.seq,
		"reason", why)
}

func (p *Publisher) dropped() { p.setState(func(s *outlet.State) { s.Dropped++ }) }

// asked notes that a collector asks for records now. One that it got again and again, as far as the
// broker says, and still asks for, will never reach it.
func (p *Publisher) asked(of outbox.Stream, list []outbox.Record) {
	now := p.opts.Clock.Now()
	for i := range list {
		key := keyOf(&list[i])
		t := p.refused.tries[key]
		_, given := p.refused.gaps[key]
		if given || t.acked.IsZero() || now.Sub(t.acked) < p.opts.Limits.Confirm {
			continue
		}
		t.n, t.acked = t.n+1, time.Time{}
		p.refused.tries[key] = t
		if t.n >= maxTries {
			delete(p.refused.tries, key)
			p.giveUp(of.String(), key, neverThere)
		}
	}
}

// tookAgain notes that the broker has a record that was sent again.
func (p *Publisher) tookAgain(key recordKey) {
	if len(p.refused.tries) >= maxFollowed {
		clear(p.refused.tries)
	}
	t := p.refused.tries[key]
	t.acked = p.opts.Clock.Now()
	p.refused.tries[key] = t
}
