package cell

import "math"

const maxStepS = 60.0 // longer steps are taken in parts

// Prepare makes the factors of a step length ahead of time, and tells Terminal how long the step is
// that its current is asked for. Step makes them itself when the length changes: calling this never
// changes what a step does.
func (b *Battery) Prepare(dtS float64) {
	if dtS > 0 {
		b.prepare(min(dtS, maxStepS))
	}
}

func (b *Battery) prepare(dtS float64) {
	t := &b.heat.factors
	if dtS == b.stepS && b.stepAtC == t.atC {
		return
	}
	if dtS != b.stepS {
		b.wells.prepare(dtS)
		b.heat.prepare(dtS)
	}
	b.stepS, b.stepAtC = dtS, t.atC
	b.last = answer{} // of another length
	b.acid.prepare(dtS, t)
	b.surface.prepare(dtS, t)
	b.layer.prepare(dtS)
}

// Step advances the battery by dtS seconds with currentA (positive charges) constant and the
// ambient at ambientC. The current is the one given to Terminal before it. A step of zero, negative
// or NaN length does nothing; a NaN ambient leaves the battery to its own heat.
func (b *Battery) Step(dtS, currentA, ambientC float64) {
	if !(dtS > 0) {
		return
	}
	currentA = limitCurrent(currentA)
	if ambientC != ambientC {
		ambientC = b.heat.tempC
	}
	ambientC = clamp(ambientC, -80, 120)
	if dtS <= maxStepS {
		b.step(dtS, currentA, ambientC)
		return
	}
	parts := math.Ceil(min(dtS, 1e9) / maxStepS)
	for range int(parts) {
		b.step(dtS/parts, currentA, ambientC)
	}
}

func (b *Battery) step(dtS, currentA, ambientC float64) {
	b.prepare(dtS)
	v, gasA := b.answered(currentA)
	selfA := float64(b.charging.selfA * clamp(1-b.wells.plateShare(), 0, 1))
	main := currentA - gasA
	refusedAh := b.wells.refusedAh
	b.wells.step(main, gasA, selfA)
	b.acid.step(main)
	b.layer.step(float64(currentA * b.ohmic.inv2Exchange))
	b.surface.step(dtS, currentA, (v-b.restV)/max(b.live, 1), b.wells.drain.hours)
	lostW := b.lostW(currentA, v, gasA)
	if refusedAh = b.wells.refusedAh - refusedAh; refusedAh > 0 { // what the plates don't have any more makes no heat
		lostW = max(lostW-float64(refusedAh/b.wells.drain.hours*b.restV), 0)
	}
	if b.heat.step(lostW, ambientC) {
		b.warm()
	}
	b.refresh()
}

// answered is what Terminal says of the current, taken from its last answer where that was to the
// same question.
func (b *Battery) answered(currentA float64) (v, gasA float64) {
	switch {
	case currentA == 0 && b.layer.phi == 0:
		return b.restV, b.charging.gasRestA
	case b.last.known && b.last.currentA == currentA:
		return b.last.v, b.last.gasA
	}
	v, _, gasA = b.terminal(currentA)
	return v, gasA
}

// lostW is what is lost as heat: all power that goes in less what is stored and what leaves with
// gas.
func (b *Battery) lostW(currentA, v, gasA float64) float64 {
	stored := float64((currentA - gasA) * b.restV)
	lostW := (float64(currentA*v) - stored) - float64(float64(gasA*b.live)*thermoV)
	return clamp(lostW, 0, 1e7)
}

// warm renews what depends on temperature.
func (b *Battery) warm() {
	b.heat.warm()
	t := &b.heat.factors
	b.wells.warm(t)
	b.acid.warm(t)
	b.ohmic.warm(t, b.live)
	b.charging.warm(t)
}

// refresh renews what follows from the state.
func (b *Battery) refresh() {
	b.last = answer{}
	b.cellV = b.acid.refresh(&b.wells, b.heat.tempC) + b.surface.v
	b.restV = float64(b.live * b.cellV)
	b.ohmic.refresh(&b.wells, b.acid.poreMolality)
	b.charging.refresh(&b.wells, b.cellV)
	b.layer.refresh(b.ohmic.exchange, b.ohmic.ctShare)
}
