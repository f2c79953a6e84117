// Package fit is the commissioning of a board, step by step: what somebody is to do and to type, what
// the channels and contacts show meanwhile, and what follows from all of it. It finds wires that are
// swapped, sensors that are reversed or wrongly scaled, and contacts that are inverted; it changes only
// what the steps prove, and names the rest to be checked by hand.
//
// It is pure: frames of readings and typed answers go in, texts and changes come out. Whatever shows
// it, a terminal or a page, does the rest. What has been done is [State], which can be stored after
// each step and taken up again.
package fit

import (
	"time"

	"liftbank/agent/calibrate"
)

// Level is the state of a contact.
type Level uint8

// Levels.
const (
	Unknown Level = iota
	Off
	On
)

// String returns the level in a word.
func (l Level) String() string { return [...]string{"unknown", "off", "on"}[min(l, On)] }

// Reading is what a channel shows.
type Reading struct {
	Value float64
	// Fault is why there is no value; empty: there is one. A value beyond the channel's possible range is
	// one here: a wrong scale gives such.
	Fault string
	Lost  bool // the chip lost its settings, or did not answer
}

// Frame is one look at the board.
type Frame struct {
	At       time.Duration
	Readings []Reading // by channel of the configuration
	Contacts []Level   // by contact
}

// State is what has been done. Stored as JSON, it is taken up again by a session of the same
// configuration.
type State struct {
	Unit    string              `json:"unit"`
	Config  string              `json:"config_sha256"`          // of the configuration that was read
	After   string              `json:"after_sha256,omitempty"` // of the one that was about to be written
	By      string              `json:"by"`
	Begun   time.Time           `json:"begun"`
	Records map[string][]Record `json:"records"` // by step, the last one counts
	Trouble []Trouble           `json:"trouble,omitempty"`
	Ended   bool                `json:"ended,omitempty"` // a record was written of it: nothing is left to take up
}

// Later returns which of two states of a unit is the later one: of a fitting that was begun later, or with
// more done. Either may be nil.
func Later(a, b *State) *State {
	switch {
	case a == nil:
		return b
	case b == nil:
		return a
	case !a.Begun.Equal(b.Begun):
		if a.Begun.After(b.Begun) {
			return a
		}
		return b
	case a.Ended != b.Ended:
		if a.Ended {
			return a
		}
		return b
	case b.Done() > a.Done():
		return b
	}
	return a
}

// Done returns how often a step was done or skipped.
func (s *State) Done() (n int) {
	for _, all := range s.Records {
		n += len(all)
	}
	return n
}

// Standing is what a state that was found is good for.
type Standing uint8

// Standings.
const (
	Nothing Standing = iota // nothing was begun, or it ended
	GoesOn
	Written // it had changed the configuration when it was interrupted
	Foreign // the configuration was changed since by somebody else
)

// Stands returns what a state is good for, which may be nil, with the configuration as it is now.
func (s *State) Stands(hash string) Standing {
	switch {
	case s == nil || s.Ended || s.Config == "":
		return Nothing
	case s.Config == hash:
		return GoesOn
	case s.After == hash:
		return Written
	}
	return Foreign
}

// Trouble is what went wrong with the board itself in a step.
type Trouble struct {
	Step  string   `json:"step"`
	Text  string   `json:"text"`
	Chips []Silent `json:"chips,omitempty"`
}

const mostTrouble = 50 // that is kept

func (s *State) note(step string, chips []Silent) {
	if len(s.Trouble) < mostTrouble {
		s.Trouble = append(s.Trouble, Trouble{step, sayVoid(chips).String(), chips})
	}
}

// Record is a step that was done, or skipped.
type Record struct {
	At      time.Time     `json:"at"`
	Skipped bool          `json:"skipped,omitempty"`
	Why     string        `json:"why,omitempty"` // it was skipped
	Typed   []TypedFigure `json:"typed,omitempty"`
	Before  []Seen        `json:"before,omitempty"` // by channel; of a run, just before it
	Shown   []Seen        `json:"shown,omitempty"`  // by channel
	RunS    float64       `json:"run_s,omitempty"`
	// Levels of the contacts before and while, by contact. A contact that was both is unknown.
	LevelsBefore []string `json:"levels_before,omitempty"`
	Levels       []string `json:"levels,omitempty"`
}

// Typed is what was typed in a step.
type Typed []TypedFigure

// TypedFigure is one figure that was typed.
type TypedFigure struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
	Half  float64 `json:"half_digit"` // half of the last digit typed; 0: not typed, the usual
}

// Of returns a figure by its name; ok is false if it was left out.
func (t Typed) Of(name string) (value float64, ok bool) {
	for _, f := range t {
		if f.Name == name {
			return f.Value, true
		}
	}
	return 0, false
}

func (t Typed) value(name string) float64 { v, _ := t.Of(name); return v }

func (t Typed) half(name string) float64 {
	for _, f := range t {
		if f.Name == name {
			return f.Half
		}
	}
	return 0
}

// Seen is what a channel showed over a span.
type Seen struct {
	calibrate.Mean
	OK    bool   `json:"ok"`
	Fault string `json:"fault,omitempty"`
}

// last returns the record of a step that counts: done, not skipped.
func (s *State) last(step string) (Record, bool) {
	all := s.Records[step]
	if len(all) == 0 || all[len(all)-1].Skipped {
		return Record{}, false
	}
	return all[len(all)-1], true
}

// touched reports whether a step was done or skipped.
func (s *State) touched(step string) bool { return len(s.Records[step]) > 0 }
