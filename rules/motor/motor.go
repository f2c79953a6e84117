// Package motor counts and measures the runs of the pump motor.
//
// A run is detected from the contactor coil where that is wired, otherwise from the bank's current
// alone. On the coil every command counts, however short, unless the current was read during it and
// stayed away. From current alone a run counts when two readings show the motor running.
package motor

import (
	"time"

	"liftbank/rules/unit"
)

// Settings of the detector.
type Settings struct {
	MinA      float64 // least bank discharge of a running motor, A; > 0
	CycleRuns int     // runs that make a lift cycle; > 0
}

// Input is what the detector looks at in one scan.
type Input struct {
	At        time.Duration // monotonic
	CurrentA  unit.Reading  // into the bank; a running motor makes it negative
	VoltageV  unit.Reading  // of the bank
	Energized bool          // a feed helps to carry the motor, and the bank's voltage is at its terminal
	Command   unit.Contact  // the contactor's coil
}

// Run is one finished motor run.
type Run struct {
	Number    uint64
	Start     time.Duration
	Duration  time.Duration
	ByCommand bool
	PeakA     float64 // largest bank discharge, positive; 0 when not read
	MeanA     float64 // over the run, by time
	MinBankV  float64 // 0 when not read
	DrawnAh   float64
}

// A run seen by current alone is one as long as it is read often enough: of readings that are
// further apart than blind nobody knows whether the motor ran between them. It has ended when the
// current has been below offShare of MinA for offHold: a bouncing contactor or the ringing of an
// inrush is not a second run.
const (
	offShare = 0.6                   // ratio: of MinA; our choice
	offHold  = 50 * time.Millisecond // below it, for a run to be over; our choice
	blind    = 5 * time.Second       // longest between two readings of one run seen by current; our choice
	maxGap   = 20 * time.Minute      // between two readings whose charge is counted; our choice
	minSeen  = 2                     // count: readings that make a run without a command; our choice

	secondsPerHour = 3600 // s: in an hour; physical
)

// Detector follows the motor. It is not safe for concurrent use.
type Detector struct {
	set   Settings
	state State

	running bool
	byCmd   bool
	run     Run
	seen    int // readings with the current of a running motor
	ampS    float64
	lastAt  time.Duration
	lastA   float64
	haveA   bool
	fed     bool // energized at some instant of the run
	lowAt   time.Duration
	low     bool
}

// New returns a detector that has counted nothing.
func New(set Settings) *Detector { return &Detector{set: set} }

// Edge applies a change of the command and reports whether a run began or ended with it.
func (d *Detector) Edge(on bool, at time.Duration) (began, ended bool) {
	switch {
	case on && !d.running:
		d.begin(at, true)
		return true, false
	case on && !d.byCmd:
		d.byCmd, d.run.ByCommand = true, true // current seen first, command after
	case !on && d.running && d.byCmd:
		return false, d.end(at)
	}
	return false, false
}

// Step applies one scan, after its edges, and reports whether a run began or ended.
func (d *Detector) Step(in *Input) (began, ended bool) {
	commandOK := in.Command == unit.ContactOn || in.Command == unit.ContactOff
	if commandOK {
		// An edge may have been lost, or the coil was on when the agent started.
		began, ended = d.Edge(in.Command == unit.ContactOn, in.At)
	}
	discharge := -in.CurrentA.Value
	if !d.running {
		if commandOK || !in.CurrentA.OK() || discharge < d.set.MinA {
			return began, ended
		}
		d.begin(in.At, false)
		d.seen, d.run.PeakA = 1, discharge
		began = true
	}
	if last := d.lastRead(); !(d.byCmd && commandOK) && in.CurrentA.OK() && in.At-last > blind {
		return began, d.end(last) // what this reading shows is another run's
	}
	d.measure(in, discharge)
	if d.byCmd && commandOK {
		return began, ended
	}
	if d.byCmd {
		d.byCmd = false // the coil can't be read any more: current decides
	}
	if d.stoppedByCurrent(in, discharge) {
		ended = d.end(d.lowAt)
	}
	return began, ended
}

func (d *Detector) begin(at time.Duration, byCommand bool) {
	d.running, d.byCmd, d.low = true, byCommand, false
	d.run = Run{Start: at, ByCommand: byCommand}
	d.seen, d.ampS, d.haveA, d.fed = 0, 0, false, false
}

// lastRead returns when the current was read last in this run.
func (d *Detector) lastRead() time.Duration {
	if d.haveA {
		return d.lastAt
	}
	return d.run.Start
}

func (d *Detector) measure(in *Input, discharge float64) {
	if in.VoltageV.OK() && (d.run.MinBankV == 0 || in.VoltageV.Value < d.run.MinBankV) {
		d.run.MinBankV = in.VoltageV.Value
	}
	d.fed = d.fed || in.Energized
	if !in.CurrentA.OK() || in.At <= d.run.Start {
		return
	}
	if !d.haveA {
		d.lastAt, d.lastA, d.haveA = d.run.Start, max(discharge, 0), true
	}
	if dt := in.At - d.lastAt; dt <= maxGap { // over a longer gap nobody knows what flowed
		d.ampS += dt.Seconds() * (d.lastA + discharge) / 2
	}
	d.lastAt, d.lastA = in.At, discharge
	if discharge > d.run.PeakA {
		d.run.PeakA = discharge
	}
	if discharge >= d.set.MinA {
		d.seen++
	}
}

func (d *Detector) stoppedByCurrent(in *Input, discharge float64) bool {
	if !in.CurrentA.OK() || discharge >= offShare*d.set.MinA {
		d.low = false
		return false
	}
	if !d.low {
		d.low, d.lowAt = true, in.At
	}
	return in.At-d.lowAt >= offHold
}

// end closes the run and reports whether it counts.
func (d *Detector) end(at time.Duration) bool {
	d.running = false
	r := d.run
	r.Duration = at - r.Start
	if r.ByCommand && d.haveA && r.PeakA < d.set.MinA && !d.fed {
		d.state.DeadCommands++ // commanded, and the current stayed away: the motor did not run
		return false
	}
	if !r.ByCommand && d.seen < minSeen {
		return false // one reading alone is a spike
	}
	d.state.Runs++
	d.state.RunTime += r.Duration
	r.Number = d.state.Runs
	r.DrawnAh = d.ampS / secondsPerHour
	if s := r.Duration.Seconds(); s > 0 {
		r.MeanA = d.ampS / s
	}
	d.state.Last = r
	return true
}

// Running reports whether a run is on, and returns when it began.
func (d *Detector) Running() (bool, time.Duration) { return d.running, d.run.Start }

// Last returns the last finished run; its Number is zero before the first.
func (d *Detector) Last() Run { return d.state.Last }

// Runs returns the number of finished runs.
func (d *Detector) Runs() uint64 { return d.state.Runs }

// DeadCommands returns the number of commands that drew no current.
func (d *Detector) DeadCommands() uint64 { return d.state.DeadCommands }

// SetDeadCommands puts the number of commands that drew no current back: with the disconnect open
// for work they say nothing of the motor.
func (d *Detector) SetDeadCommands(n uint64) { d.state.DeadCommands = n }

// Time returns the total length of the finished runs.
func (d *Detector) Time() time.Duration { return d.state.RunTime }

// Cycles returns the number of lift cycles.
func (d *Detector) Cycles() uint64 { return d.state.Runs / uint64(max(d.set.CycleRuns, 1)) }
