package finding

import (
	"time"

	"liftbank/rules/unit"
)

// State is where a finding is in its life.
type State uint8

// States of the alarm life cycle of ISA-18.2 / IEC 62682. Suppression by design is not a state
// here: a finding that another one explains keeps its own state and says which (Record.CausedBy).
const (
	Normal                 State = iota
	Unacknowledged               // the condition holds, nobody has seen it
	Acknowledged                 // it holds, somebody has
	ReturnedUnacknowledged       // it is over, nobody has seen that it was
	Shelved                      // suppressed by somebody, until a set end
	OutOfService                 // not watched, until somebody returns it
)

// States lists all.
var States = []State{Normal, Unacknowledged, Acknowledged, ReturnedUnacknowledged, Shelved, OutOfService}

// String returns the standard's word.
func (s State) String() string {
	return [...]string{
		"normal", "unacknowledged", "acknowledged", "returned to normal unacknowledged", "shelved", "out of service",
	}[s]
}

// Remark is what somebody wrote on a finding.
type Remark struct {
	At   time.Duration // monotonic
	By   string
	Text string
}

// MaxRemarks is how many remarks a finding keeps; the oldest go first.
const MaxRemarks = 8 // count: remarks kept; our choice

// A finding that comes and goes is chattering: ISA-18.2 practice says three times in a minute (from
// memory). The conditions here are slower, so three times in an hour. It then stays until it has
// been over for an hour.
const (
	chatterRaises  = 3         // count: raises that make a finding a chattering one; from memory: ISA-18.2
	chatterWithin  = time.Hour // within which they count; our choice
	chatterRelease = time.Hour // over before a chattering finding clears; our choice
)

// Life is what has become of a finding, as plain values. It is saved as it is.
type Life struct {
	State     State
	Since     time.Duration // of State, monotonic
	Seq       uint64        // of its last change; 0: none yet
	Times     uint32        // how many episodes there were
	Raises    uint32        // how often it was raised, within episodes too
	BeganAt   time.Duration // when the last episode began; has a meaning with Times > 0
	RaisedAt  time.Duration // when it was raised last, within an episode too
	ClearedAt time.Duration // when it cleared last, in the same way

	AckBy     string // who acknowledged it last; empty: nobody since it was raised
	AckAt     time.Duration
	ShelvedBy string
	ShelvedTo time.Duration // end of the shelving
	OutBy     string        // who took it out of service
	Remarks   []Remark
	Evidence  []Evidence // numbers behind it, when it was last seen to hold
	Likely    []Likely   // causes that these point to, most likely first

	Holding     bool // the condition holds
	HeldAt      time.Duration
	Seen        bool          // by the last verdict,
	SeenFrom    time.Duration // and since when without a break
	Unacked     bool          // raised and not acknowledged since
	IsShelved   bool
	IsOut       bool
	Chattering  bool
	Again       bool                         // raised last within an episode
	RaisesAt    [chatterRaises]time.Duration // when it was raised last, newest first
	Waiting     bool                         // the opinion differs from Holding
	WaitingFrom time.Duration
}

// Record is one finding of a unit with its life so far.
type Record struct {
	Def      *Definition
	Subject  string     // battery, link or channel; empty for the whole unit
	Because  *unit.Text // why it can't be judged now; nil when it can
	Progress Progress   // toward that, where it can be counted; has a meaning with Because
	CausedBy int        // index in the book of the finding that explains this one; negative: none
	Life

	hold    time.Duration // the condition must hold this long before it is a finding
	release time.Duration // and be over this long before it clears
}

// NewRecord returns a finding in the normal state, with the time its condition must hold and the
// time it must be over.
func NewRecord(def *Definition, subject string, hold, release time.Duration) Record {
	return Record{
		Def: def, Subject: subject, hold: hold, release: release, CausedBy: -1,
		Life: Life{Evidence: make([]Evidence, 0, MaxEvidence), Likely: make([]Likely, 0, MaxLikely)},
	}
}

// Active reports whether the condition holds, shelved or not.
func (r *Record) Active() bool { return r.Holding }

// Listed reports whether there is something for somebody to see: all states but normal.
func (r *Record) Listed() bool { return r.State != Normal }

// Title returns the headline, with the subject.
func (r *Record) Title() string { return r.Def.TitleOf(r.Subject) }

// Summary returns what is wrong in one sentence, with the subject.
func (r *Record) Summary() string { return r.Def.SummaryOf(r.Subject) }

// Causes returns the likely causes in order: those that the evidence points to first, with the
// reason, then the rest as the definition has them.
func (r *Record) Causes() []Likely {
	out := make([]Likely, 0, len(r.Def.Causes))
	listed := func(cause *unit.Text, in []Likely) bool {
		for _, l := range in {
			if l.Cause == cause {
				return true
			}
		}
		return false
	}
	for _, l := range r.Likely {
		if l.Cause != nil && !listed(l.Cause, out) {
			out = append(out, l)
		}
	}
	for _, c := range r.Def.Causes {
		if !listed(c, out) {
			out = append(out, Likely{Cause: c})
		}
	}
	return out
}

// show replaces the evidence and the causes it points to.
func (r *Record) show(at time.Duration, p *Proof) {
	if p == nil {
		return
	}
	r.Evidence = append(r.Evidence[:0], p.evidence[:p.n]...)
	for i := range r.Evidence {
		r.Evidence[i].At = at
	}
	r.Likely = append(r.Likely[:0], p.likely[:p.m]...)
}

// judge applies one verdict and reports whether the condition began or ended by it. A shelved
// finding, and one out of service, is judged all the same, so that its state is right when it comes
// back.
func (r *Record) judge(at time.Duration, v Verdict) (raised, cleared bool) {
	r.Because = nil
	switch v.Opinion {
	case NotJudged:
		r.Because, r.Progress, r.Waiting, r.Seen = v.Why, v.Seen, false, false
		return false, false
	case Unchanged:
		r.Waiting, r.Seen = false, false
		return false, false
	case Absent:
		r.Seen = false
	case Present:
		r.sees(at, v.Proof)
	}
	if (v.Opinion == Present) == r.Holding {
		r.Waiting = false
		return false, false
	}
	if r.Holding && r.Chattering && at-r.HeldAt < chatterRelease {
		return false, false
	}
	if !r.Waiting {
		r.Waiting, r.WaitingFrom = true, at
	}
	if at-r.WaitingFrom < r.holdTime() {
		return false, false
	}
	r.Waiting, r.Holding = false, v.Opinion == Present
	if r.Holding {
		r.raise(at)
	} else {
		r.Chattering, r.ClearedAt = false, at
	}
	r.updateState(at)
	return r.Holding, !r.Holding
}

// sees takes in that the condition holds at this instant. What does not last is no evidence of it,
// and replaces none: a motor that runs down after an ordinary run looks like one that is stuck.
func (r *Record) sees(at time.Duration, p *Proof) {
	if !r.Seen {
		r.Seen, r.SeenFrom = true, at
	}
	if at-r.SeenFrom >= r.hold {
		r.HeldAt = at
		r.show(at, p)
	}
}

func (r *Record) holdTime() time.Duration {
	if !r.Holding {
		return r.hold
	}
	return r.release
}

// raise begins an episode, or goes on with the last one: who has acknowledged that has seen this.
func (r *Record) raise(at time.Duration) {
	copy(r.RaisesAt[1:], r.RaisesAt[:chatterRaises-1])
	r.RaisesAt[0], r.RaisedAt = at, at
	r.Raises++
	r.Chattering = r.Raises >= chatterRaises && at-r.RaisesAt[chatterRaises-1] <= chatterWithin
	r.Again = r.Times > 0 && r.Def.Episode > 0 && at-r.ClearedAt <= r.Def.Episode
	if r.Again {
		return
	}
	if !r.IsOut {
		r.Unacked = true
	}
	r.AckBy, r.BeganAt = "", at
	r.Times++
}

// updateState brings State in line with the rest.
func (r *Record) updateState(at time.Duration) {
	if s := r.currentState(); s != r.State {
		r.State, r.Since = s, at
	}
}

func (r *Record) currentState() State {
	switch {
	case r.IsOut:
		return OutOfService
	case r.IsShelved:
		return Shelved
	case r.Holding && r.Unacked:
		return Unacknowledged
	case r.Holding:
		return Acknowledged
	case r.Unacked:
		return ReturnedUnacknowledged
	}
	return Normal
}
