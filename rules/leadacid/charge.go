package leadacid

import "math"

// ChargeEfficiency gives the share of a charge current that is stored, gassing apart, 0 to 1.
//
// Flooded: above 95 % at low charge (Stevens and Corey, 25th IEEE PVSC, 1996, read). Valve-regulated: up to 98 % (a spiral-wound study). What is
// lost near full is gassing, which depends on voltage and temperature: GassingA.
func ChargeEfficiency(c Chemistry) float64 {
	if c == Flooded {
		return 0.97
	}
	return 0.985
}

// GassingA gives the part of a charge current in amperes that makes gas (or, valve-regulated, recombines) in a block of ratedAh held at
// voltageV and tempC.
//
// About 0.3 A per 100 Ah at 14.4 V and 25 °C, half of that valve-regulated (common practice, no source: a full block on absorption
// takes 0.2 to 0.5 % of its capacity in amperes); a decade per 0.2 V and cell (Tafel slope of gas evolution on lead and lead dioxide,
// from memory), twice that per 10 °C (Arrhenius rule of thumb, from memory). Good to a factor of two.
func GassingA(c Chemistry, ratedAh, voltageV, tempC float64) float64 {
	perAh := 0.003
	if c != Flooded {
		perAh = 0.0015
	}
	v := min(max(voltageV, 10), 17)
	t := min(max(tempC, -40), 70)
	return ratedAh * perAh * math.Exp(math.Ln10*(v-14.4)/(6*0.2)+math.Ln2*(t-25)/10)
}

// ChargeLimitV gives the voltage of a 12 V block in volts that belongs to limitV25 at 25 °C, with the usual compensation of
// -3 mV per °C and cell (published float and absorption settings: -3, some handbooks -4 to -5).
func ChargeLimitV(limitV25, tempC float64) float64 { return limitV25 - 6*0.003*(tempC-25) }
