package cell

import "liftbank/sim/detmath"

// RestedOCV is the voltage in V the battery would come to at rest, both wells level, surface charge
// gone, at its present temperature. A shorted cell gives nothing.
func (b *Battery) RestedOCV() float64 {
	missing := b.wells.d1 + b.wells.d2
	e := emfOfLog(detmath.Log10(b.RestedMolality()), b.heat.tempC)
	return float64(b.live * (e + solidV(&b.acid.solid, missing/b.wells.fullAh)))
}

// RestedMolality is the acid's strength in mol/kg once it has evened out.
func (b *Battery) RestedMolality() float64 {
	return b.acid.acid.molality(b.wells.d1 + b.wells.d2 + b.acid.lockedAh)
}

// SoCPct is the true state of charge, 0 to 100 % of the present full capacity at the 20 h rate and
// 25 °C.
func (b *Battery) SoCPct() float64 {
	return clamp(float64(100*(1-(b.wells.d1+b.wells.d2)/b.wells.fullAh)), 0, 100)
}

// CapacityAh is the present full capacity in Ah at the 20 h rate and 25 °C.
func (b *Battery) CapacityAh() float64 { return b.wells.fullAh }

// TempC is the battery's temperature in °C.
func (b *Battery) TempC() float64 { return b.heat.tempC }

// ResistanceMohm25 is the resistance in mΩ as a motor run would show it: the drop 2 s after 60 A set
// in, over 60 A, at 25 °C, fully charged and rested.
func (b *Battery) ResistanceMohm25() float64 {
	c := *b
	c.reset(100, refC)
	before, _ := c.Terminal(0)
	for range int(runS / runStep) {
		c.Step(runStep, -runA, refC)
	}
	after, _ := c.Terminal(-runA)
	return (before - after) / runA * 1000
}

// CrankingA is the true cold cranking capability in A: the current that leaves 7.2 V after 30 s at
// -18 °C, fully charged (SAE J537). It is found by repeating the test on copies, in about 0.1 ms.
// Zero for a battery that has not 7.2 V to begin with.
//
// Search: false position, the value at the end that stays halved each time, to 0.1 mV.
func (b *Battery) CrankingA() float64 {
	over := func(amps float64) float64 { return b.coldVoltage(amps) - coldV }
	lo, hi := 0.0, 3*b.spec.RatedCCA
	vLo, vHi := over(lo), over(hi)
	if !(vLo > 0) {
		return 0
	}
	for range 60 {
		mid := lo + float64((hi-lo)*(vLo/(vLo-vHi)))
		v := over(mid)
		switch {
		case v > -1e-4 && v < 1e-4:
			return mid
		case v > 0:
			lo, vLo, vHi = mid, v, 0.5*vHi
		default:
			hi, vHi, vLo = mid, v, 0.5*vLo
		}
	}
	return lo
}
