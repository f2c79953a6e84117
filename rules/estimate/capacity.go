package estimate

import (
	"math"

	"liftbank/rules/leadacid"
)

// Swing is what was drawn since a charge seen to its end. Capacity is learnt between two trusted points only, such an end and a
// rested voltage or the knee: learnt all the time it would soak up the errors of the voltage curve.
type Swing struct {
	Open        bool
	TopPct      float64
	TopSigmaPct float64
	DrawnAh     float64 // net of what was put back
}

// learnFromRest takes a rest after a deep swing as its lower end.
func (b *Battery) learnFromRest(v25, sigmaV float64) {
	if !b.swing.Open || b.settleSigmaV() > restLearnV {
		return
	}
	z, slope := leadacid.SoCFromRestedV(b.p.Chemistry, v25)
	b.learnCapacity(min(max(z, 0), 100), sigmaV*slope)
}

// restLearnV is how well a rest must have settled for a capacity to be learnt from it.
const restLearnV = 0.03

// learnCapacity takes in that the swing ended at lowPct, give or take sigmaPct.
func (b *Battery) learnCapacity(lowPct, sigmaPct float64) {
	depth := b.swing.TopPct - lowPct
	if !b.swing.Open || b.swing.DrawnAh < swingLeast*b.capAh || depth < 100*swingLeast {
		return
	}
	capAh := b.swing.DrawnAh / depth * 100
	r := sq(math.Hypot(sigmaPct, b.swing.TopSigmaPct)/depth) + sq(gainSigma)
	// A table that is off for this block is off each time: more swings to a rest don't help beyond half.
	k := b.capVar / (b.capVar + r)
	b.capAh = min(max(b.capAh+k*(capAh-b.capAh), capLeast*b.p.RatedAh), capMost*b.p.RatedAh)
	b.capVar = max(b.capVar*(1-k), r/2)
	b.capHad, b.swing.Open = true, false
}

// CapacityAh gives the present full capacity at the 20 h rate in ampere hours and its standard deviation; ok is false before it was
// learnt from a swing well enough to be said.
func (b *Battery) CapacityAh() (capAh, sigmaAh float64, ok bool) {
	sigma := math.Sqrt(b.capVar)
	return b.capAh, b.capAh * sigma, b.capHad && sigma <= capKnownSigma
}
