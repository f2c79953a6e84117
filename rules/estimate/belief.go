package estimate

import (
	"math"
	"time"

	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// Belief is what is believed of charge, capacity and current sensor: counting makes the errors of
// all three go together. Exported only to be saved.
type Belief struct {
	ZeroA                float64 // that the current sensor shows without current
	ZeroVar              float64 // A²
	ZeroVarThen          float64 // when the filter was brought up to date
	CapAh                float64 // present full capacity
	CapVar               float64 // relative
	CapLearned           bool    // from at least one swing
	Down, Up             Swing   // a discharge from a known charge, a charge from one
	UpLeastSigma         float64 // see learnCapacity
	Filter               Filter
	MovedPct, MovedHours float64       // counted since the filter was brought up to date
	CountedSigmaPct      float64       // counted up since, of what is lost in charging and in gaps
	ChargeReadAt         time.Duration // last time a charge was read on its way to full

	told unit.Estimate // of the sensor's zero by the last reading, until somebody takes it
}

// What counting leaves open, and what an idle bank says of the current sensor's zero.
const (
	firstSigmaPct  = 30.0             // %: charge before any evidence; our choice
	maxSigmaFactor = 1.5              // ratio: of that, squared, the most that counting leaves; our choice
	startPct       = 60.0             // %: charge before any evidence; our choice
	minZeroSigmaA  = 0.05             // A: how well a zero can be known, beside what a parked bank gives; our choice
	zeroShare      = 0.75             // ratio: deviation of a zero over its class, before it was seen at rest; our choice
	maxZeroVar     = 20.0             // A²: of a zero, more is no sensor's; our choice
	zeroOpened     = 1.2              // ratio: of a zero's variance, from which it is in doubt again; our choice
	maxZero        = 1.25             // ratio: of its class, more is a fault or a drain; our choice
	maxIdle        = 4                // ratio: of that, more is no trickle, and says nothing of a zero; our choice
	idleA          = -0.03            // A: what a parked battery gives to the board and itself; our choice
	idleSigmaA     = 0.06             // A: how uncertain that is; our choice
	unsettledA     = 0.3              // A: what may flow between neighbors at first in a rest; our choice
	unsettledFor   = time.Hour        // for that to go; our choice
	idleShare      = 2 * time.Hour    // closer readings of a zero count as one; our choice
	idleAfter      = 20 * time.Minute // of rest, before a zero is read; our choice
)

func (p *Params) maxZeroA() float64 { return maxZero * p.Current.Zero }

// newBelief returns what is believed before any evidence.
func newBelief(p *Params) Belief {
	zero := sq(zeroShare * p.Current.Zero)
	return Belief{
		ZeroVar: zero, ZeroVarThen: zero, CapAh: p.RatedAh, CapVar: sq(leadacid.RatedSigma),
		Filter: newFilter(p.Chemistry, p.Voltage, p.Taps),
	}
}

// count moves the charge by what was stored in so many hours, and lost on the way in.
func (b *Belief) count(storedAh, lostAh, hours float64) {
	share := storedAh / b.CapAh
	b.Down.count(storedAh, lostAh, hours)
	b.Up.count(storedAh, lostAh, hours)
	b.Filter.X[iSoC] = min(max(b.Filter.X[iSoC]+100*share, 0), 100)
	b.MovedPct += 100 * share
	b.MovedHours += hours
}

// settle makes what was counted since the last reading part of the filter's deviations.
func (b *Belief) settle(p *Params) {
	b.counting(&b.Filter, p)
	b.CountedSigmaPct, b.MovedPct, b.MovedHours, b.ZeroVarThen = 0, 0, 0, b.ZeroVar
}

// counting brings f's deviations up to what was counted since the last reading.
func (b *Belief) counting(f *Filter, p *Params) {
	for i := range states {
		f.Cross[i][kZero] *= b.ZeroVar / b.ZeroVarThen
	}
	f.propagate(b.MovedPct, 100*b.MovedHours/b.CapAh, b.CapVar+sq(p.Current.Gain), b.ZeroVar)
	f.drift(b.MovedHours)
	f.widen(sq(b.CountedSigmaPct))
}

// variance returns that of the charge as counting leaves it.
func (b *Belief) variance(p *Params) float64 {
	c := b.Filter.Cross[iSoC]
	c[kZero] *= b.ZeroVar / b.ZeroVarThen
	charge := moved(b.Filter.P[iSoC][iSoC], &c, b.MovedPct, 100*b.MovedHours/b.CapAh,
		b.CapVar+sq(p.Current.Gain), b.ZeroVar)
	return widened(charge, sq(b.CountedSigmaPct))
}

// takeCharge takes in a charge read on its way to full: readings close together are largely the
// same evidence.
func (b *Belief) takeCharge(at time.Duration, pct, sigmaPct float64, p *Params) {
	share := float64(at-b.ChargeReadAt) / float64(chargeTime)
	b.ChargeReadAt = at
	sigmaPct /= math.Sqrt(min(share, 1))
	b.settle(p)
	b.tellZero(&[states]float64{iSoC: 1}, pct-b.Filter.X[iSoC], sq(sigmaPct))
	b.Filter.updateSoC(pct, sigmaPct)
}

// tellZero takes what a reading says of the zero of the current sensor, before the filter takes it
// in: the charge counted with that zero since the readings before is not the one that is read. h,
// innovation and variance are as in Filter.update.
func (b *Belief) tellZero(h *[states]float64, innovation, variance float64) {
	f, c := &b.Filter, 0.0
	for i := range states {
		c += h[i] * f.Cross[i][kZero]
		for j := range states {
			variance += h[i] * f.P[i][j] * h[j]
		}
	}
	if c == 0 || sq(innovation/outlierSigmas) > variance {
		return
	}
	// With the gain c/variance the zero's own would fall by c²/variance: so does one reading of this.
	v := max(sq(b.ZeroVar/c)*variance-b.ZeroVar, 0)
	if v < b.ZeroVar {
		b.told = unit.Estimate{Value: innovation * b.ZeroVar / c, Sigma: math.Sqrt(toldTwice * v), Known: true}
	}
}

const toldTwice = 2.0 // ratio: of the variance, as two readings err partly in the same way; our choice

// takeZero takes over how well the current sensor's zero is known, by somebody who takes it off.
// What is in more doubt than before was not counted with so large an error.
func (b *Belief) takeZero(sigmaA float64, p *Params) {
	v := min(max(sq(sigmaA), sq(minZeroSigmaA)), maxZeroVar)
	if v > zeroOpened*b.ZeroVar {
		b.settle(p)
		b.ZeroVarThen = v
	}
	b.ZeroA, b.ZeroVar = 0, v
}

// learnZero takes a reading of an idle bank that goes on resting as one of the current sensor's
// zero.
func (b *Belief) learnZero(in *Sample, dt time.Duration, rest *Rest, p *Params) {
	if !in.Idle || !in.CurrentA.OK() || in.NeighborA.OK() || math.Abs(in.CurrentA.Value) > maxIdle*p.maxZeroA() ||
		!rest.Resting || rest.Jumped || rest.RestFor < idleAfter {
		return
	}
	// Until the battery has settled, more than a trickle may flow between it and its neighbors.
	settle := unsettledA * (1 - approach(rest.RestFor, unsettledFor))
	r := (idleSigmaA*idleSigmaA + settle*settle) * float64(idleShare) / float64(max(dt, time.Millisecond))
	k := b.ZeroVar / (b.ZeroVar + r)
	limit := p.maxZeroA()
	b.ZeroA = min(max(b.ZeroA+k*(in.CurrentA.Value-idleA), -limit), limit)
	b.ZeroVar = max(b.ZeroVar*(1-k), minZeroSigmaA*minZeroSigmaA)
}
