package leadacid

import "math"

// capacityShares is one over the cell size factor: what of its capacity at 25 °C a block gives, for
// one duration of discharge.
//
// Source: IEEE Std 485 table 1 (from memory), 25 to 125 °F, here each second row and 25 °C. Other
// origins have 0.61 at -10 °C (a maker's multiplier for flooded blocks), 0.80 to 0.88 at 0 °C and
// 0.65 at -15 °C (a public model's default for AGM): see CapacityShareSigma.
var capacityShares = curve{
	[]float64{-3.9, 1.7, 7.2, 12.8, 18.3, 21.1, 25, 30, 35, 40.6, 46.1, 51.7},
	[]float64{0.6579, 0.7407, 0.8000, 0.8696, 0.9259, 0.9615, 1, 1.0460, 1.0753, 1.1236, 1.1494, 1.1765},
}

// Bounds of the capacity by temperature, and of its uncertainty: every source lies within two of it,
// the farthest at 0 °C (0.875: Copetti et al. 1993).
const (
	minShareC        = -60.0  // °C: colder changes nothing more; our choice
	maxShareC        = 60.0   // °C: nor does warmer; our choice
	minShare         = 0.15   // ratio: of the capacity at 25 °C; our choice
	maxShare         = 1.2    // ratio: of the capacity at 25 °C; our choice
	shareSigmaPerC   = 0.0045 // 1/°C: uncertainty away from 25 °C; published: spread of the sources
	maxShareSigma    = 0.25   // ratio: uncertainty of the share; our choice
	acceptancePer10C = 1.25   // ratio: slower taper, each 10 °C colder; trade practice
	minAcceptanceC   = -40.0  // °C: colder changes nothing more; our choice
)

// CapacityShare returns what of its capacity at 25 °C a block has at tempC, 0.15 to 1.2, for a load
// that takes the same time: a block that bears 10 A for 5 h at 25 °C bears CapacityShare times 10 A
// for 5 h at tempC. Below -3.9 °C the table's last slope, 1.48 % per °C, goes on.
func CapacityShare(tempC float64) float64 {
	s, _ := capacityShares.at(min(max(tempC, minShareC), maxShareC))
	return min(max(s, minShare), maxShare)
}

// CapacityShareSigma returns how far a block may be from CapacityShare, as a share of it; near 25
// °C nothing.
func CapacityShareSigma(tempC float64) float64 {
	return min(shareSigmaPerC*math.Abs(tempC-ReferenceC), maxShareSigma)
}

// slowBend and fastBend bend Peukert's relation: near the 20 h rate it is flatter than over the
// whole range. 100, 93 and 60 Ah at 20, 10 and 1 h make exponents of 1.12 from 20 to 10 h and 1.21
// from 20 to 1 h (computed).
const (
	slowBend = 0.426 // ratio: of Peukert's exponent; published: NREL ssc capacity model, test data
	fastBend = 0.231 // ratio: of that, per ln of the rate; published: NREL ssc capacity model, test data
)

// TwentyHours is the duration of the discharge that capacity is stated for.
const TwentyHours = 20 // h: of the discharge that capacity is stated for; standard: SAE and IEC 20 h capacity test

// RatedSigma is how far a battery of unknown history may be from its rated capacity; in use most
// are below.
const RatedSigma = 0.17 // ratio: of the rated capacity; our choice

// RateShare returns what of its 20 h capacity a block gives at so many times the 20 h rate, 1 at
// that rate and below.
func (c *Chemistry) RateShare(rate float64) float64 {
	if rate <= 1 {
		return 1
	}
	r := math.Log(rate)
	return math.Exp(-(c.PeukertExponent - 1) * r * (slowBend + fastBend*r))
}

// HeldBackAh returns how much a block of capacityAh (at the 20 h rate and 25 °C) holds back of all
// that it has, capacityAh (1 + SlowShare) at 25 °C, when it is discharged with amps (positive, a
// mean over pauses) at tempC until it is empty. It comes back at rest. The current is taken over
// what the block bears at that temperature, as IEEE Std 485 sizes.
func (c *Chemistry) HeldBackAh(capacityAh, amps, tempC float64) float64 {
	most := CapacityShare(tempC) * capacityAh
	rate := max(amps, 0) / (most / TwentyHours)
	return most * (c.SlowShare*min(rate, 1) + 1 - c.RateShare(rate))
}

// AcceptanceFactor returns how much longer the taper of a charge takes at tempC than at 25 °C, at a
// voltage compensated for temperature.
//
// Charging in the cold is said to need about twice the time at 0 °C: 1.25 times per 10 °C makes
// 1.75. Slow dissolution alone, with an activation energy of 30 kJ/mol (general literature, from
// memory), would make 2.8; diffusion alone, 2 % per °C, 1.6.
func AcceptanceFactor(tempC float64) float64 {
	return math.Pow(acceptancePer10C, (ReferenceC-min(max(tempC, minAcceptanceC), maxShareC))/10)
}
