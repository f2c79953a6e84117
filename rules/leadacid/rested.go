package leadacid

import (
	"math"
	"time"
)

const (
	// TableC is the temperature of the published rested-voltage table, 80 °F.
	TableC = 26.7 // °C: of the rested-voltage table; published: Battery Council state-of-charge table
	// ReferenceC is the temperature that rested voltages are stated at.
	ReferenceC = 25.0 // °C: of stated voltages; trade practice
)

// tableSoC are the charges of the rested-voltage table, in percent.
var tableSoC = []float64{0, 25, 50, 75, 100}

// sheetShift is how far the rested voltage of a block is from its value at 26.7 °C, in V over °C.
//
// Two origins disagree in the cold. The temperature-corrected state-of-charge sheet (a reprint of
// US practice, -17.8 to 48.9 °C) falls by 134 mV down to -17.8 °C; the thermodynamic coefficient at
// fixed acid strength gives 53 mV. The middle is used and half the difference is uncertainty.
var sheetShift = curve{
	[]float64{-17.8, -12.2, -6.7, -1.1, 4.4, 10, 15.6, 21.1, 26.7, 32.2, 37.8, 43.3, 48.9},
	[]float64{-0.134, -0.108, -0.084, -0.062, -0.044, -0.028, -0.016, -0.007, 0, 0.005, 0.008, 0.011, 0.013},
}

const thermodynamicVPerC = 0.0012 // V/°C: of a block at fixed acid strength; from memory: Bode 1977

// TemperatureShiftV returns by how much the rested voltage of a block at tempC is above its value
// at 26.7 °C, in volts, and the standard uncertainty of that. It is negative in the cold.
func TemperatureShiftV(tempC float64) (shiftV, sigmaV float64) {
	sheet, _ := sheetShift.at(tempC)
	theory := thermodynamicVPerC * (tempC - TableC)
	half := (sheet - theory) / 2
	if half < 0 {
		half = -half
	}
	return (sheet + theory) / 2, half
}

// referenceShiftV is the shift at ReferenceC.
var referenceShiftV, _ = TemperatureShiftV(ReferenceC)

// RestedVAtReference returns the rested voltage at 25 °C of one taken at tempC, and the standard
// uncertainty that the correction adds, in volts.
func RestedVAtReference(restedV, tempC float64) (v, sigmaV float64) {
	shift, sigma := TemperatureShiftV(tempC)
	return restedV - shift + referenceShiftV, sigma
}

// SoCFromRestedV returns the state of charge in percent that the table has for a rested voltage at
// 25 °C, and the slope in percent per volt. Outside the table it goes on in a straight line: the
// caller bounds it.
func (c *Chemistry) SoCFromRestedV(restedV25 float64) (socPct, pctPerV float64) {
	return interpolate(c.RestedV[:], tableSoC, restedV25-referenceShiftV)
}

// RestedVFromSoC is the reverse of SoCFromRestedV: volts at 25 °C for a state of charge in percent.
func (c *Chemistry) RestedVFromSoC(socPct float64) float64 {
	v, _ := interpolate(tableSoC, c.RestedV[:], socPct)
	return v + referenceShiftV
}

// How long what a charge leaves above the rested voltage takes to go. In the cold it goes more slowly:
// between the rule for reactions, a factor of two per 10 °C, and diffusion in acid, 2 % per °C.
const (
	// SlowSurfaceDecay is the time constant at 25 °C where it goes slowly: for those who must be sure.
	SlowSurfaceDecay = 10 * time.Hour // at 25 °C; published: post on solar and RV practice, 6 h or more

	surfaceColdC = 12.0  // °C: so much colder make it twice as slow; our choice
	minSurfaceC  = -20.0 // °C: colder changes nothing more; our choice
	maxSurfaceC  = 50.0  // °C: nor does warmer; our choice
)

// SurfaceSlowing returns how many times as long what a charge leaves takes to go at tempC as at 25 °C.
func SurfaceSlowing(tempC float64) float64 {
	return math.Exp2((ReferenceC - min(max(tempC, minSurfaceC), maxSurfaceC)) / surfaceColdC)
}
