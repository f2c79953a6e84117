package estimate

import (
	"math"

	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// Swing is what was drawn since a charge seen to its end, or a rest that says as much. Capacity is
// learned only between two trusted points, such a top and a rested voltage or the knee: learned all
// the time it would absorb the errors of the voltage curve.
type Swing struct {
	Open        bool
	TopPct      float64
	TopSigmaPct float64
	DrawnAh     float64 // net of what was put back
}

// learnFromRest uses a rest after a deep swing as its lower end.
func (b *Battery) learnFromRest() {
	if !b.s.Swing.Open || b.settleSigmaV() > restLearnV {
		return
	}
	// The charge that the rest alone says, by the curve as far as it is known.
	f := b.s.Filter
	var h [states]float64
	for range restSteps {
		var v float64
		h, v = f.rested(b.p.Chemistry)
		f.X[iSoC] = min(max(f.X[iSoC]+(b.expectedRestedV()-v)/h[iSoC], 0), 100)
	}
	full, empty := h[iFullV], h[iEmptyV]
	curve := full*full*f.P[iFullV][iFullV] + 2*full*empty*f.P[iFullV][iEmptyV] + empty*empty*f.P[iEmptyV][iEmptyV]
	sigmaV := math.Sqrt(max(curve, 0) + sq(b.settleSigmaV()) + sq(shapePart*b.p.Chemistry.RestedSigmaV))
	b.learnCapacity(f.X[iSoC], sigmaV/h[iSoC], restLeastSigma)
}

// The rested voltage goes with the acid. A block that has lost active mass is empty with acid left,
// and no rest above that shows it, only the knee: hence restLeastSigma.
const (
	topMinPct      = 85.0 // %: charge after a rest, for a swing to begin there; our choice
	topSigmaPct    = 6.0  // %: and how well it must be known; our choice
	restLeastSigma = 0.10 // ratio: no rests make a capacity surer; our choice
	maxSwingSigma  = 0.15 // ratio: of a swing that still tells something; our choice
	restLearnV     = 0.03 // V: how well a rest must have settled for a capacity to be learned from it; our choice
	shapePart      = 0.5  // ratio: of the table's error that is of its shape; our choice
	restSteps      = 3    // count: of Newton's method, down to the charge of a rest; our choice
)

// learnCapacity learns from a swing that ended at lowPct ± sigmaPct. No number of such swings makes
// the capacity surer than leastSigma, as a share of it.
func (b *Battery) learnCapacity(lowPct, sigmaPct, leastSigma float64) {
	depth := b.s.Swing.TopPct - lowPct
	if !b.s.Swing.Open || b.s.Swing.DrawnAh < minSwing*b.s.CapAh || depth < 100*minSwing {
		return
	}
	capAh := b.s.Swing.DrawnAh / depth * 100
	r := sq(math.Hypot(sigmaPct, b.s.Swing.TopSigmaPct)/depth) + sq(b.p.Current.Gain)
	if r > sq(maxSwingSigma) {
		return // the ends are not known well enough for this depth
	}
	// A table that is off for this block is off each time: more swings to a rest don't help beyond
	// half.
	was, wasVar := b.s.CapAh, b.s.CapVar
	if relative := (capAh - b.s.CapAh) / b.s.CapAh; sq(relative/outlierSigmas) > b.s.CapVar+r {
		b.s.CapVar = sq(leadacid.RatedSigma) // sure of a wrong one: another battery, perhaps
	}
	k := b.s.CapVar / (b.s.CapVar + r)
	b.s.CapAh = min(max(b.s.CapAh+k*(capAh-b.s.CapAh), minCap*b.p.RatedAh), maxCap*b.p.RatedAh)
	b.s.CapVar = min(max(b.s.CapVar*(1-k), r/2, sq(leastSigma)), b.s.CapVar)
	b.s.Filter.rescale((b.s.CapAh-was)/was, wasVar, min(b.s.CapVar, wasVar))
	b.s.CapLearned, b.s.Swing.Open = true, false
}

// CapacityAh returns the present full capacity at the 20 h rate. It is not known before it was
// learned well enough from a swing.
func (b *Battery) CapacityAh() unit.Estimate {
	sigma := math.Sqrt(b.s.CapVar)
	return unit.Estimate{Value: b.s.CapAh, Sigma: b.s.CapAh * sigma, Known: b.s.CapLearned && sigma <= capKnownSigma}
}

// rescale corrects the charge that was counted with a capacity that turned out to be larger by that
// share.
func (f *Filter) rescale(more, wasVar, nowVar float64) {
	per := f.Cross[iSoC][kCap] / wasVar
	f.P[iSoC][iSoC] -= sq(per) * (wasVar - nowVar)
	f.X[iSoC] += per * more
	for i := range states {
		f.Cross[i][kCap] *= nowVar / wasVar
	}
	f.clamp()
}
