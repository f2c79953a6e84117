package motor

import (
	"fmt"
	"time"

	"liftbank/rules/unit"
)

// State is what a detector has counted, to be saved and restored. A run in progress is not in it:
// with the coil still on after the restart it begins again and counts once.
type State struct {
	Runs         uint64
	RunTime      time.Duration
	DeadCommands uint64
	Last         Run
}

// State returns what has been counted.
func (d *Detector) State() State { return d.state }

// Restore replaces what has been counted. Impossible counts are refused and change nothing.
func (d *Detector) Restore(s State) error {
	var c unit.Check
	r := s.Last
	c.Time("run time", s.RunTime, r.Duration, s.RunTime-r.Duration)
	if r.Number > s.Runs || (s.Runs > 0) != (r.Number > 0) {
		c.Wrong("last run is number %d of %d: want the last of them", r.Number, s.Runs)
	}
	c.Sum("peak of the last run", r.PeakA)
	c.Finite("last run", r.MeanA, r.MinBankV, r.DrawnAh)
	if err := c.Err(); err != nil {
		return fmt.Errorf("motor: state: %w", err)
	}
	*d = Detector{set: d.set, state: s}
	return nil
}
