package sim

import (
	"slices"
	"time"

	"liftbank/sim/bank"
)

// BatteryTruth is what a battery truly is.
type BatteryTruth struct {
	ID             string
	SoCPct         float64 // of the present full capacity at the 20 h rate
	CapacityAh     float64 // present full capacity, 20 h rate, 25 °C
	ResistanceMohm float64 // as a run would show it, at 25 °C and full charge
	CrankingA      float64 // SAE J537 capability when full
	RestedV        float64 // it would reach at rest, at its present temperature
	TempC          float64
}

// Condition is something that is physically so.
type Condition struct {
	Finding string        // by the name people know it by
	Subject string        // battery id, link, post, channel, or empty for the unit
	Active  bool          // so at the last tick
	Since   time.Duration // since when it is so, or has not been so; 0 from the start
	First   time.Duration // when it first became so; negative: never
	// nothing else that is or was lately so explains it; as of when it was last active, to a minute
	Cause bool
}

// Truth is everything that an observer would like to know.
type Truth struct {
	Batteries     []BatteryTruth
	MotorCommands uint64        // times the lift button was pressed
	MotorRuns     uint64        // times the motor's circuit closed
	MotorRunTime  time.Duration // it was closed
	LiftCycles    uint64
	Conditions    []Condition // that are or ever were so; order fixed by the table of definitions
}

// Truth returns the truth as of the last tick. The slices are the caller's.
func (u *Unit) Truth() Truth {
	t := Truth{
		MotorCommands: u.count.commands, MotorRuns: u.count.runs, MotorRunTime: u.count.runTime,
		LiftCycles: liftCycles(u),
	}
	for k := range u.bank.Batteries() {
		b := u.bank.Battery(k)
		t.Batteries = append(t.Batteries, BatteryTruth{
			ID: u.sc.Bank.Batteries[k].ID, SoCPct: b.SoCPct(), CapacityAh: b.CapacityAh(),
			ResistanceMohm: b.ResistanceMohm25(),
			CrankingA:      u.story.crankingA[k], RestedV: b.RestedOCV(), TempC: b.TempC(),
		})
	}
	t.Conditions = slices.Clone(u.Conditions())
	return t
}

// SoCPct returns battery k's true charge, for callers that want it every second.
func (u *Unit) SoCPct(k int) float64 { return u.bank.Battery(k).SoCPct() }

// Wiring returns the copper as it is now, faults included.
func (u *Unit) Wiring() bank.Wiring { return u.bank.Wiring() }

// Conditions returns the conditions of Truth. The slice is used again by the next call.
func (u *Unit) Conditions() []Condition {
	s := &u.story
	s.shown = s.shown[:0]
	for i := range s.slots {
		if c := s.slots[i].Condition; c.First >= 0 {
			s.shown = append(s.shown, c)
		}
	}
	return s.shown
}

// Turns counts how often a condition began or ended: while it stays the same, so do the conditions.
func (u *Unit) Turns() uint64 { return u.story.turns }

// Doubtful reports whether a condition is so near its limit that sensors of the usual class can't
// tell: found or not is as good. An empty subject is any.
func (u *Unit) Doubtful(finding, subject string) bool {
	for i := range u.story.slots {
		s := &u.story.slots[i]
		if s.doubt && s.Finding == finding && (s.Subject == subject || s.Subject == "" || subject == "") {
			return true
		}
	}
	return false
}

// liftCycles returns how many lift cycles the motor's runs make.
// liftCycles returns the number of lift cycles so far.
func liftCycles(u *Unit) uint64 { return u.count.runs / uint64(u.sc.Duty.RunsPerLift) }
