package leadacid

// TableC is the temperature of the published rested-voltage table, 80 °F.
const TableC = 26.7

// restedTables give rested block voltage over SoC in percent at 26.7 °C.
//
// Source: Battery Council state-of-charge table at 26.7 °C (reprinted by a battery maker and in training material); the
// flooded and gel columns were read in reprints, the AGM column is from memory.
var restedTables = [...]struct{ toV, toSoC curve }{
	Flooded: table(11.89, 12.06, 12.24, 12.45, 12.65),
	AGM:     table(11.80, 12.00, 12.30, 12.60, 12.80),
	Gel:     table(11.80, 12.00, 12.40, 12.60, 12.80),
}

func table(v0, v25, v50, v75, v100 float64) (t struct{ toV, toSoC curve }) {
	soc, v := []float64{0, 25, 50, 75, 100}, []float64{v0, v25, v50, v75, v100}
	t.toV, t.toSoC = curve{soc, v}, curve{v, soc}
	return t
}

// shiftC and shiftV give how far the rested voltage of a block lies from its value at 26.7 °C.
//
// Two origins disagree in the cold. The temperature-corrected state-of-charge sheet (a reprint of US practice, -17.8 to
// 48.9 °C) falls by 134 mV down to -17.8 °C; the thermodynamic coefficient at fixed acid strength, about 0.2 mV per °C
// and cell (Bode 1977, from memory), gives 53 mV. The middle is used here and half the difference is uncertainty.
var (
	sheetShift = curve{
		[]float64{-17.8, -12.2, -6.7, -1.1, 4.4, 10, 15.6, 21.1, 26.7, 32.2, 37.8, 43.3, 48.9},
		[]float64{-0.134, -0.108, -0.084, -0.062, -0.044, -0.028, -0.016, -0.007, 0, 0.005, 0.008, 0.011, 0.013},
	}
	thermodynamicVPerC = 0.0012
)

// TemperatureShiftV gives what the rested voltage of a block at tempC lies above its value at 26.7 °C, in volts, and the
// standard uncertainty of that. It is negative in the cold.
func TemperatureShiftV(tempC float64) (shiftV, sigmaV float64) {
	sheet, _ := sheetShift.at(tempC)
	theory := thermodynamicVPerC * (tempC - TableC)
	half := (sheet - theory) / 2
	if half < 0 {
		half = -half
	}
	return (sheet + theory) / 2, half
}

// ReferenceC is the temperature that rested voltages are stated at.
const ReferenceC = 25.0

// referenceShiftV is the shift at that temperature.
var referenceShiftV, _ = TemperatureShiftV(ReferenceC)

// RestedVAtReference brings a rested voltage taken at tempC to 25 °C and gives the standard uncertainty that the
// correction adds, in volts.
func RestedVAtReference(restedV, tempC float64) (v, sigmaV float64) {
	shift, sigma := TemperatureShiftV(tempC)
	return restedV - shift + referenceShiftV, sigma
}

// SoCFromRestedV gives the state of charge in percent that the table has for a rested voltage at 25 °C, and the slope in
// percent per volt. Outside the table it goes on in a straight line: the caller bounds it.
func SoCFromRestedV(c Chemistry, restedV25 float64) (socPct, pctPerV float64) {
	return restedTables[c].toSoC.at(restedV25 - referenceShiftV)
}

// RestedVFromSoC is the reverse of SoCFromRestedV: volts at 25 °C for a state of charge in percent.
func RestedVFromSoC(c Chemistry, socPct float64) float64 {
	v, _ := restedTables[c].toV.at(socPct)
	return v + referenceShiftV
}

// TableSigmaV gives how far a sound battery's rested voltage may stand from the table, one standard deviation in volts.
//
// The published scales for one flooded block stand up to 60 mV apart at half charge; makers' AGM and gel blocks differ
// more (acid strength differs by design). 25 and 60 mV: our reading of those scales, no source.
func TableSigmaV(c Chemistry) float64 {
	if c == Flooded {
		return 0.025
	}
	return 0.060
}
