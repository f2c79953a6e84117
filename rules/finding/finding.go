// Package finding holds the catalogue of findings and the life of one: a named condition with its evidence, the likely causes in
// order, the next check and what clears it.
//
// The words for its life are those of the alarm life cycle of ISA-18.2 / IEC 62682. The catalogue has one file a finding. A Record
// is one finding of one unit; a Book holds all of a unit's, numbers every change and keeps a flood of them from burying the one that
// matters. Nothing here knows the time or who acts: both are handed in.
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

// Definition is what is fixed about a finding. It is the one source of what the page, `liftbank explain` and the reports say of it.
type Definition struct {
	Name       string
	Severity   Severity
	Summary    string   // one line: what is wrong
	Detected   string   // how it is told
	Causes     []string // likely causes, most likely first where the evidence says nothing
	NextCheck  string   // what to check next, in a technician's words
	Clears     string   // what clears it
	Hysteresis string   // what keeps it from flickering
	Bound      string   // within what time, or how many runs, it is raised
	Settings   []string // fields of the configuration that hold its limits, with their sources
	Under      []string // findings that explain this one: it is then shown under them
	Own        bool     // of those about a battery, only its own explain it
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

// MaxEvidence is the most numbers a finding carries, MaxLikely the most causes that the evidence puts first.
const (
	MaxEvidence = 6
	MaxLikely   = 3
)

// Evidence is one number behind a finding.
type Evidence struct {
	What  string
	Value float64
	Unit  string
	Text  string // in place of a number
	At    time.Duration
}

// Likely is a cause that the evidence points to, with the reason in words.
type Likely struct {
	Cause  int // index into Definition.Causes
	Reason string
}
