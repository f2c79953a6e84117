package daily

import (
	"time"

	"liftbank/rules/unit"
)

const (
	dutyDays  = 28.0 // count: days that the usual duty is of, weekends among them; our choice
	dutyKnown = 7.0  // count: days before it is known: one of each day of the week; our choice
)

// Duty is how much the lift usually works, parked days included: a mean over the last four weeks. It
// is saved as it is.
type Duty struct {
	Begun      bool
	Runs       uint64        // counted up to the last midnight,
	Motor      time.Duration // as motor time
	Days       float64       // behind the mean, up to dutyDays
	RunsPerDay float64
	MotorS     float64 // of motor time a day
}

// Over takes a day that has ended, with what was counted up to its end.
func (d *Duty) Over(days int64, runs uint64, motor time.Duration) {
	if d.Begun && runs >= d.Runs && motor >= d.Motor && days > 0 {
		n := min(float64(days), dutyDays)
		d.Days = min(d.Days+n, dutyDays)
		share := n / d.Days
		d.RunsPerDay += share * (float64(runs-d.Runs)/float64(days) - d.RunsPerDay)
		d.MotorS += share * ((motor-d.Motor).Seconds()/float64(days) - d.MotorS)
	}
	d.Begun, d.Runs, d.Motor = true, runs, motor
}

// Known reports whether enough days have been seen.
func (d *Duty) Known() bool { return d.Days >= dutyKnown }

// Check refuses a saved duty that can't be.
func (d *Duty) Check() error {
	var c unit.Check
	c.Sum("duty", d.RunsPerDay, d.MotorS)
	c.In("days of duty", d.Days, 0, dutyDays)
	c.Time("motor time", d.Motor)
	return c.Err()
}
