package sim

import (
	"time"

	"liftbank/sim/bank"
	"liftbank/sim/duty"
)

// What a unit can still do and when it is full, by letting a copy of it go on. The unit itself is
// not touched.

// ahead is the copy: the electrical side alone, with the weather and the faults of now.
type ahead struct {
	bank    bank.Bank
	feed    bank.Feed
	motor   bank.Motor
	ohm     float64
	drainA  float64
	ambient float64
}

func newAhead(u *Unit) *ahead {
	return &ahead{bank: *u.bank, feed: u.feed, motor: u.motor, ohm: u.sc.Motor.ResistanceMohm / 1000, drainA: u.drainA,
		ambient: u.ambientC}
}

// step lets dtS seconds pass.
func (a *ahead) step(dtS float64, motor, feed bool) {
	src := bank.Source{}
	if feed {
		src = a.feed.Source(a.bank.Battery(0).TempC())
	}
	a.bank.Prepare(dtS)
	a.bank.Solve(src, bank.Load{Joined: motor, BackEMFV: a.motor.BackEMFV(), Ohm: a.ohm, DrainA: a.drainA})
	f := &a.bank.Flow
	a.motor.Step(dtS, f.LoadA, a.ambient)
	a.feed.Step(dtS, f.FeedA, f.FeedV, a.bank.Battery(0).TempC())
	a.bank.Step(dtS, a.ambient)
}

func (a *ahead) socPct() float64 {
	ah, holds := has(&a.bank)
	return ah / holds
}

func (a *ahead) haveAh() (ah float64) {
	ah, _ = has(&a.bank)
	return ah / 100
}

// Lengths of steps: a run's first second is the motor's spin-up, with a time constant of a tenth of
// a second.
const (
	aheadFastS   = 0.01
	aheadFastFor = 1.0
	aheadRunS    = 0.04
	aheadRestS   = 5.0
)

// LiftsAhead is what LiftsLeft finds.
type LiftsAhead struct {
	Left    float64
	DrawnAh float64 // out of the batteries by these lifts and the rests between, in Ah
	EndPct  float64 // charge of the bank then
}

// LiftsLeft returns how many lifts the unit could still make from now on: the runs of its plan, one
// after another with its plan's own rests between the runs of a stop (drives and stays left out),
// feed off, until the voltage at the motor's terminal falls under leastMotorV after a run's first
// second, or the bank's charge under floorPct. A run is held as long as the plan says, as in the
// unit itself. most bounds the answer.
func (u *Unit) LiftsLeft(leastMotorV, floorPct float64, most int) LiftsAhead {
	a := newAhead(u)
	perLift := float64(u.sc.Duty.RunsPerLift)
	start := a.haveAh()
	runs := 0.0
	var last time.Duration
	// Days without a plan are skipped; a year must hold enough.
	u.plan.Ahead(u.now+366*duty.Day, func(e duty.Edge) bool {
		if e.Line != duty.Motor || !e.On {
			return true
		}
		rest := (e.At - last).Seconds()
		if last == 0 || rest > float64(u.sc.Duty.Gap[1])/1e9 {
			rest = (float64(u.sc.Duty.Gap[0]) + float64(u.sc.Duty.Gap[1])) / 2e9
		}
		a.step(aheadFastS, false, false) // the motor's current is gone
		for ; rest > 0; rest -= aheadRestS {
			a.step(min(rest, aheadRestS), false, false)
		}
		last = e.Run.Stop
		if !a.lift(&e.Run, leastMotorV) || a.socPct() < floorPct {
			return false
		}
		runs++
		return runs < float64(most)*perLift
	})
	return LiftsAhead{Left: runs / perLift, DrawnAh: start - a.haveAh(), EndPct: a.socPct()}
}

// lift makes one run as planned and reports whether the motor's voltage bore it.
func (a *ahead) lift(r *duty.Run, leastMotorV float64) bool {
	a.motor.Begin(r.Load, r.Travel.Seconds())
	end := (r.Stop - r.Start).Seconds()
	for at := 0.0; at < end; {
		dt := aheadRunS
		if at < aheadFastFor {
			dt = aheadFastS
		}
		dt = min(dt, end-at)
		a.step(dt, true, false)
		at += dt
		if at > aheadFastFor && a.bank.Flow.LoadV < leastMotorV {
			return false
		}
	}
	return true
}

// FullPct is the charge at which a bank counts as full: what is then missing comes in by hours of
// taper that no service waits for.
const FullPct = 98.0

// TimeToFull returns how long the bank takes until its charge is FullPct at the feed of now, with
// no lift; ok is false when it is not so within most.
func (u *Unit) TimeToFull(most time.Duration) (t time.Duration, ok bool) {
	a := newAhead(u)
	const step = 2 * time.Second
	for ; t < most; t += step {
		if fullestPct(&a.bank) >= FullPct {
			return t, true
		}
		a.step(step.Seconds(), false, true)
	}
	return 0, false
}
