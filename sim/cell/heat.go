package cell

import (
	"math"

	"liftbank/sim/detmath"
)

const (
	kgPerAh     = 0.28 // 12 V battery: about 43 Wh/kg
	heatJPerKgK = 900.0
	wattPerK    = 1.5  // to ambient, 100 Ah in a box
	thermoV     = 1.48 // V a cell: what splitting water takes up without heat
)

// heat is the battery's heat, in one lump.
type heat struct {
	tempC     float64
	factors   thermal
	part      float64 // 1 - exp(-dt/tau), for the step length
	tauS      float64
	ohm       float64 // K/W to ambient
	coldPower float64 // of activeShare, for the design's capacity at 0 °C
}

func (h *heat) size(d Design, ratedAh float64) {
	h.coldPower = detmath.Log(d.Ah0CPct/100) / detmath.Log(refAh0CPct/100)
	h.ohm = 1 / float64(wattPerK*math.Sqrt(ratedAh/100))
	h.tauS = float64(float64(float64(kgPerAh*ratedAh)*heatJPerKgK) * h.ohm)
}

// warm renews what depends on temperature.
func (h *heat) warm() { h.factors = newThermal(h.tempC, h.coldPower) }

// prepare makes the factor of a step length.
func (h *heat) prepare(dtS float64) { h.part = -detmath.Expm1(-dtS / h.tauS) }

// step warms the battery by lostW, and reports whether the temperature has moved so far that warm
// is due.
func (h *heat) step(lostW, ambientC float64) bool {
	target := ambientC + float64(lostW*h.ohm)
	h.tempC = clamp(h.tempC+float64((target-h.tempC)*h.part), -80, 150)
	return math.Abs(h.tempC-h.factors.atC) >= thermalStepC
}

// thermal has what depends on temperature alone; it is renewed when the temperature has moved by
// thermalStepC.
type thermal struct {
	atC      float64
	active   float64 // activeShare
	acid     float64 // acid's resistance is acid exp(c (acidBend + acidBend2 c))/c: see acidFactors
	acidBend float64
	exchange float64 // exchange current over 25 °C
	accept   float64 // dissolution of sulfate in charge over 25 °C
	diffuse  float64 // acid diffusion over 25 °C
	spread   float64 // its root
	selfRate float64 // self-discharge and gassing at a given voltage over 25 °C
}

const thermalStepC = 0.02

func newThermal(tempC, coldPower float64) thermal {
	inv := 1/(tempC+kelvin) - 1/(refC+kelvin)
	acid, acidBend := acidFactors(tempC)
	diffuse := detmath.Exp(float64(-diffuseEnergyK * inv))
	return thermal{
		atC:      tempC,
		active:   detmath.Pow(activeShare(tempC), coldPower),
		acid:     acid,
		acidBend: acidBend,
		exchange: detmath.Exp(float64(-exchangeEnergyK * inv)),
		accept:   detmath.Exp(float64(-acceptEnergyK * inv)),
		diffuse:  diffuse,
		spread:   math.Sqrt(diffuse),
		selfRate: detmath.Exp(float64(-selfEnergyK * inv)),
	}
}
