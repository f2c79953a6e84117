package leadacid

import "math"

// The voltage of a block under a lasting discharge: the rested one less a drop that grows slowly with the current and with what is
// missing, and the steep end. By the definition of the 20 h capacity the block meets 10.5 V when nothing is left at that rate,
// whatever its make; that fixes the steep end without any data.
const (
	dropV       = 0.085 // per unit of asinh: 0.14 V at the 20 h rate, 0.25 V at the 5 h rate; general literature, from memory
	dropFromPer = 0.02  // of the capacity per hour, where it turns from straight to logarithmic
	dropGrows   = 0.8   // 1.8 times at empty: "1.5 to 2.5" of general literature, from memory
	kneeShare   = 0.03  // how near to empty the steep end begins
	endV        = 10.5  // SAE and IEC 20 h capacity test, 1.75 V a cell
	rate20      = 0.05  // of the capacity per hour
)

// LoadedDropV gives what a lasting discharge of perHour (share of the capacity per hour, positive) takes off the rested voltage of a
// full block, in volts, the steep end apart.
func LoadedDropV(perHour float64) float64 {
	x := perHour / dropFromPer
	return dropV * math.Log(x+math.Sqrt(x*x+1))
}

// LoadedV gives the terminal voltage at 25 °C after some tens of minutes of a discharge that leaves leftPct, apart from the rested
// voltage: the drop that LoadedDropV gives times growth, and the steep end, both in volts to be taken off; and how both change per
// percent of charge.
func LoadedV(c Chemistry, socPct, leftPct float64) (growth, growthPerPct, kneeV, kneePerPct float64) {
	z := min(max(socPct-leftPct, 0), 100) / 100
	growth = 1 + dropGrows*(1-min(max(socPct, 0), 100)/100)
	amplitude := RestedVFromSoC(c, 0) - (1+dropGrows)*LoadedDropV(rate20) - endV
	amplitude /= 1 - kneeShare/(1+kneeShare)
	k := kneeShare / (z + kneeShare)
	return growth, -dropGrows / 100, amplitude * (k - kneeShare/(1+kneeShare)), -amplitude * k / (z + kneeShare) / 100
}

// LeftPct gives what is left in a block at 10.5 V at that rate (share of the capacity per hour) and temperature, in percent of its 20 h
// capacity at 25 °C, and the standard uncertainty of that.
//
// Peukert's exponent is 1.05 to 1.15 (AGM), 1.10 to 1.20 (gel) and 1.20 to 1.30 (flooded) by published ranges; blocks rested in between
// give more, and measured AGM and porous-electrode curves less: half of it is taken, the other half is uncertainty. So with the cold:
// at 0 °C 72 % (IEEE Std 485, from memory) to 88 % of the capacity.
func LeftPct(c Chemistry, perHour, tempC float64) (leftPct, sigmaPct float64) {
	exponent := 0.05
	if c == Flooded {
		exponent = 0.12
	}
	rate := 100 * (1 - math.Pow(rate20/max(perHour, rate20), exponent))
	cold := 100 * min(max(0.0056*(ReferenceC-tempC), 0), 0.3)
	return rate + cold/2, math.Hypot(rate, cold)
}

// chargingTable gives the block voltage over SoC in percent while it takes a tenth of its capacity per hour at 25 °C, before the charger
// holds the voltage. Chart of the trade, as remembered (from memory): 13.1 V at half charge, 13.6 V at 70 %, 14.5 V at 90 %.
var chargingTable = curve{[]float64{12.0, 12.4, 12.75, 13.1, 13.6, 14.0, 14.5}, []float64{0, 10, 30, 50, 70, 80, 90}}

// ChargingSoC gives the state of charge in percent that goes with a voltage of a block taking perHour (share of the capacity per hour),
// brought to 25 °C as a charging voltage and as a rested one,
// and its standard uncertainty: a block that takes a charge easily stands hardly above its rested voltage.
func ChargingSoC(c Chemistry, chargeV25, restedV25, perHour float64) (socPct, sigmaPct float64) {
	const perRate = 2.0 // charging costs about twice the drop of a discharge: same source
	v := chargeV25 - perRate*(LoadedDropV(perHour)-LoadedDropV(0.1))
	socPct, _ = chargingTable.at(v)
	most, _ := SoCFromRestedV(c, restedV25)
	socPct = min(max(socPct, 0), 95)
	room := max(min(most, 100)-socPct, 0)
	return socPct + 0.2*room, max(0.45*room, 10)
}
