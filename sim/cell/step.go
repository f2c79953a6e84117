package cell

import (
	"math"

	"liftbank/sim/detmath"
)

const (
	maxStepS    = 60.0 // longer steps are taken in parts
	useTauS     = 60.0 // acid gradient in the pores while used up, 25 °C: diffusion over the plates' half thickness
	makeTauS    = 180.0
	gradientMA  = 5.4  // mol/kg per 1000 A steady, 100 Ah, scale of resistances one
	kgPerAh     = 0.28 // 12 V battery: about 43 Wh/kg
	heatJPerKgK = 900.0
	wattPerK    = 1.5  // to ambient, 100 Ah in a box
	thermoV     = 1.48 // V a cell: what splitting water takes up without heat
)

// Prepare makes the factors of a step length ahead of time. Step does so itself when the length
// changes: calling this never changes a result.
func (b *Battery) Prepare(dtS float64) {
	if dtS > 0 && dtS <= maxStepS {
		b.prepare(dtS)
	}
}

func (b *Battery) prepare(dtS float64) {
	if dtS == b.stepS && b.stepAtC == b.heat.atC {
		return
	}
	if dtS != b.stepS {
		b.well = newWellStep(b.shape.kPerH, dtS)
		b.wellFill = newWellStep(b.shape.kPerH*fillFaster, dtS)
		b.stepHeat = -detmath.Expm1(-dtS / b.heatTauS)
	}
	b.stepS, b.stepAtC = dtS, b.heat.atC
	rate := float64(dtS * b.heat.diffuse)
	b.stepUse = -detmath.Expm1(-rate / useTauS)
	b.stepMake = -detmath.Expm1(-rate / makeTauS)
	b.stepFade = -detmath.Expm1(float64(-dtS*b.heat.selfRate) / b.surfaceDecayS)
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
		ambientC = b.tempC
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
	selfA := float64(b.heat.selfA * clamp(1-float64(b.d1*b.invPlateFull), 0, 1))
	main := currentA - gasA
	b.gassedAh += float64(gasA * b.well.hours)
	b.selfAh += float64(selfA * b.well.hours)
	b.drawWells(main - selfA)
	b.moveGradient(main)
	b.moveSurface(currentA, v)
	b.moveHeat(currentA, v, gasA, ambientC)
	b.refresh()
}

// answered is what Terminal says of the current, taken from its last answer where that was to the
// same question.
func (b *Battery) answered(currentA float64) (v, gasA float64) {
	switch {
	case currentA == 0:
		return b.restV, b.gasRestA
	case b.last.known && b.last.currentA == currentA:
		return b.last.v, b.last.gasA
	}
	v, _, gasA = b.terminal(currentA)
	return v, gasA
}

// moveGradient moves the acid gradient in the pores towards its steady value at this current.
func (b *Battery) moveGradient(main float64) {
	target := float64(main * b.heat.gradientPerA)
	part := b.stepMake
	if b.gradient < 0 || b.gradient == 0 && main < 0 {
		part = b.stepUse
	}
	b.gradient = clamp(b.gradient+float64((target-b.gradient)*part), -maxGradient, maxGradient)
}

const maxGradient = 40.0

// moveSurface builds up surface charge while the plates are driven above their EMF and takes it
// down: by itself over hours, by a load with the charge that passes.
func (b *Battery) moveSurface(currentA, v float64) {
	switch {
	case currentA > 0:
		over := (v-b.restV)/max(b.live, 1) + b.surfaceV
		target := clamp(float64(0.5*over), 0, b.surfaceMaxV)
		if target > b.surfaceV {
			b.surfaceV += float64((target - b.surfaceV) * min(b.stepS/surfaceBuildS, 1))
			return
		}
	case currentA < 0:
		b.surfaceV -= float64(b.surfaceV * min(float64(float64(-currentA*b.well.hours)*b.invSurface), 1))
	}
	b.surfaceV -= float64(b.surfaceV * b.stepFade)
}

// Surface charge builds up with surfaceBuildS and is gone by a load of surfaceShare of the rated
// capacity: the manuals' 300 A for 15 s is three times that for 100 Ah.
const (
	surfaceBuildS = 1800.0
	surfaceShare  = 0.004
)

// moveHeat warms the battery by what is lost in it: all power that goes in less what is stored and
// what leaves with gas.
func (b *Battery) moveHeat(currentA, v, gasA, ambientC float64) {
	stored := float64((currentA - gasA) * b.restV)
	lostW := (float64(currentA*v) - stored) - float64(float64(gasA*b.live)*thermoV)
	lostW = clamp(lostW, 0, 1e7)
	target := ambientC + float64(lostW*b.heatOhm)
	b.tempC = clamp(b.tempC+float64((target-b.tempC)*b.stepHeat), -80, 150)
	if math.Abs(b.tempC-b.heat.atC) >= thermalStepC {
		b.warm()
	}
}

// refresh renews what follows from the state.
func (b *Battery) refresh() {
	b.last = answer{}
	b.poreMolality = b.acid.pore(float64(b.d1*b.invShare)+b.lockedAh, b.gradient)
	e := emfOfLog(float64(b.poreLog.of(b.poreMolality)*(1/detmath.Ln10)), b.tempC) +
		solidV(&b.solid, float64(b.d1*b.invPlateFull))
	b.cellV = e + b.surfaceV
	b.restV = float64(b.live * b.cellV)
	b.refreshKinetics()
	b.refreshCharge()
}
