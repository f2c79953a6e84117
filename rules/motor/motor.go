// Package motor counts and measures the runs of the pump motor.
//
// A run is told from the contactor coil where that is wired, otherwise from the bank's current alone. On the coil every
// command counts, however short, unless the current was read during it and stayed away. From current alone a run counts when
// two readings running show it.
package motor

import "time"

// Settings of the detector. MinA is the least bank discharge that a running motor draws, in amperes (> 0).
type Settings struct {
	MinA      float64
	CycleRuns int // runs that make a lift cycle (> 0)
}

// Reading is one scan as the detector needs it.
type Reading struct {
	At        time.Duration // monotonic
	CurrentA  float64       // into the bank; a running motor makes it negative
	CurrentOK bool
	VoltageV  float64
	VoltageOK bool
	Energised bool // a feed that helps to carry the motor is there, and the bank's voltage stands at the motor's terminal
	Command   bool
	CommandOK bool // the coil can be read now
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

// off is the share of MinA under which a run seen by current alone has ended; offHold how long it must stay there: a bouncing
// contactor or an inrush's ring is no second run.
const (
	off     = 0.6
	offHold = 50 * time.Millisecond
)

// Detector follows the motor. It is not safe for concurrent use.
type Detector struct {
	set     Settings
	running bool
	byCmd   bool
	run     Run
	samples int
	ampS    float64
	lastAt  time.Duration
	lastA   float64
	haveA   bool
	fed     bool // energised at some instant of the run
	lowAt   time.Duration
	low     bool

	runs    uint64
	runTime time.Duration
	dead    uint64
	done    Run
}

// New gives a detector that has counted nothing.
func New(set Settings) *Detector { return &Detector{set: set} }

// Edge takes a change of the command in. It reports whether a run began or ended by it.
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

// Step takes one reading in, after its edges. It reports whether a run began or ended.
func (d *Detector) Step(r Reading) (began, ended bool) {
	if r.CommandOK {
		// An edge may have been lost, or the coil was on when the agent started.
		began, ended = d.Edge(r.Command, r.At)
	}
	discharge := -r.CurrentA
	if !d.running {
		if r.CommandOK || !r.CurrentOK || discharge < d.set.MinA {
			return began, ended
		}
		d.begin(r.At, false)
		d.samples, d.run.PeakA = 1, discharge
		began = true
	}
	d.measure(r, discharge)
	if d.byCmd && r.CommandOK {
		return began, ended
	}
	if d.byCmd {
		d.byCmd = false // the coil can't be read any more: current decides
	}
	if d.stoppedByCurrent(r, discharge) {
		ended = d.end(d.lowAt)
	}
	return began, ended
}

func (d *Detector) begin(at time.Duration, byCommand bool) {
	d.running, d.byCmd, d.low = true, byCommand, false
	d.run = Run{Start: at, ByCommand: byCommand}
	d.samples, d.ampS, d.haveA, d.fed = 0, 0, false, false
}

func (d *Detector) measure(r Reading, discharge float64) {
	if r.VoltageOK && (d.run.MinBankV == 0 || r.VoltageV < d.run.MinBankV) {
		d.run.MinBankV = r.VoltageV
	}
	d.fed = d.fed || r.Energised
	if !r.CurrentOK || r.At <= d.run.Start {
		return
	}
	if !d.haveA {
		d.lastAt, d.lastA, d.haveA = d.run.Start, max(discharge, 0), true
	}
	d.ampS += (r.At - d.lastAt).Seconds() * (d.lastA + discharge) / 2
	d.lastAt, d.lastA = r.At, discharge
	if discharge > d.run.PeakA {
		d.run.PeakA = discharge
	}
	if discharge >= d.set.MinA {
		d.samples++
	}
}

func (d *Detector) stoppedByCurrent(r Reading, discharge float64) bool {
	if !r.CurrentOK || discharge >= off*d.set.MinA {
		d.low = false
		return false
	}
	if !d.low {
		d.low, d.lowAt = true, r.At
	}
	return r.At-d.lowAt >= offHold
}

// end closes the run and reports whether it counts.
func (d *Detector) end(at time.Duration) bool {
	d.running = false
	r := d.run
	r.Duration = at - r.Start
	if r.ByCommand && d.haveA && r.PeakA < d.set.MinA && !d.fed {
		d.dead++ // commanded, and the current stayed away: the motor did not run
		return false
	}
	if !r.ByCommand && d.samples < 2 {
		return false // one reading alone is a spike
	}
	d.runs++
	d.runTime += r.Duration
	r.Number = d.runs
	r.DrawnAh = d.ampS / 3600
	if s := r.Duration.Seconds(); s > 0 {
		r.MeanA = d.ampS / s
	}
	d.done = r
	return true
}

// Running reports whether a run is on, and when it began.
func (d *Detector) Running() (bool, time.Duration) { return d.running, d.run.Start }

// Last gives the last finished run; its Number is zero before the first.
func (d *Detector) Last() Run { return d.done }

// Runs counts finished runs, DeadCommands those commands that drew no current, Time the runs' summed length.
func (d *Detector) Runs() uint64 { return d.runs }

// DeadCommands: see Runs.
func (d *Detector) DeadCommands() uint64 { return d.dead }

// Time: see Runs.
func (d *Detector) Time() time.Duration { return d.runTime }

// Cycles counts lift cycles.
func (d *Detector) Cycles() uint64 { return d.runs / uint64(max(d.set.CycleRuns, 1)) }
