package publish

import (
	"context"
	"errors"
	"slices"
	"time"

	"liftbank/agent/outlet"
	"liftbank/agent/records"
	"liftbank/agent/snapshot"
)

// While the board saves, its radio is on by the hour: a connection sends what there is and ends with a
// status that says when the next one comes. Before the board is switched off a connection sends the
// rest, and says last that it sleeps.
const radioLook = 5 * time.Second // between looks whether a connection can end; our choice

// errRest ends a connection that is over until there is more to say.
var errRest = errors.New("radio off until there is more to say")

// saving reports whether the radio should be on by the hour only.
func (p *Publisher) saving(s *snapshot.Snapshot) bool {
	return p.opts.ByTheHour && s != nil && s.Power != nil && s.Power.Level != "awake"
}

// urgentNews reports whether b has an urgent finding that somebody is to be called for and a hasn't.
func urgentNews(a, b *snapshot.Snapshot) bool {
	return b != nil && a != nil && slices.ContainsFunc(b.Findings, func(f snapshot.Finding) bool {
		return f.Severity == "urgent" && f.Alarming() && !slices.ContainsFunc(a.Findings, func(was snapshot.Finding) bool {
			return was.Name == f.Name && was.Subject == f.Subject && was.Severity == f.Severity && was.Alarming()
		})
	})
}

// rested keeps the radio off until there is more to say, and returns false when ctx ended. begun is when
// it was switched on last.
func (p *Publisher) rested(ctx context.Context, begun time.Time) bool {
	due := begun.Add(p.opts.Limits.RadioEvery)
	hour := p.opts.Clock.After(max(due.Sub(p.opts.Clock.Now()), 0))
	for {
		asleep, said, now := p.opts.Hub.Asleep() != nil, p.State().LastWord, p.opts.Hub.Current()
		if !(asleep && said) { // else it has said all
			if asleep || said || !p.saving(now) || urgentNews(p.lastShown, now) || !p.opts.Clock.Now().Before(due) {
				return true
			}
		}
		select {
		case <-ctx.Done():
			return false
		case <-p.wake:
		case <-hour:
		}
	}
}

// mayRest reports whether this connection has said all that there is.
func (l *link) mayRest() bool {
	s := l.p.opts.Hub.Current()
	asleep := l.p.opts.Hub.Asleep() != nil
	on := l.p.opts.Clock.Now().Sub(l.begun)
	switch {
	case !asleep && !l.p.saving(s) || l.snapshotSent == nil:
		return false
	case !asleep && on >= l.p.opts.Limits.RadioMost: // a backlog, or what a broker does not take
		return true
	}
	if shown := l.snapshotSent.Power; asleep && (shown == nil || shown.Asleep == nil) {
		return false
	}
	for i := range l.streams {
		if st := &l.streams[i]; !st.drained || len(st.ready)+len(st.again) > 0 {
			return false
		}
	}
	if len(l.inflight) > 0 || l.snapshotPending || !sameFindings(l.snapshotSent.Findings, s.Findings) {
		return false
	}
	return asleep || on >= l.p.opts.Limits.RadioLeast && l.p.opts.Outbox.Silent() == 0
}

// showSleep has the snapshot that says that the board falls asleep sent, once.
func (l *link) showSleep() {
	s := l.p.opts.Hub.Current()
	if s != nil && s.Power != nil && s.Power.Asleep != nil &&
		(l.snapshotSent == nil || l.snapshotSent.Power == nil || l.snapshotSent.Power.Asleep == nil) {
		l.snapshotDue = true
	}
}

// rest says when the unit is back, and ends the connection. An error is of the connection.
func (l *link) rest() error {
	limit := l.p.opts.Clock.After(l.p.opts.Limits.Ack)
	asleep := l.p.opts.Hub.Asleep()
	if err := l.sendAway(asleep); err != nil {
		return err
	}
	if err := l.drain(limit); err != nil {
		return err
	}
	if asleep != nil {
		l.p.setState(func(s *outlet.State) { s.LastWord = true })
	}
	return errRest
}

// sendAway says that the unit is away on purpose.
func (l *link) sendAway(asleep *snapshot.Asleep) error {
	now := l.p.opts.Clock.Now()
	status, why, until := records.Saving, "", new(now.Add(l.p.opts.Limits.RadioEvery).UTC().Truncate(time.Second))
	if s := l.p.opts.Hub.Current(); s != nil && s.Power != nil && s.Power.Why != nil {
		why = s.Power.Why.English
	}
	if asleep != nil {
		status, why, until = records.Asleep, asleep.Why.English, asleep.Until
	}
	payload, err := l.p.encoder.StatusUntil(status, l.p.opts.Session, l.number, now, until, why)
	if err != nil {
		panic("bug: status message: " + err.Error()) // texts, a count and times always have a JSON form
	}
	l.said = status
	return l.send(outgoing{leaf: statusTopic, retained: true, acked: func() {}}, payload)
}
