package leadacid

// ResistanceFactor gives what the resistance of a block at tempC and socPct is, over that at 25 °C and full charge.
//
// Over temperature: -0.5 to -1.0 % per °C near 25 °C and 1.5 to 2.0 times at -18 °C (general literature, from memory), met by
// 1 - 0.008 d + 0.00019 d² with d = T - 25: 1.70 at -18 °C. Over charge: 1.1 to 1.3 times at 50 % and 1.5 to 2.5 times empty
// (general literature, from memory), met by 1 + 0.2 x + 0.8 x³ with x the missing share: 1.2 and 2.0.
func ResistanceFactor(tempC, socPct float64) float64 {
	d := min(max(tempC-ReferenceC, -55), 21) // the parabola's foot lies at 21
	x := 1 - min(max(socPct, 0), 100)/100
	return (1 + x*(0.2+0.8*x*x)) * (1 - 0.008*d + 0.00019*d*d)
}

// CrankingV is the voltage over which cold cranking capability is drawn, in volts: from a full block at -18 °C (12.52 V by
// the temperature-corrected state-of-charge sheet) down to the 7.2 V of SAE J537.
const CrankingV = 12.52 - 7.2

// crankingRatio is the 30 s resistance at -18 °C over the first 100 ms' resistance at 25 °C, both full.
//
// From the rule of thumb that a good block shows 3.0 V/CCA near 25 °C (from memory): 5.32/3.0. It has no better source and is
// worth 15 %, which CrankingSigma carries.
const crankingRatio = CrankingV / 3.0

// CrankingA gives the cold cranking capability in amperes (SAE J537: 30 s at -18 °C, not below 7.2 V) of a block with
// the given resistance at 25 °C and full charge in mΩ (> 0).
func CrankingA(mohm25 float64) float64 { return CrankingV / (crankingRatio * mohm25 / 1000) }

// CrankingSigma is the standard uncertainty of CrankingA's rule itself, as a share of the figure; that of the resistance
// comes on top.
const CrankingSigma = 0.15
