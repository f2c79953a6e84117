package estimate

import (
	"math"

	"liftbank/rules/leadacid"
)

// Swing is what was moved since a charge that was known: one seen to its end, the empty end, or a
// rest that says as much. Capacity is learned only between two such points: learned all the time it
// would absorb the errors of the voltage curve. Exported only to be saved.
type Swing struct {
	Open         bool
	FromPct      float64
	FromSigmaPct float64
	MovedAh      float64 // since, in less out
	LostAh       float64 // since, of what was put in
	Hours        float64
}

// Capacity.
const (
	minSwing      = 0.3  // ratio: of the capacity, for a swing to tell something; our choice
	minCap        = 0.2  // ratio: of the rated capacity; our choice
	maxCap        = 1.4  // ratio: of the rated capacity; our choice
	capKnownSigma = 0.08 // ratio: above it the capacity counts as unknown; our choice
)

// The rested voltage goes with the acid. A block that has lost active mass is empty with acid left,
// and no rest above that shows it, only the empty end: hence lostSigma. What capacity a block may
// lack by that it has in voltage at the empty end.
const (
	topMinPct     = 85.0 // %: charge after a rest, for a discharge to be measured from there; our choice
	topSigmaPct   = 6.0  // %: and how well it must be known; our choice
	lostSigma     = 0.10 // ratio: of the capacity, lost with the acid left; no rests make it surer; our choice
	maxSwingSigma = 0.15 // ratio: of a swing that still tells something; our choice
	restLearnV    = 0.03 // V: how well a rest must have settled for a capacity to be learned from it; our choice
	chargeSigma   = 0.15 // ratio: of a capacity learned from what a charge brings in, part of which makes gas; our choice
	shapePart     = 0.5  // ratio: of the table's error that is of its shape; our choice
	restSteps     = 3    // count: of Newton's method, down to the charge of a rest; our choice
)

// beginSwing returns a swing from a known charge.
func beginSwing(pct, sigmaPct float64) Swing {
	return Swing{Open: true, FromPct: min(max(pct, 0), 100), FromSigmaPct: sigmaPct}
}

// count adds what was stored, and lost on the way in.
func (s *Swing) count(storedAh, lostAh, hours float64) {
	s.MovedAh += storedAh
	s.LostAh += lostAh
	s.Hours += hours
}

// top begins the measurement of a discharge at the charge as it is believed now.
func (b *Belief) top() {
	b.Down = beginSwing(b.Filter.X[iSoC], math.Sqrt(b.Filter.P[iSoC][iSoC]))
}

// learnFromRest uses a rest after a deep discharge as its lower end: its settled voltage at 25 °C, as
// far as it is known; and measures the charge that comes from there.
func (b *Belief) learnFromRest(v25, sigmaV float64, p *Params) {
	if sigmaV > restLearnV {
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
	sigmaPct := math.Sqrt(max(curve, 0)+sq(sigmaV)+sq(shapePart*p.Chemistry.RestedSigmaV)) / h[iSoC]
	b.learnCapacity(&b.Down, f.X[iSoC], sigmaPct, lostSigma, p)
}

// learnAtTheEmptyEnd uses the empty end of a discharge, and measures the charge that comes from there.
func (b *Belief) learnAtTheEmptyEnd(leftPct, sigmaPct float64, p *Params) {
	b.learnCapacity(&b.Down, leftPct, sigmaPct, p.Current.Gain, p)
	b.Up, b.UpLeastSigma = beginSwing(leftPct, sigmaPct), chargeSigma
}

// learnAtTheFullEnd uses the end of a charge.
func (b *Belief) learnAtTheFullEnd(fullPct, sigmaPct float64, p *Params) {
	b.learnCapacity(&b.Up, fullPct, sigmaPct, b.UpLeastSigma, p)
	b.Up.Open = false
}

// learnCapacity learns from a swing that ended at toPct ± sigmaPct. What it shows may be off by
// leastSigma, as a share, each time: no number of such swings makes the capacity surer.
func (b *Belief) learnCapacity(s *Swing, toPct, sigmaPct, leastSigma float64, p *Params) {
	depth := toPct - s.FromPct
	if !s.Open || s.MovedAh*depth <= 0 || math.Abs(s.MovedAh) < minSwing*b.CapAh || math.Abs(depth) < 100*minSwing {
		return
	}
	capAh := s.MovedAh / depth * 100
	r := sq(math.Hypot(sigmaPct, s.FromSigmaPct)/depth) + sq(p.Current.Gain) +
		(sq(lossSigma*s.LostAh)+b.ZeroVar*sq(s.Hours))/sq(s.MovedAh)
	if r > sq(maxSwingSigma) {
		return // the ends are not known well enough for this depth
	}
	r += sq(leastSigma)
	// A table that is off for this block is off each time: more swings to a rest don't help beyond
	// half.
	was, wasVar := b.CapAh, b.CapVar
	if relative := (capAh - b.CapAh) / b.CapAh; sq(relative/outlierSigmas) > b.CapVar+r {
		if depth > 0 && relative > 0 {
			return // more went in than there is room for: gas
		}
		b.CapVar = sq(leadacid.RatedSigma) // sure of a wrong one: another battery, perhaps
	}
	k := b.CapVar / (b.CapVar + r)
	b.CapAh = min(max(b.CapAh+k*(capAh-b.CapAh), minCap*p.RatedAh), maxCap*p.RatedAh)
	b.CapVar = min(max(b.CapVar*(1-k), r/2, sq(leastSigma)), b.CapVar)
	b.Filter.rescale((b.CapAh-was)/was, wasVar, min(b.CapVar, wasVar))
	b.CapLearned, s.Open = true, false
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
