// Package finding holds the catalogue of findings and the life of one: a named condition with its evidence, the likely causes in
// order, the next check and what clears it.
//
// The words for its life are those of the alarm life cycle of ISA-18.2 / IEC 62682. The catalogue has one file a finding.
package finding

import "time"

// Severity says how soon somebody must act.
type Severity uint8

// Severities.
const (
	Note    Severity = iota + 1 // worth knowing on the next visit
	Service                     // put right on the next visit
	Urgent                      // do not wait for one
)

// String gives the word used everywhere.
func (s Severity) String() string { return [...]string{"", "note", "service", "urgent"}[s] }

// State is where a finding stands in its life.
type State uint8

// States of ISA-18.2 / IEC 62682 that a finding passes by itself. Until somebody can acknowledge, a condition that is over
// returns to normal at once.
const (
	Normal State = iota
	Unacknowledged
)

// String gives the standard's word.
func (s State) String() string { return [...]string{"normal", "unacknowledged"}[s] }

// Definition is what is fixed about a finding.
type Definition struct {
	Name      string
	Severity  Severity
	Summary   string   // one line: what is wrong
	Detected  string   // how it is told
	Causes    []string // likely causes, most likely first
	NextCheck string   // what to check next, in a technician's words
	Clears    string   // what clears it
}

// Opinion is what one scan says of a condition.
type Opinion uint8

// Opinions. The zero value takes no side.
const (
	Between   Opinion = iota // no evidence now, or inside the hysteresis: as it was
	Absent                   // the condition does not hold
	Present                  // it holds
	NotJudged                // a sensor it depends on is missing or faulty
)

// MaxEvidence is the most numbers a finding carries.
const MaxEvidence = 4

// Evidence is one number behind a finding.
type Evidence struct {
	What  string
	Value float64
	Unit  string
	Text  string // in place of a number
	At    time.Duration
}

// Record is one finding of a unit with its life so far.
type Record struct {
	Def     *Definition
	Subject string // battery or channel; empty for the whole unit
	State   State
	Since   time.Duration // of State, monotonic
	Because string        // why it can't be judged now; empty when it can

	evidence [MaxEvidence]Evidence
	n        int
	hold     time.Duration // the condition must hold this long before it is a finding
	release  time.Duration // and be over this long before it is not
	pending  time.Duration // since when the opinion differs from State
	waiting  bool
}

// NewRecord gives a finding in the normal state, with the time its condition must hold and the time it must be over.
func NewRecord(def *Definition, subject string, hold, release time.Duration) Record {
	return Record{Def: def, Subject: subject, hold: hold, release: release}
}

// Active reports whether the finding stands.
func (r *Record) Active() bool { return r.State != Normal }

// Evidence gives the numbers behind the finding; the slice belongs to the record.
func (r *Record) Evidence() []Evidence { return r.evidence[:r.n] }

// Show replaces the evidence. More than MaxEvidence is cut.
func (r *Record) Show(e ...Evidence) { r.n = copy(r.evidence[:], e) }

// Judge takes one opinion in and reports whether the finding was raised or cleared by it.
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
	if (o == Present) == r.Active() {
		r.waiting = false
		return false, false
	}
	if !r.waiting {
		r.waiting, r.pending = true, at
	}
	if need := r.need(); at-r.pending < need {
		return false, false
	}
	r.waiting, r.Since = false, at
	if o == Present {
		r.State = Unacknowledged
		return true, false
	}
	r.State = Normal
	return false, true
}

func (r *Record) need() time.Duration {
	if r.Active() {
		return r.release
	}
	return r.hold
}
