package cell

import "liftbank/sim/detmath"

// HeldGassingA returns the gassing current in A of this battery, were it full, with postV between
// its posts at tempC: what is lost as gas and heat there.
func (b *Battery) HeldGassingA(postV, tempC float64) float64 {
	t := newThermal(tempC, b.heat.coldPower)
	over := postV/cells - gassingRefV
	return float64(b.charging.gasA0*t.selfRate) * detmath.Exp(float64(b.charging.gassingPerV*over))
}

const (
	refillFromPct = 90
	refillToPct   = 97
	refillStepS   = 60
	refillMostH   = 100
	refillMostA   = 0.4 // of the capacity
	settledV      = 1e-6
)

// RefillH returns how many hours this battery takes from 90 to 97 % of its charge, held at postV
// and tempC; 100 if it takes longer.
func (b *Battery) RefillH(postV, tempC float64) float64 {
	c := *b
	c.reset(refillFromPct, tempC)
	most := float64(refillMostA * c.CapacityAh())
	for at := 0; at < refillMostH*3600; at += refillStepS {
		if c.SoCPct() >= refillToPct {
			return float64(at) / 3600
		}
		c.Step(refillStepS, c.HeldA(postV, most), tempC)
		c.heat.tempC = tempC
	}
	return refillMostH
}

// HeldA returns the current that holds postV between the posts, 0 to most A: Newton's steps within
// what is known, halving where they leave it, since the voltage bends either way.
func (b *Battery) HeldA(postV, most float64) float64 {
	lo, hi := 0.0, most
	amps := most
	for range 60 {
		v, slope := b.Terminal(amps)
		switch {
		case v-postV < settledV && postV-v < settledV:
			return amps
		case v < postV:
			lo = amps
		default:
			hi = amps
		}
		if lo == hi {
			break
		}
		amps += (postV - v) / slope
		if !(amps > lo && amps < hi) {
			amps = 0.5 * (lo + hi)
		}
	}
	return amps
}
