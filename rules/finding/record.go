package finding

import "time"

// State is where a finding stands in its life.
type State uint8

// States of the alarm life cycle of ISA-18.2 / IEC 62682. Suppression by design is not a state here: a finding that another one
// explains keeps its own state and says which (Record.CausedBy).
const (
	Normal                 State = iota
	Unacknowledged               // the condition holds, nobody has seen it
	Acknowledged                 // it holds, somebody has
	ReturnedUnacknowledged       // it is over, nobody has seen that it was
	Shelved                      // put aside by somebody, until a set end
	OutOfService                 // not watched, until somebody returns it
)

// String gives the standard's word.
func (s State) String() string {
	return [...]string{"normal", "unacknowledged", "acknowledged", "returned to normal unacknowledged", "shelved", "out of service"}[s]
}

// Remark is what somebody wrote to a finding.
type Remark struct {
	At   time.Duration // monotonic
	By   string
	Text string
}

// MaxRemarks is how many remarks a finding keeps; the oldest go first.
const MaxRemarks = 8

// Record is one finding of a unit with its life so far.
type Record struct {
	Def      *Definition
	Subject  string // battery, link or channel; empty for the whole unit
	State    State
	Since    time.Duration // of State, monotonic
	Because  string        // why it can't be judged now; empty when it can
	CausedBy int           // index in the unit's list of the finding that explains this one; negative: none
	Seq      uint64        // of its last change; 0: none yet
	Times    uint32        // how often it was raised
	RaisedAt time.Duration // when it was raised last; meaningful with Times > 0
	OverAt   time.Duration // when it was over last, in the same way

	AckBy      string // who acknowledged it last; empty: nobody since it was raised
	AckAt      time.Duration
	ShelvedBy  string
	ShelvedTo  time.Duration // end of the shelving
	OutBy      string        // who took it out of service
	Remarks    []Remark
	evidence   [MaxEvidence]Evidence
	likely     [MaxLikely]Likely
	n, nLikely int

	hold    time.Duration // the condition must hold this long before it is a finding
	release time.Duration // and be over this long before it is not
	pending time.Duration // since when the opinion differs from holds
	waiting bool
	holds   bool
	owed    bool // raised and not acknowledged since
	shelved bool
	out     bool
	raises  [chatterRaises]time.Duration // when it was raised last, newest first
	chatter bool
	heldAt  time.Duration // when the condition was last seen to hold
}

// A finding that comes and goes is chattering: ISA-18.2 practice says three times in a minute (from memory); the conditions here are
// slower, so three times in an hour. It then stays until it has been over for an hour.
const (
	chatterRaises  = 3
	chatterWithin  = time.Hour
	chatterRelease = time.Hour
)

// NewRecord gives a finding in the normal state, with the time its condition must hold and the time it must be over.
func NewRecord(def *Definition, subject string, hold, release time.Duration) Record {
	return Record{Def: def, Subject: subject, hold: hold, release: release, CausedBy: -1}
}

// Active reports whether the condition holds, shelved or not.
func (r *Record) Active() bool { return r.holds }

// Listed reports whether there is something for somebody to see: all states but normal.
func (r *Record) Listed() bool { return r.State != Normal }

// Evidence gives the numbers behind the finding; the slice belongs to the record.
func (r *Record) Evidence() []Evidence { return r.evidence[:r.n] }

// Show replaces the evidence. More than MaxEvidence is cut.
func (r *Record) Show(e ...Evidence) { r.n = copy(r.evidence[:], e) }

// Suspect says which causes the evidence points to, most likely first. More than MaxLikely is cut; none leaves the catalogue's order.
func (r *Record) Suspect(l ...Likely) { r.nLikely = copy(r.likely[:], l) }

// Likely gives what Suspect was told; the slice belongs to the record.
func (r *Record) Likely() []Likely { return r.likely[:r.nLikely] }

// Causes gives the likely causes in order, those that the evidence points to first, each with the reason in brackets.
func (r *Record) Causes() []string {
	var out []string
	said := make([]bool, len(r.Def.Causes))
	for _, l := range r.Likely() {
		if l.Cause < 0 || l.Cause >= len(said) || said[l.Cause] {
			continue
		}
		said[l.Cause] = true
		out = append(out, r.Def.Causes[l.Cause]+" ("+l.Reason+")")
	}
	for i, c := range r.Def.Causes {
		if !said[i] {
			out = append(out, c)
		}
	}
	return out
}

// Judge takes one opinion in and reports whether the condition began or ended by it. A shelved finding, and one out of service, is
// judged on, so that its state is right when it comes back.
func (r *Record) Judge(at time.Duration, o Opinion, because string) (raised, cleared bool) {
	r.Because = ""
	switch o {
	case NotJudged:
		r.Because, r.waiting = because, false
		return false, false
	case Between:
		r.waiting = false
		return false, false
	}
	if o == Present {
		r.heldAt = at
	}
	if (o == Present) == r.holds {
		r.waiting = false
		return false, false
	}
	if r.holds && r.chatter && at-r.heldAt < chatterRelease {
		return false, false
	}
	if !r.waiting {
		r.waiting, r.pending = true, at
	}
	if need := r.need(); at-r.pending < need {
		return false, false
	}
	r.waiting, r.holds = false, o == Present
	if r.holds {
		r.raise(at)
	} else {
		r.chatter, r.OverAt = false, at
	}
	r.settle(at)
	return r.holds, !r.holds
}

func (r *Record) need() time.Duration {
	if !r.holds {
		return r.hold
	}
	return r.release
}

func (r *Record) raise(at time.Duration) {
	if !r.out {
		r.owed = true
	}
	r.AckBy = ""
	copy(r.raises[1:], r.raises[:chatterRaises-1])
	r.raises[0], r.RaisedAt = at, at
	r.Times++
	r.chatter = r.Times >= chatterRaises && at-r.raises[chatterRaises-1] <= chatterWithin
}

// settle brings State in line with the rest.
func (r *Record) settle(at time.Duration) {
	s := r.place()
	if s != r.State {
		r.State, r.Since = s, at
	}
}

func (r *Record) place() State {
	switch {
	case r.out:
		return OutOfService
	case r.shelved:
		return Shelved
	case r.holds && r.owed:
		return Unacknowledged
	case r.holds:
		return Acknowledged
	case r.owed:
		return ReturnedUnacknowledged
	}
	return Normal
}
