// Package feed tells what the charger's side does, from its voltage ahead of the charge breaker, the current into the bank and
// the wake line.
//
// With the breaker closed the bank's own voltage stands on the feed's terminals, so voltage alone proves a feed only above
// what a bank shows by itself.
package feed

import "time"

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

// String gives the state in words.
func (s Status) String() string {
	return [...]string{"unknown", "off", "awaited", "present", "missing", "unasked"}[s]
}

// Settings of the judge.
type Settings struct {
	Allowance time.Duration // the converter may take this long to come up after the wake line
	PresentV  float64       // the feed's voltage at 25 °C above which it must be a charger's (13.3: every float setting published is higher, at 25 °C)
	PresentA  float64       // current into the bank that must come from a feed (1 A: five times a ±200 A sensor's zero error)
}

// Reading is one scan as the judge needs it.
type Reading struct {
	At        time.Duration // monotonic
	FeedV     float64
	FeedOK    bool
	CurrentA  float64 // into the bank
	CurrentOK bool
	BankV     float64 // at the posts, the highest
	BankOK    bool
	TempC     float64 // 25 when not known
	Wake      bool
	WakeOK    bool
	MotorOn   bool // the motor pulls the bus down: nothing is judged
}

// Judge follows the feed. It is not safe for concurrent use.
type Judge struct {
	set      Settings
	status   Status
	since    time.Duration
	last     time.Duration
	wakeAt   time.Duration
	wake     bool
	begun    bool
	smoothA  float64
	haveA    bool
	wakeTime time.Duration
	feedTime time.Duration
}

// smoothing of the current: seconds of noise must not read as a feed.
const smoothing = 3 * time.Second

// LongestGap is between readings over which what was so is taken to have stayed so. Our choice: a short cut of the power is not the end of a charge.
const LongestGap = 20 * time.Minute

// New gives a judge that has seen nothing.
func New(set Settings) *Judge { return &Judge{set: set} }

// Step takes one reading in.
func (j *Judge) Step(r Reading) Status {
	dt := r.At - j.last
	anew := !j.begun || dt > LongestGap // nobody knows what the feed did meanwhile
	if anew {
		dt, j.haveA = 0, false
	}
	j.last, j.begun = r.At, true
	if j.wake {
		j.wakeTime += dt
	}
	if j.status == Present || j.status == Unasked {
		j.feedTime += dt
	}
	if r.WakeOK && (r.Wake != j.wake || anew) {
		j.wake, j.wakeAt = r.Wake, r.At
	}
	if r.MotorOn {
		j.haveA = false
		return j.status
	}
	j.smooth(r, dt)
	next := j.judge(r)
	if next != j.status {
		j.status, j.since = next, r.At
	}
	return j.status
}

func (j *Judge) smooth(r Reading, dt time.Duration) {
	if !r.CurrentOK {
		j.haveA = false
		return
	}
	if !j.haveA {
		j.smoothA, j.haveA = r.CurrentA, true
		return
	}
	x := float64(dt) / float64(smoothing)
	j.smoothA += (r.CurrentA - j.smoothA) * x / (1 + x)
}

// unaskedV is above what any bank keeps for long by itself, and under every published absorption voltage.
const unaskedV = 13.9

// compensationVPerC is the usual temperature compensation of charge voltages, -3 mV per °C and cell (published float settings).
const compensationVPerC = -6 * 0.003

// openV is by how much a charger's voltage may stand over the bank's while no current flows, before it is one that does not arrive: an
// open breaker or lead. Our choice: three times what two taps of 0.5 % and their offsets may differ by.
const openV = 0.3

func (j *Judge) judge(r Reading) Status {
	limit := j.set.PresentV + compensationVPerC*(max(r.TempC, 25)-25)
	held := r.BankOK && r.BankV >= limit // whatever the feed's own channel says
	highV := held || r.FeedOK && r.FeedV >= limit
	if highV && !held && r.BankOK && r.FeedV > r.BankV+openV && j.haveA && j.smoothA < j.set.PresentA {
		highV = false
	}
	if r.WakeOK && !r.Wake {
		// Nobody asks for a feed. What a bank shows by itself after a charge must not be taken for one.
		highV = r.FeedOK && r.FeedV >= unaskedV
	}
	flows := j.haveA && j.smoothA >= j.set.PresentA
	present := highV || flows
	switch {
	case present && r.WakeOK && !r.Wake:
		return Unasked
	case present:
		return Present
	case !r.FeedOK && !r.CurrentOK:
		return Unknown
	case !r.FeedOK:
		return Unknown // a full bank takes too little to tell the feed by current alone
	case !r.WakeOK:
		return Off
	case !r.Wake:
		return Off
	case r.At-j.wakeAt < j.set.Allowance:
		return Awaited
	}
	return Missing
}

// Status gives the state and since when.
func (j *Judge) Status() (Status, time.Duration) { return j.status, j.since }

// WakeTime sums the time with the wake line on, FeedTime that with the feed present.
func (j *Judge) WakeTime() time.Duration { return j.wakeTime }

// FeedTime: see WakeTime.
func (j *Judge) FeedTime() time.Duration { return j.feedTime }
