package finding

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"liftbank/rules/unit"
)

// MaxEvidence is how many numbers a finding carries, MaxLikely how many causes the evidence puts
// first.
const (
	MaxEvidence = 8 // count: numbers; our choice
	MaxLikely   = 3 // count: causes; our choice
)

// Label names one number of the evidence, with its unit. Labels are package variables, made by
// NewLabel.
type Label struct {
	*unit.Text
	Unit string
}

// NewLabel makes a label whose ID is its own.
func NewLabel(id, english, unitWord string) Label {
	return Label{Text: unit.Says("evidence."+id, english), Unit: unitWord}
}

// Is returns the evidence that the labeled figure is x.
func (l *Label) Is(x float64) Evidence {
	return Evidence{What: l.Text, Unit: l.Unit, Value: x + 0} // -0 A out of the bank is 0 A
}

// Reads returns the evidence that the labeled figure is what a channel reads; none where it reads
// nothing.
func (l *Label) Reads(r unit.Reading) Evidence {
	if !r.Shown() {
		return Evidence{}
	}
	return l.Is(r.Value)
}

// Says returns the evidence that words stand in place of a number.
func (l *Label) Says(words *unit.Text) Evidence { return Evidence{What: l.Text, Words: words} }

// Names returns the evidence that the label is about a battery of this ID.
func (l *Label) Names(battery string) Evidence { return Evidence{What: l.Text, Name: battery} }

// Evidence is one number behind a finding, or words or a battery's ID in place of a number.
type Evidence struct {
	What  *unit.Text
	Value float64
	Unit  string
	Words *unit.Text
	Name  string
	At    time.Duration
}

// Text returns what stands in place of a number, in English; empty where there is a number.
func (e *Evidence) Text() string {
	if e.Name != "" {
		return e.Name
	}
	return e.Words.Said()
}

// evidenceState is evidence as it is saved.
type evidenceState struct {
	What  unit.Saved
	Value float64    `json:",omitempty"`
	Unit  string     `json:",omitempty"`
	Words unit.Saved `json:",omitzero"`
	Name  string     `json:",omitempty"`
	At    time.Duration
}

// MarshalJSON writes evidence for a saved state.
func (e Evidence) MarshalJSON() ([]byte, error) {
	return json.Marshal(evidenceState{unit.Saved{Text: e.What}, e.Value, e.Unit, unit.Saved{Text: e.Words}, e.Name, e.At})
}

// UnmarshalJSON reads it back.
func (e *Evidence) UnmarshalJSON(data []byte) error {
	var s evidenceState
	if err := json.Unmarshal(data, &s); err != nil {
		return fmt.Errorf("evidence: %w", err)
	}
	*e = Evidence{s.What.Text, s.Value, s.Unit, s.Words.Text, s.Name, s.At}
	return nil
}

func (e *Evidence) sane() bool { return !math.IsNaN(e.Value) && !math.IsInf(e.Value, 0) }

// Likely is a cause that the evidence points to, with the reason; a cause without one has none.
type Likely struct{ Cause, Reason *unit.Text }

// likelyState is a likely cause as it is saved.
type likelyState struct{ Cause, Reason unit.Saved }

// MarshalJSON writes a likely cause for a saved state.
func (l Likely) MarshalJSON() ([]byte, error) {
	return json.Marshal(likelyState{unit.Saved{Text: l.Cause}, unit.Saved{Text: l.Reason}})
}

// UnmarshalJSON reads it back.
func (l *Likely) UnmarshalJSON(data []byte) error {
	var s likelyState
	if err := json.Unmarshal(data, &s); err != nil {
		return fmt.Errorf("likely cause: %w", err)
	}
	*l = Likely{s.Cause.Text, s.Reason.Text}
	return nil
}

// Proof is the evidence behind one verdict and the causes it points to. A detector writes into the
// one of its view, so that a verdict takes no memory of its own.
type Proof struct {
	evidence [MaxEvidence]Evidence
	likely   [MaxLikely]Likely
	n, m     int
}

// Verdict is what a detector says of its condition in one scan.
type Verdict struct {
	Opinion Opinion
	Why     *unit.Text // of NotJudged
	Seen    Progress   // of NotJudged, where what it waits for can be counted
	Proof   *Proof     // of Present; valid until the next verdict
}

// Holds returns the verdict that the condition holds, with at most MaxEvidence numbers behind it.
func (p *Proof) Holds(e ...Evidence) Verdict {
	p.n, p.m = 0, 0
	for i := range e {
		if e[i].What != nil && p.n < MaxEvidence {
			p.evidence[p.n] = e[i]
			p.n++
		}
	}
	return Verdict{Opinion: Present, Proof: p}
}

// Suspect adds a cause that the evidence points to, at most MaxLikely, most likely first.
func (v Verdict) Suspect(cause, reason *unit.Text) Verdict {
	if p := v.Proof; p.m < MaxLikely {
		p.likely[p.m] = Likely{cause, reason}
		p.m++
	}
	return v
}

// Progress is how many of what a judgment waits for there are, such as 12 of 20 runs. The zero value
// counts nothing.
type Progress struct{ Have, Want uint16 }

// Having adds to a verdict how many there are of what it waits for.
func (v Verdict) Having(have, want int) Verdict {
	v.Seen = Progress{uint16(min(max(have, 0), want)), uint16(want)}
	return v
}

// Unjudged returns the verdict that the condition can't be judged, and why.
func Unjudged(why *unit.Text) Verdict { return Verdict{Opinion: NotJudged, Why: why} }
