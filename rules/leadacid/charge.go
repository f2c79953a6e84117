package leadacid

// ChargeEfficiency gives the share of a charge current that is stored at a state of charge in percent, 0 to 1.
//
// Flooded: Stevens and Corey (25th IEEE PVSC, 1996): above 95 % at low charge (read), below 50 % above 90 % SoC (from memory).
// Valve-regulated: up to 98 % (spiral-wound study quoted with it). Straight lines between, reaching a small share at 100 %, where
// nearly all current goes into gas or recombination.
func ChargeEfficiency(c Chemistry, socPct float64) float64 {
	s := min(max(socPct, 0), 100)
	if c == Flooded {
		switch {
		case s < 75:
			return 0.97
		case s < 90:
			return 0.97 - 0.32*(s-75)/15
		default:
			return 0.65 - 0.55*(s-90)/10
		}
	}
	if s < 85 {
		return 0.985
	}
	return 0.985 - 0.785*(s-85)/15
}

// ChargeLimitV gives the voltage of a 12 V block in volts that belongs to limitV25 at 25 °C, with the usual compensation of
// -3 mV per °C and cell (published float and absorption settings: -3, some handbooks -4 to -5).
func ChargeLimitV(limitV25, tempC float64) float64 { return limitV25 - 6*0.003*(tempC-25) }
