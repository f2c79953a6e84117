package leadacid

// freezingCurve is the freezing point of the electrolyte of a flooded block over its charge.
//
// Specific gravity by charge (100 to 0 %: 1.265, 1.225, 1.190, 1.155, 1.120): Battery Council
// state-of-charge table; 0.0014 per percent up to 75 %. Freezing point by specific gravity (1.265
// -59.4 °C, 1.225 -37.2, 1.200 -27.2, 1.150 -15.0, 1.100 -7.8): storage table of a vehicle manual,
// read, and within 1 °C US Army TM-5-1185. A third published set runs 10 to 24 °C colder under
// 1.250 and is left out: an alarm takes the warmer. In between, straight lines.
var freezingCurve = curve{
	[]float64{0, (1.150 - 1.120) / (1.225 - 1.120) * 75, (1.200 - 1.120) / (1.225 - 1.120) * 75, 75, 100},
	[]float64{
		-7.8 + (1.120-1.100)/(1.150-1.100)*(-15.0+7.8),
		-15.0,
		-27.2,
		-37.2,
		-59.4,
	},
}

// FreezingC returns the freezing point of the electrolyte in °C at a charge of 0 to 100 %. It is
// that of flooded blocks; the acid of valve-regulated ones is stronger, so that it errs to the warm
// side for them.
func FreezingC(socPct float64) float64 {
	c, _ := freezingCurve.at(min(max(socPct, 0), 100))
	return c
}
