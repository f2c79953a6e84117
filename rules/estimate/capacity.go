package estimate

import (
	"math"

	"liftbank/rules/leadacid"
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

// Capacity.
const (
	minSwing      = 0.3  // ratio: of the capacity, for a swing to tell something; our choice
	minCap        = 0.2  // ratio: of the rated capacity; our choice
	maxCap        = 1.4  // ratio: of the rated capacity; our choice
	capKnownSigma = 0.08 // ratio: above it the capacity counts as unknown; our choice
)

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

// learnFromRest uses a rest after a deep swing as its lower end: its settled voltage at 25 °C, as
// far as it is known.
func (b *Belief) learnFromRest(v25, sigmaV float64, p *Params) {
	if !b.Swing.Open || sigmaV > restLearnV {
		return
	}
	// The charge that the rest alone says, by the curve as far as it is known.
	f := b.Filter
	var h [states]float64
	for range restSteps {
		var v float64
		h, v = f.rested(p.Chemistry)
		f.X[iSoC] = min(max(f.X[iSoC]+(v25-v)/h[iSoC], 0), 100)
	}
	full, empty := h[iFullV], h[iEmptyV]
	curve := full*full*f.P[iFullV][iFullV] + 2*full*empty*f.P[iFullV][iEmptyV] + empty*empty*f.P[iEmptyV][iEmptyV]
	sigmaV = math.Sqrt(max(curve, 0) + sq(sigmaV) + sq(shapePart*p.Chemistry.RestedSigmaV))
	b.learnCapacity(f.X[iSoC], sigmaV/h[iSoC], restLeastSigma, p)
}

// learnCapacity learns from a swing that ended at lowPct ± sigmaPct. No number of such swings makes
// the capacity surer than leastSigma, as a share of it.
func (b *Belief) learnCapacity(lowPct, sigmaPct, leastSigma float64, p *Params) {
	depth := b.Swing.TopPct - lowPct
	if !b.Swing.Open || b.Swing.DrawnAh < minSwing*b.CapAh || depth < 100*minSwing {
		return
	}
	capAh := b.Swing.DrawnAh / depth * 100
	r := sq(math.Hypot(sigmaPct, b.Swing.TopSigmaPct)/depth) + sq(p.Current.Gain)
	if r > sq(maxSwingSigma) {
		return // the ends are not known well enough for this depth
	}
	// A table that is off for this block is off each time: more swings to a rest don't help beyond
	// half.
	was, wasVar := b.CapAh, b.CapVar
	if relative := (capAh - b.CapAh) / b.CapAh; sq(relative/outlierSigmas) > b.CapVar+r {
		b.CapVar = sq(leadacid.RatedSigma) // sure of a wrong one: another battery, perhaps
	}
	k := b.CapVar / (b.CapVar + r)
	b.CapAh = min(max(b.CapAh+k*(capAh-b.CapAh), minCap*p.RatedAh), maxCap*p.RatedAh)
	b.CapVar = min(max(b.CapVar*(1-k), r/2, sq(leastSigma)), b.CapVar)
	b.Filter.rescale((b.CapAh-was)/was, wasVar, min(b.CapVar, wasVar))
	b.CapLearned, b.Swing.Open = true, false
}

// rescale corrects the charge that was counted with a capacity that turned out to be larger by that
// share, and what was read of the curve with that charge.
func (f *Filter) rescale(more, wasVar, nowVar float64) {
	var per [states]float64
	for i := range states {
		per[i] = f.Cross[i][kCap] / wasVar
		f.Cross[i][kCap] *= nowVar / wasVar
	}
	for i := range states {
		f.X[i] += per[i] * more
		for j := range states {
			f.P[i][j] -= per[i] * per[j] * (wasVar - nowVar)
		}
	}
	f.clamp()
}
