package motor

import (
	"fmt"
	"time"
)

// longestCount is a bound on what a unit can have counted: a motor that ran for a hundred years.
const longestCount = 100 * 365 * 24 * time.Hour

// State is what a detector has counted, to be saved and restored. A run under way is not in it: with the coil still on when the
// state is restored it begins again and counts once.
type State struct {
	Runs         uint64
	RunTime      time.Duration
	DeadCommands uint64
	Last         Run
}

// State gives what has been counted.
func (d *Detector) State() State {
	return State{Runs: d.runs, RunTime: d.runTime, DeadCommands: d.dead, Last: d.done}
}

// Restore takes saved counts over; counts that can't be are refused and change nothing.
func (d *Detector) Restore(s State) error {
	r := s.Last
	sane := r.PeakA >= 0 && r.PeakA < 1e4 && r.MeanA > -1e4 && r.MeanA < 1e4 && r.MinBankV > -100 && r.MinBankV < 100 &&
		r.DrawnAh > -1e4 && r.DrawnAh < 1e4 && r.Duration >= 0 && r.Duration <= s.RunTime
	switch {
	case s.RunTime < 0 || s.RunTime > longestCount:
		return fmt.Errorf("motor: state: run time %v: want 0 to %v", s.RunTime, longestCount)
	case r.Number > s.Runs || (s.Runs > 0) != (r.Number > 0):
		return fmt.Errorf("motor: state: last run is number %d of %d: want the last of them", r.Number, s.Runs)
	case !sane:
		return fmt.Errorf("motor: state: last run %+v: figures that can't be", r)
	}
	*d = Detector{set: d.set, runs: s.Runs, runTime: s.RunTime, dead: s.DeadCommands, done: r}
	return nil
}
