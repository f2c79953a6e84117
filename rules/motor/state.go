package motor

import (
	"fmt"
	"time"
)

// State is what a detector has counted, to be saved and restored. A run in progress is not in it:
// with the coil still on after the restart it begins again and counts once.
type State struct {
	Runs         uint64
	RunTime      time.Duration
	DeadCommands uint64
	Last         Run
}

// Bounds of what a unit can have counted.
const (
	maxCount  = 100 * 365 * 24 * time.Hour // run time: a motor that ran for a hundred years; our choice
	maxFigure = 1e9                        // A: and Ah, of one run, also one within a gap between scans; our choice
	maxV      = 100.0                      // V: of one run; our choice
)

// State returns what has been counted.
func (d *Detector) State() State { return d.state }

// Restore replaces what has been counted. Impossible counts are refused and change nothing.
func (d *Detector) Restore(s State) error {
	r := s.Last
	sane := r.PeakA >= 0 && r.PeakA < maxFigure && r.MeanA > -maxFigure && r.MeanA < maxFigure &&
		r.MinBankV > -maxV && r.MinBankV < maxV && r.DrawnAh > -maxFigure && r.DrawnAh < maxFigure &&
		r.Duration >= 0 && r.Duration <= s.RunTime
	switch {
	case s.RunTime < 0 || s.RunTime > maxCount:
		return fmt.Errorf("motor: state: run time %v: want 0 to %v", s.RunTime, maxCount)
	case r.Number > s.Runs || (s.Runs > 0) != (r.Number > 0):
		return fmt.Errorf("motor: state: last run is number %d of %d: want the last of them", r.Number, s.Runs)
	case !sane:
		return fmt.Errorf("motor: state: last run %+v: impossible figures", r)
	}
	*d = Detector{set: d.set, state: s}
	return nil
}
