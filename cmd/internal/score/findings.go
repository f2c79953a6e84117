package score

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"liftbank/rules"
	"liftbank/rules/detect"
	"liftbank/rules/finding"
	"liftbank/sim"
)

// Linger is how long after a condition ended a finding may still be raised for it: its evidence was
// gathered while the condition was true. Our choice.
const Linger = 15 * time.Minute

// lookEvery is how often the truth is looked at while nothing happens. Conditions carry the exact
// time of their onset, so this limits only how soon a short one may be missed.
const lookEvery = 10 * time.Second

// Findings compares the findings of a unit with the conditions that are true.
type Findings struct {
	Spans  []Span  // by onset
	Raises []Raise // in order

	unit     *sim.Unit
	ids      []string // batteries
	length   time.Duration
	lookAt   time.Duration
	turns    uint64 // of the conditions, as looked at last
	open     int    // spans that last,
	standing int    // and raises
}

// Span is a time during which a condition was true.
type Span struct {
	Finding, Subject string
	Root             bool          // nothing else explains it, as far as looked at last
	From, To         time.Duration // To is the end of the run while it lasts
	Open             bool
	Found            time.Duration // when a finding said so, not before the onset; negative if none did
	Early            time.Duration // by how much it had said so before
	Cleared          time.Duration // when that finding cleared; negative if it did not

	FromRuns, FoundRuns uint64        // motor runs until then
	FromWake, FoundWake time.Duration // time with the wake line on until then
}

// Raise is a time during which a finding was active.
type Raise struct {
	Finding, Subject string
	From, To         time.Duration // To is the end of the run while it is active
	Open             bool
	Evidence         string
	Behind           bool // a condition was behind it when it was raised
	Before           bool // one became true while it stood
	Doubtful         bool // too near the limit to tell: neither wanted nor wrong
}

// NewFindings returns a comparison for a run of this length. ids are the bank's batteries.
func NewFindings(unit *sim.Unit, ids []string, length time.Duration) *Findings {
	return &Findings{unit: unit, ids: ids, length: length}
}

// Step takes what the rules said at now, the time since the start, and reports whether it looked at
// the truth.
func (f *Findings) Step(now time.Duration, out *rules.Output) bool {
	changed := slices.ContainsFunc(out.Events, func(ev rules.Event) bool { return ev.Kind != rules.RunEnded })
	if !changed && now < f.lookAt {
		return false
	}
	f.lookAt = now + lookEvery
	f.look(now, out)
	for _, ev := range out.Events {
		switch ev.Kind {
		case rules.FindingRaised:
			f.raised(now, &out.Findings[ev.Finding], out)
		case rules.FindingCleared:
			f.cleared(now, &out.Findings[ev.Finding])
		}
	}
	return true
}

// Finish looks at the truth a last time.
func (f *Findings) Finish(out *rules.Output) { f.look(f.length, out) }

// look opens a span for each condition that has become true, and closes those that are over.
func (f *Findings) look(now time.Duration, out *rules.Output) {
	turns := f.unit.Turns()
	if turns == f.turns && f.open == 0 && f.standing == 0 {
		return
	}
	f.turns = turns
	f.doubt()
	for _, c := range f.unit.Conditions() {
		k := slices.IndexFunc(f.Spans, func(s Span) bool {
			return s.Open && s.Finding == c.Finding && s.Subject == c.Subject
		})
		switch {
		case c.Active && k < 0:
			if k = f.sameSpan(c.Finding, c.Subject, c.Since); k >= 0 {
				f.Spans[k].Open, f.Spans[k].To, f.Spans[k].Cleared = true, f.length, -1
			} else {
				f.Spans = append(f.Spans, f.begin(c, out))
			}
			f.open++
		case c.Active:
			f.Spans[k].Root = c.Cause
		case k >= 0:
			f.Spans[k].Open, f.Spans[k].To = false, now
			f.open--
		}
	}
}

// begin returns the span of a condition that has become true. A finding may have been raised
// before.
func (f *Findings) begin(c sim.Condition, out *rules.Output) Span {
	s := Span{
		Finding: c.Finding, Subject: c.Subject, Root: c.Cause, From: c.Since, To: f.length, Open: true,
		Found: -1, Cleared: -1, FromRuns: f.unit.Truth().MotorRuns, FromWake: out.Feed.WakeTime,
	}
	for i := range out.Findings {
		rec := &out.Findings[i]
		if !rec.Active() || !f.mayBe(&s, rec.Def.Name, rec.Subject) {
			continue
		}
		s.Found, s.FoundRuns, s.FoundWake = c.Since, s.FromRuns, s.FromWake
		for k := range f.Raises {
			if r := &f.Raises[k]; r.Open && r.Finding == rec.Def.Name && r.Subject == rec.Subject {
				r.Before, s.Early = true, c.Since-r.From
			}
		}
	}
	return s
}

// doubt notes which raises that stand with no condition behind them are about one that has come so
// near its limit that nobody can tell.
func (f *Findings) doubt() {
	for k := range f.Raises {
		if r := &f.Raises[k]; r.Open && !r.Behind && !r.Doubtful {
			r.Doubtful = f.unit.Doubtful(r.Finding, r.Subject)
		}
	}
}

// sameSpan returns the span that a condition goes on with that has become true again, or -1: one
// that comes and goes with the drives or the heat of the day is one episode.
func (f *Findings) sameSpan(name, subject string, since time.Duration) int {
	def := detect.Lookup(name)
	for k := len(f.Spans) - 1; k >= 0; k-- {
		if s := &f.Spans[k]; s.Finding == name && s.Subject == subject {
			if def != nil && def.Episode > 0 && since-s.To <= def.Episode {
				return k
			}
			return -1
		}
	}
	return -1
}

// sameRaise is the same for a finding that is raised again.
func (f *Findings) sameRaise(rec *finding.Record, now time.Duration) int {
	for k := len(f.Raises) - 1; k >= 0; k-- {
		if r := &f.Raises[k]; r.Finding == rec.Def.Name && r.Subject == rec.Subject {
			if rec.Def.Episode > 0 && now-r.To <= rec.Def.Episode {
				return k
			}
			return -1
		}
	}
	return -1
}

// mayBe reports whether a finding may be about a span's condition.
func (f *Findings) mayBe(s *Span, name, subject string) bool {
	return s.Finding == name && sameSubject(name, s.Subject, subject, f.ids)
}

func (f *Findings) raised(now time.Duration, rec *finding.Record, out *rules.Output) {
	name := rec.Def.Name
	r := Raise{
		Finding: name, Subject: rec.Subject, From: now, To: f.length, Open: true, Evidence: evidenceLine(rec),
		Doubtful: f.unit.Doubtful(name, rec.Subject),
	}
	for k := range f.Spans {
		s := &f.Spans[k]
		if !f.mayBe(s, name, rec.Subject) || !s.Open && now-s.To > Linger {
			continue
		}
		r.Behind = true
		if s.Found < 0 && (s.Open || !r.Doubtful) {
			s.Found, s.FoundRuns, s.FoundWake = now, f.unit.Truth().MotorRuns, out.Feed.WakeTime
		}
	}
	f.standing++
	if k := f.sameRaise(rec, now); k >= 0 {
		old := &f.Raises[k]
		old.Open, old.To = true, f.length
		old.Behind, old.Doubtful = old.Behind || r.Behind, old.Doubtful || r.Doubtful
		return
	}
	f.Raises = append(f.Raises, r)
}

func (f *Findings) cleared(now time.Duration, rec *finding.Record) {
	for k := range f.Raises {
		if r := &f.Raises[k]; r.Open && r.Finding == rec.Def.Name && r.Subject == rec.Subject {
			r.Open, r.To = false, now
			f.standing--
		}
	}
	for k := range f.Spans {
		if s := &f.Spans[k]; s.Found >= 0 && s.Cleared < 0 && f.mayBe(s, rec.Def.Name, rec.Subject) {
			s.Cleared = now
		}
	}
}

// True reports whether a condition was behind a raise: true at the time, over for no longer than
// Linger, or true before the finding cleared. In the last case it returns by how much the finding
// was early.
func (f *Findings) True(r *Raise) (ok bool, early time.Duration) {
	for k := range f.Spans {
		s := &f.Spans[k]
		if !f.mayBe(s, r.Finding, r.Subject) || s.From > r.To || s.To < r.From-Linger {
			continue
		}
		if by := max(s.From-r.From, 0); !ok || by < early {
			ok, early = true, by
		}
	}
	return ok, early
}

// RootShown reports whether a finding shown is about a root cause that is true, or was within the
// last hour: one that comes and goes stays on the page for that long.
func (f *Findings) RootShown(now time.Duration, name, subject string) bool {
	return slices.ContainsFunc(f.Spans, func(s Span) bool {
		return s.Root && (s.Open || now-s.To <= time.Hour) && f.mayBe(&s, name, subject)
	})
}

// evidenceLine returns a finding's evidence on one line.
func evidenceLine(rec *finding.Record) string {
	var b strings.Builder
	for i := range rec.Evidence {
		e := &rec.Evidence[i]
		if text := e.Text(); text != "" {
			fmt.Fprintf(&b, "; %s: %s", e.What.Said(), text)
		} else {
			fmt.Fprintf(&b, "; %s %.4g %s", e.What.Said(), e.Value, e.Unit)
		}
	}
	return b.String()
}
