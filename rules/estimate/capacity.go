package estimate

import (
	"math"

	"liftbank/rules/leadacid"
)

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
	sigmaV := math.Sqrt(max(curve, 0) + sq(b.settleSigmaV()) + sq(leadacid.TableSigmaV(b.p.Chemistry)/2))
	b.learnCapacity(f.X[iSoC], sigmaV/h[iSoC], restLeast)
}

// How high a charge must be after a rest for a swing to begin there, and how well known.
const (
	topLeastPct = 85.0
	topSigmaPct = 6.0
)

// restLeast: the rested voltage goes with the acid. A block that has lost active mass is empty with acid left, and no rest above that
// shows it; only the knee does.
const restLeast = 0.10

// swingWorst is the worst relative deviation of a swing that still tells something.
const swingWorst = 0.15

// restLearnV is how well a rest must have settled for a capacity to be learnt from it.
const restLearnV = 0.03

// learnCapacity takes in that the swing ended at lowPct, give or take sigmaPct. No number of such swings makes surer than least, relative.
func (b *Battery) learnCapacity(lowPct, sigmaPct, least float64) {
	depth := b.swing.TopPct - lowPct
	if !b.swing.Open || b.swing.DrawnAh < swingLeast*b.capAh || depth < 100*swingLeast {
		return
	}
	capAh := b.swing.DrawnAh / depth * 100
	r := sq(math.Hypot(sigmaPct, b.swing.TopSigmaPct)/depth) + sq(gainSigma)
	if r > sq(swingWorst) {
		return // the ends are not known well enough for this depth
	}
	// A table that is off for this block is off each time: more swings to a rest don't help beyond half.
	was, wasVar := b.capAh, b.capVar
	if relative := (capAh - b.capAh) / b.capAh; sq(relative/surprise) > b.capVar+r {
		b.capVar = sq(ratedSigma) // sure of a wrong one: another battery, perhaps
	}
	k := b.capVar / (b.capVar + r)
	b.capAh = min(max(b.capAh+k*(capAh-b.capAh), capLeast*b.p.RatedAh), capMost*b.p.RatedAh)
	b.capVar = min(max(b.capVar*(1-k), r/2, sq(least)), b.capVar)
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
