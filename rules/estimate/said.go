package estimate

import (
	"math"

	"liftbank/rules/unit"
)

// maxMovePct is how far one reading moves the charge that is stated. Two readings that agree on a
// current count in full.
const maxMovePct = 2.0 // %: by one reading; our choice

// cutSigmas is how far from an end of its range a charge must be for that end not to matter.
const cutSigmas = 4.0 // ratio: of its deviation; our choice

// say states the charge: what is believed of it, reached in steps that no single reading can make
// large, with what is left of the way as doubt.
func (b *Battery) say() {
	soc, variance := b.believed()
	pct, sigma := withinRange(soc, math.Sqrt(variance))
	known := variance <= sq(knownSigmaPct)
	if was := &b.s.Said; was.Known && known {
		from := min(max(was.Value+b.agreedPct, 0), 100)
		gap := pct - from
		step := min(max(gap, -maxMovePct), maxMovePct)
		pct, sigma = from+step, sigma+math.Abs(gap-step)
	}
	b.s.Said = unit.Estimate{Value: pct, Sigma: sigma, Known: known}
	b.agreedPct = 0
}

// believed returns the charge and its variance as counting and a rest under way leave it.
func (b *Battery) believed() (soc, variance float64) {
	if !b.s.Rest.readable() {
		return b.s.Filter.X[iSoC], b.s.Belief.variance(&b.p)
	}
	f := b.s.Filter
	b.s.Belief.counting(&f, &b.p)
	b.s.Rest.into(&f, &b.s.Last, math.Sqrt(b.s.CapVar), &b.p)
	return f.X[iSoC], f.P[iSoC][iSoC]
}

// withinRange returns mean and deviation of a charge of which all that lies beyond 0 or 100 % counts
// as at that end: more than full is full.
func withinRange(pct, sigma float64) (mean, sd float64) {
	low, high := -pct/sigma, (100-pct)/sigma
	if low < -cutSigmas && high > cutSigmas {
		return pct, sigma
	}
	pLow, pHigh := normal(low), normal(-high)
	dLow, dHigh := density(low), density(high)
	inside := 1 - pLow - pHigh
	// Moments over the deviation, of what lies inside, and of the two ends.
	m := dLow - dHigh + low*pLow + high*pHigh
	m2 := inside + low*dLow - high*dHigh + low*low*pLow + high*high*pHigh
	return min(max(pct+sigma*m, 0), 100), max(sigma*math.Sqrt(max(m2-m*m, 0)), bestSigmaPct)
}

// normal is the share of a normal distribution below x deviations.
func normal(x float64) float64 { return math.Erfc(-x/math.Sqrt2) / 2 }

// density is the normal distribution's density at x deviations.
func density(x float64) float64 { return math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) }
