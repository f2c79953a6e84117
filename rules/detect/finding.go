// Package detect finds what is wrong with a unit. It has one file a finding with everything of it:
// what is said of it, its limits, what it remembers, what must be there before it can be judged,
// and how it is judged. All lists them.
//
// A detector gets a view of the unit and can change nothing there but its own memory. It says what
// it sees; how long that must hold, who has seen it and what explains it is the business of package
// finding.
package detect

import (
	"fmt"
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// Finding is all there is of one finding. L holds the values of its limits, M what it remembers of
// one subject. Both are plain structs: L is filled before the first look, M is saved as it is.
type Finding[L, M any] struct {
	finding.Definition
	Limits func(*L) []limit.Limit         // each field of L
	Of     []view.Kind                    // what there is a record for, each; nothing: the unit
	On     func(*view.Frame, *L) bool     // whether this unit has it; nil: yes
	Pace   Pace                           // how often it is judged
	Times  func(*L) (hold, release Times) // see Times; nil: at once
	Needs  view.Need                      // without them it is not judged
	Lapse  func(*M)                       // what is forgotten when a need is not met; nil: nothing
	Gap    func(*M)                       // what is forgotten when scans were missed; nil: nothing
	Ends   []Work                         // work after which it has cleared, whatever it remembers
	Renews []Work                         // work after which it only starts to look again
	Sane   func(*M) error                 // refuses a saved memory that can't be
	Judge  func(view.View, *L, *M) finding.Verdict
	// Clean reports at a glance that Judge would find nothing of any subject; nil: it can't be told.
	Clean func(*view.Frame) bool
	// OneCause reports of two subjects whose findings were raised together whether one thing is behind
	// both; nil: never.
	OneCause func(a, b view.Subject, x, y *finding.Record) bool
}

// Times is how long a condition must hold to be raised, or be over to clear.
type Times = time.Duration

// None is for a finding without limits, or without memory.
type None = struct{}

// Pace is how often a finding is judged.
type Pace uint8

// Paces.
const (
	Slow  Pace = iota // every five seconds, when the figures of batteries and links have been worked out
	Swift             // at every scan
	First             // at every scan, before the channels are compared with each other
	paces
)

// Work is work on the unit that makes what was seen before worthless.
type Work uint8

// Kinds of work.
const (
	NewBattery Work = iota + 1 // in the subject's place; in any for a finding about the unit
	Joints                     // opened, cleaned or tightened, or a cable replaced
	RightAh                    // its rated capacity or chemistry was put right,
	RightCCA                   // or its rated CCA or chemistry
	OtherTap                   // the correction of a voltage tap is another
)

// Kind is any finding, whatever its limits and its memory.
type Kind interface {
	About() *finding.Definition
	atWork() (*finding.Definition, []view.Kind, plain, kept)
}

// About returns what is said of the finding.
func (k *Finding[L, M]) About() *finding.Definition { return &k.Definition }

// Declare returns a finding's limits at their defaults.
func Declare(k Kind) []limit.Limit {
	def, _, _, kept := k.atWork()
	set := kept.limits()
	if err := limit.Apply(set, nil); err != nil {
		panic("bug: detect: " + def.Name + ": " + err.Error())
	}
	return set
}

func (k *Finding[L, M]) limits(l *L) []limit.Limit {
	if k.Limits == nil {
		return nil
	}
	return k.Limits(l)
}

// Verdicts without evidence.
var (
	absent    = finding.Verdict{Opinion: finding.Absent}
	unchanged = finding.Verdict{Opinion: finding.Unchanged}
)

func after(hold, release time.Duration) func(*None) (Times, Times) {
	return func(*None) (Times, Times) { return hold, release }
}

// cause makes the text of a cause; its ID begins with the finding's name.
func cause(id, english string) *unit.Text { return unit.Says(id, english) }

// why makes the text of a reason: why a cause is likely, or why something can't be judged.
func why(id, english string) *unit.Text { return unit.Says("why."+id, english) }

// word makes the text of evidence that is no number.
func word(id, english string) *unit.Text { return unit.Says("word."+id, english) }

// sameEpisode is for findings that come and go with the drives or the heat of the day: one episode, not
// one a day. ISA-18.2 has an off-delay against alarms that come again.
const sameEpisode = 26 * time.Hour // a day and two hours; our choice

const day = 24 * time.Hour // a day; physical

func days(d time.Duration) float64 { return d.Hours() / 24 }

// Labels and words that more than one finding uses.
var (
	bankCurrent      = finding.NewLabel("bank-current", "bank current", "A")
	charge           = finding.NewLabel("charge", "state of charge", "%")
	chargeIs         = finding.NewLabel("charge-is", "state of charge", "")
	currentIn        = finding.NewLabel("current-in", "current into the bank", "A")
	currentOut       = finding.NewLabel("current-out", "current out of the bank", "A")
	feedVoltage      = finding.NewLabel("feed-voltage", "feed voltage", "V")
	limitMohm        = finding.NewLabel("limit-mohm", "limit", "mΩ")
	limitV           = finding.NewLabel("limit-v", "limit", "V")
	limitC           = finding.NewLabel("limit-c", "limit", "°C")
	resistance       = finding.NewLabel("resistance", "resistance", "mΩ")
	restFor          = finding.NewLabel("rest-for", "at rest for", "h")
	restedV          = finding.NewLabel("rested-v", "rested voltage at 25 °C", "V")
	sigmaA           = finding.NewLabel("sigma-a", "standard uncertainty", "A")
	sigmaMohm        = finding.NewLabel("sigma-mohm", "standard uncertainty", "mΩ")
	sigmaPct         = finding.NewLabel("sigma-pct", "standard uncertainty", "%")
	sigmaV           = finding.NewLabel("sigma-v", "standard uncertainty", "V")
	temperature      = finding.NewLabel("temperature", "temperature", "°C")
	terminal         = finding.NewLabel("motor-terminal", "motor terminal", "V")
	thresholdV       = finding.NewLabel("threshold-v", "threshold", "V")
	off              = word("off", "off")
	on               = word("on", "on")
	notKnown         = word("not-known", "not known")
	noTemp           = why("no-temperature", "no temperature can be read")
	noVoltage        = why("no-voltage", "no voltage can be read")
	notFull          = why("not-full", "the bank has not been full for days")
	feedUnread       = why("feed-unread", "neither feed voltage nor bank current can be read well enough")
	overloaded       = why("overloaded", "the motor was overloaded before")
	closedDisconnect = why("disconnect-closed", "the disconnect is closed")
)

// within refuses a saved figure outside what can be.
func within(what string, v, low, high float64) error {
	if !(v >= low && v <= high) {
		return fmt.Errorf("%s: %g: want %g to %g", what, v, low, high)
	}
	return nil
}
