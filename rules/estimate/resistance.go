package estimate

import (
	"math"
	"time"

	"liftbank/rules/leadacid"
)

// Window of a motor run that the resistance is read from: after the inrush has settled between the two channels' instants,
// before the slow part of the dip counts.
const (
	stepFrom   = 40 * time.Millisecond
	stepUntil  = 200 * time.Millisecond
	stepMinA   = 15.0 // smallest step worth reading: 10 mV over 15 A is 0.7 mΩ
	stepMemory = 50   // runs that the mean remembers
	stepTrust  = 0.02 // gain errors of voltage and current together, as a share
)

// Resistance learns one battery's resistance from the steps of motor runs: it is the first 200 ms' dip over the current's, both
// as differences, so that the offsets of either sensor cancel.
type Resistance struct {
	baseV, baseA float64 // just before the run
	haveBase     bool
	start        time.Duration
	open         bool
	sumV, sumA   float64
	n            int

	stepV, stepA      float64 // of the last run
	haveStep          bool
	meanMohm, varMohm float64
	runs              uint32
}

// Begin marks the start of a motor run; the last Idle reading is its base.
func (r *Resistance) Begin(at time.Duration) {
	r.open, r.haveStep = r.haveBase, false
	r.start, r.sumV, r.sumA, r.n = at, 0, 0, 0
}

// Idle takes a reading with the motor off.
func (r *Resistance) Idle(voltageV, currentA float64) {
	r.baseV, r.baseA, r.haveBase = voltageV, currentA, true
}

// Forget drops the base: the reading is missing, or too old for a step.
func (r *Resistance) Forget() { r.haveBase, r.open = false, false }

// Run takes a reading within the run; tempC and socPct bring the result to 25 °C and full charge.
func (r *Resistance) Run(at time.Duration, voltageV, currentA, tempC, socPct float64) {
	if !r.open {
		return
	}
	since := at - r.start
	if since < stepFrom {
		return
	}
	if since <= stepUntil {
		r.sumV, r.sumA, r.n = r.sumV+voltageV, r.sumA+currentA, r.n+1
		return
	}
	r.open = false
	if r.n == 0 {
		return
	}
	dv, da := r.sumV/float64(r.n)-r.baseV, r.sumA/float64(r.n)-r.baseA
	r.stepV, r.stepA, r.haveStep = dv, da, true
	if da > -stepMinA {
		return
	}
	if mohm := 1000 * dv / da / leadacid.ResistanceFactor(tempC, socPct); mohm > 0 {
		r.learn(mohm)
	}
}

func (r *Resistance) learn(mohm float64) {
	r.runs++
	k := 1 / float64(min(r.runs, stepMemory))
	d := mohm - r.meanMohm
	r.meanMohm += k * d
	r.varMohm = (1 - k) * (r.varMohm + k*d*d)
}

// Mohm gives the resistance at 25 °C and full charge in mΩ, its standard uncertainty and the number of runs behind it; ok is
// false before three.
func (r *Resistance) Mohm() (mohm, sigma float64, runs uint32, ok bool) {
	n := float64(min(r.runs, stepMemory))
	if n < 3 {
		return 0, 0, r.runs, false
	}
	return r.meanMohm, math.Sqrt(r.varMohm/n + sq(stepTrust*r.meanMohm)), r.runs, true
}

// LastStep gives by how much voltage and current moved in the last run; ok is false when it was not read.
func (r *Resistance) LastStep() (dv, da float64, ok bool) { return r.stepV, r.stepA, r.haveStep }
