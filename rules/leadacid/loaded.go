package leadacid

import "math"

// The voltage of a block under a lasting discharge: the rested one less a drop that grows slowly
// with the current and with what is missing, and the steep end. By the definition of the 20 h
// capacity the block meets 10.5 V when nothing is left at that rate, whatever its make; that fixes
// the steep end without any data. The drop is 0.14 V at the 20 h rate, 0.25 V at the 5 h rate; at
// empty it is 1.5 to 2.5 times that.
const (
	// EndV is the voltage at the end of the discharge that defines a block's capacity.
	EndV = 10.5 // V: end of a discharge, 1.75 V a cell; standard: SAE and IEC 20 h capacity test

	dropV       = 0.085 // V: per unit of asinh; from memory: general literature
	dropFromPer = 0.02  // 1/h: current over capacity, where the drop turns from straight to logarithmic; our choice
	dropGrows   = 0.8   // ratio: of the drop at empty, beyond that at full; from memory: general literature
	kneeShare   = 0.03  // ratio: how near to empty the steep end begins; our choice
	rate20      = 0.05  // 1/h: the 20 h rate over capacity; physical

	// At 0 °C 72 % (IEEE Std 485, from memory) to 88 % of the capacity.
	coldPerC = 0.0056 // 1/°C: of the capacity, left in the cold; our choice
	maxCold  = 0.3    // ratio: of the capacity, left in the cold; our choice
	coldPart = 0.5    // ratio: of that, taken; the other half is uncertainty; our choice
)

// LoadedDropV returns what a lasting discharge of perHour (share of the capacity per hour,
// positive) takes off the rested voltage of a full block, in volts, the steep end apart.
func LoadedDropV(perHour float64) float64 {
	x := perHour / dropFromPer
	return dropV * math.Log(x+math.Sqrt(x*x+1))
}

// LoadedV returns the terminal voltage at 25 °C after some tens of minutes of a discharge that
// leaves leftPct, apart from the rested voltage: the drop that LoadedDropV gives times growth, and
// the steep end, both in volts to be taken off; and how both change per percent of charge.
func (c *Chemistry) LoadedV(socPct, leftPct float64) (growth, growthPerPct, kneeV, kneePerPct float64) {
	z := min(max(socPct-leftPct, 0), 100) / 100
	growth = 1 + dropGrows*(1-min(max(socPct, 0), 100)/100)
	amplitude := c.RestedVFromSoC(0) - (1+dropGrows)*LoadedDropV(rate20) - EndV
	amplitude /= 1 - kneeShare/(1+kneeShare)
	k := kneeShare / (z + kneeShare)
	return growth, -dropGrows / 100, amplitude * (k - kneeShare/(1+kneeShare)), -amplitude * k / (z + kneeShare) / 100
}

// LeftPct returns what is left in a block at 10.5 V at that rate (share of the capacity per hour)
// and temperature, in percent of its 20 h capacity at 25 °C, and the standard uncertainty of that.
//
// Of what Peukert's exponent and the cold say, half is taken, the other half is uncertainty: blocks
// rested in between give more, and measured AGM and porous-electrode curves have less left.
func (c *Chemistry) LeftPct(perHour, tempC float64) (leftPct, sigmaPct float64) {
	rate := 100 * (1 - math.Pow(rate20/max(perHour, rate20), c.LeftExponent))
	cold := 100 * min(max(coldPerC*(ReferenceC-tempC), 0), maxCold)
	return rate + coldPart*cold, math.Hypot(rate, cold)
}

// chargingTable is the block voltage over SoC in percent while it takes a tenth of its capacity per
// hour at 25 °C, before the charger holds the voltage. Chart of the trade, from memory: 13.1 V at
// half charge, 13.6 V at 70 %, 14.5 V at 90 %.
var chargingTable = curve{[]float64{12.0, 12.4, 12.75, 13.1, 13.6, 14.0, 14.5}, []float64{0, 10, 30, 50, 70, 80, 90}}

// Charging costs about twice the drop of a discharge, by the same chart. A block that takes a
// charge easily is hardly above its rested voltage: part of the room up to that is taken, the rest
// is uncertainty.
const (
	chargingPerRate = 2.0  // ratio: of the drop of a discharge; from memory: chart of the trade
	chargingRate    = 0.1  // 1/h: current over capacity of the chart; from memory: chart of the trade
	maxChargingPct  = 95.0 // %: that a voltage in charge can tell; our choice
	roomShare       = 0.2  // ratio: of the room, taken; our choice
	roomSigma       = 0.45 // ratio: of the room, uncertain; our choice
	minChargingPct  = 10.0 // %: uncertainty; our choice
)

// ChargingSoC returns the state of charge in percent that goes with a voltage of a block taking
// perHour (share of the capacity per hour), given at 25 °C as a charging voltage and as a rested
// one, and its standard uncertainty.
func (c *Chemistry) ChargingSoC(chargeV25, restedV25, perHour float64) (socPct, sigmaPct float64) {
	v := chargeV25 - chargingPerRate*(LoadedDropV(perHour)-LoadedDropV(chargingRate))
	socPct, _ = chargingTable.at(v)
	most, _ := c.SoCFromRestedV(restedV25)
	socPct = min(max(socPct, 0), maxChargingPct)
	room := max(min(most, 100)-socPct, 0)
	return socPct + roomShare*room, max(roomSigma*room, minChargingPct)
}
