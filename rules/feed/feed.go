// Package feed tells what the charger's side does, from its voltage ahead of the charge breaker,
// the current into the bank and the wake line.
//
// With the breaker closed the bank's own voltage stands on the feed's terminals, so voltage alone
// proves a feed only above what a bank shows by itself.
package feed

import (
	"time"

	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// Status says what the feed does.
type Status uint8

// Feed states.
const (
	Unknown Status = iota // not enough sensors to tell
	Off                   // wake line off, no feed
	Awaited               // wake line on, converter not up yet, within its allowance
	Present               // voltage above what a bank shows by itself, or current into the bank
	Missing               // wake line on, and neither voltage nor current for longer than the allowance
	Unasked               // feed present although the wake line is off
)

// String returns the code of the state.
func (s Status) String() string {
	return [...]string{"unknown", "off", "starting", "present", "missing", "unrequested"}[s]
}

// On reports whether a feed is present, requested or not.
func (s Status) On() bool { return s == Present || s == Unasked }

// Settings of the judge.
type Settings struct {
	Allowance time.Duration // the converter may take this long to come up after the wake line
	PresentV  float64       // at 25 °C: a feed voltage above it is a charger's
	PresentA  float64       // a current into the bank of this size comes from a feed
}

// Input is what the judge looks at in one scan.
type Input struct {
	At       time.Duration // monotonic
	FeedV    unit.Reading
	CurrentA unit.Reading // into the bank
	BankV    unit.Reading // at the posts, the highest
	TempC    unit.Reading // of the bank; not usable: 25 °C
	WakeLine unit.Contact
	MotorOn  bool // the motor pulls the voltage down: nothing is judged
}

// Judge follows the feed. It is not safe for concurrent use.
type Judge struct {
	set   Settings
	state State
}

const (
	// LongestGap is the longest time between two readings over which nothing is taken to have
	// changed: a short power cut is not the end of a charge.
	LongestGap = 20 * time.Minute // between readings; our choice

	smoothing = 3 * time.Second // of the current: seconds of noise must not read as a feed; our choice

	unaskedV = 13.9 // V: no bank keeps it by itself, and every absorption setting is higher; our choice

	// A charger's voltage this far above the bank's, while no current flows, does not arrive: a
	// breaker or lead is open. It is three times what two taps of 0.5 % and their offsets can
	// differ by.
	openV = 0.3 // V: feed above bank; our choice
)

// New returns a judge that has seen nothing.
func New(set Settings) *Judge { return &Judge{set: set} }

// Step applies one scan and returns the state after it.
func (j *Judge) Step(in *Input) Status {
	s := &j.state
	dt := in.At - s.Last
	afresh := !s.Begun || dt > LongestGap // what the feed did meanwhile is not known
	if afresh {
		dt, s.HaveA = 0, false
	}
	s.Last, s.Begun = in.At, true
	if s.Wake {
		s.WakeTime += dt
	}
	if s.Status.On() {
		s.FeedTime += dt
	}
	wake, wakeOK := wakeOf(in)
	if wakeOK && (wake != s.Wake || afresh) {
		s.Wake, s.WakeAt = wake, in.At
	}
	if in.MotorOn {
		s.HaveA = false
		return s.Status
	}
	s.smooth(in.CurrentA, dt)
	if next := j.judge(in); next != s.Status {
		s.Status, s.Since = next, in.At
	}
	return s.Status
}

func wakeOf(in *Input) (on, ok bool) {
	return in.WakeLine == unit.ContactOn, in.WakeLine == unit.ContactOn || in.WakeLine == unit.ContactOff
}

func (s *State) smooth(current unit.Reading, dt time.Duration) {
	switch {
	case !current.OK():
		s.HaveA = false
	case !s.HaveA:
		s.SmoothA, s.HaveA = current.Value, true
	default:
		x := float64(dt) / float64(smoothing)
		s.SmoothA += (current.Value - s.SmoothA) * x / (1 + x)
	}
}

func (j *Judge) judge(in *Input) Status {
	s := &j.state
	limit := j.set.PresentV
	if in.TempC.OK() { // in the cold no charger may be compensated: only heat lowers the limit
		limit = leadacid.ChargeLimitV(limit, max(in.TempC.Value, leadacid.ReferenceC))
	}
	held := in.BankV.OK() && in.BankV.Value >= limit // whatever the feed's own channel says
	highV := held || in.FeedV.OK() && in.FeedV.Value >= limit
	open := in.BankV.OK() && in.FeedV.Value > in.BankV.Value+openV && s.HaveA && s.SmoothA < j.set.PresentA
	if highV && !held && open {
		highV = false
	}
	wake, wakeOK := wakeOf(in)
	if wakeOK && !wake {
		// Nothing requests a feed. What a bank shows by itself after a charge must not count as
		// one.
		highV = in.FeedV.OK() && in.FeedV.Value >= unaskedV
	}
	flows := s.HaveA && s.SmoothA >= j.set.PresentA
	present := highV || flows
	switch {
	case present && wakeOK && !wake:
		return Unasked
	case present:
		return Present
	case !in.FeedV.OK():
		return Unknown // a full bank takes too little to tell the feed by current alone
	case !wakeOK || !wake:
		return Off
	case in.At-s.WakeAt < j.set.Allowance:
		return Awaited
	}
	return Missing
}

// Status returns the state and since when it has held.
func (j *Judge) Status() (Status, time.Duration) { return j.state.Status, j.state.Since }

// WakeTime returns the total time with the wake line on.
func (j *Judge) WakeTime() time.Duration { return j.state.WakeTime }

// FeedTime returns the total time with a feed present.
func (j *Judge) FeedTime() time.Duration { return j.state.FeedTime }
