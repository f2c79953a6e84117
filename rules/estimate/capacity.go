package estimate

import "math"

// Swing is what was drawn since a charge seen to its end, or a rest that says as much. Capacity is learnt between two trusted points
// only, such a top and a rested voltage or the knee: learnt all the time it would soak up the errors of the voltage curve.
type Swing struct {
	Open        bool
	TopPct      float64
	TopSigmaPct float64
	DrawnAh     float64 // net of what was put back
}

// learnFromRest takes a rest after a deep swing as its lower end.
func (b *Battery) learnFromRest() {
	if !b.swing.Open || b.settleSigmaV() > restLearnV {
		return
	}
	// The charge that the rest alone says, by the curve as far as it is known.
	f := b.f
	var h [states]float64
	for range 3 {
		var v float64
		h, v = f.rested(b.p.Chemistry)
		f.X[iSoC] = min(max(f.X[iSoC]+(b.restNowV()-v)/h[iSoC], 0), 100)
	}
	curve := h[iFullV]*h[iFullV]*f.P[iFullV][iFullV] + 2*h[iFullV]*h[iEmptyV]*f.P[iFullV][iEmptyV] + h[iEmptyV]*h[iEmptyV]*f.P[iEmptyV][iEmptyV]
	b.learnCapacity(f.X[iSoC], math.Sqrt(max(curve, 0)+sq(b.settleSigmaV()))/h[iSoC])
}

// topSigmaPct is how well a charge must be known after a rest for a swing to begin there.
const topSigmaPct = 6.0

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
	was, wasVar := b.capAh, b.capVar
	b.capAh = min(max(b.capAh+k*(capAh-b.capAh), capLeast*b.p.RatedAh), capMost*b.p.RatedAh)
	b.capVar = max(b.capVar*(1-k), r/2)
	b.f.learnt((b.capAh-was)/was, wasVar, min(b.capVar, wasVar))
	b.capHad, b.swing.Open = true, false
}

// CapacityAh gives the present full capacity at the 20 h rate in ampere hours and its standard deviation; ok is false before it was
// learnt from a swing well enough to be said.
func (b *Battery) CapacityAh() (capAh, sigmaAh float64, ok bool) {
	sigma := math.Sqrt(b.capVar)
	return b.capAh, b.capAh * sigma, b.capHad && sigma <= capKnownSigma
}

// learnt takes over that the capacity turned out to be more than counted with by that share: the charge counted with it is put right.
func (f *Filter) learnt(more, wasVar, nowVar float64) {
	per := f.Cross[iSoC][kCap] / wasVar
	f.P[iSoC][iSoC] -= sq(per) * (wasVar - nowVar)
	f.X[iSoC] += per * more
	for i := range states {
		f.Cross[i][kCap] *= nowVar / wasVar
	}
	f.hold()
}
