package estimate

import (
	"math"
	"time"

	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// The filter's states: the charge in percent, how far this block's rested voltage is from the table
// at the full and at the empty end (V), and how much more than usual a load takes off (a share).
// Two more are carried along without being corrected by a voltage: the capacity and the current
// sensor's zero. Corrected all the time they would absorb the errors of the voltage curve.
const (
	iSoC = iota
	iFullV
	iEmptyV
	iDrop
	states
)

const (
	kCap  = iota // relative error of the capacity
	kZero        // A
	considerStates
)

// Filter is the estimate of the states with their covariances.
type Filter struct {
	X     [states]float64
	P     [states][states]float64
	Cross [states][considerStates]float64
}

// Constants of the voltage curve.
const (
	dropSigma        = 0.4              // ratio: makes differ in what a load takes off; our choice
	shapeSigmaV      = 0.04             // V: what is left of the curve's shape once its ends are known; our choice
	shapePct         = 12.0             // %: readings closer than this in charge count as one; our choice
	minLoad          = 0.015            // 1/h: current over capacity, for a discharge to be a load; our choice
	maxLoad          = 0.35             // 1/h: the most at which the voltage under load is read; our choice
	maxLoadChange    = 0.3              // ratio: from the load's mean, for its voltage to be read; our choice
	loadSettle       = 20 * time.Minute // of a load, before its voltage is read; our choice
	coupDeFouetShare = 0.05             // ratio: capacity drawn after a charge until its first dip is over; our choice
	loadJumpV        = 0.2              // V: between two readings of a lasting load; our choice
	deadV            = 8.0              // V: no block with a load on it that still counts; our choice
	loadMean         = 10 * time.Minute // over which a load is averaged; our choice
	curveEvery       = time.Minute      // between readings of the curve; our choice
	driftVPerDay     = 0.004            // V: change of a block's curve in a day, as a random walk; our choice
	restBestPct      = 1.5              // %: no rest says more; our choice
	kneeNearPct      = 10.0             // %: above the end, where the steep end tells; our choice
	outlierSigmas    = 2.5              // ratio: more, and the charge was less sure than thought; our choice

	maxOffsetV   = 0.4  // V: of a block's curve from the table; our choice
	minDrop      = -0.8 // ratio: what a load takes off, over the usual; our choice
	maxDrop      = 2.0  // ratio: what a load takes off, over the usual; our choice
	bestSigmaPct = 0.5  // %: no evidence of a charge is better, however often it is read; our choice
	minVarV      = 1e-4 // V²: variance of the curve's ends; our choice
	minVarDrop   = 1e-2 // ratio²: variance of what a load takes off; our choice
	hoursPerDay  = 24   // h: in a day; physical
	evenVar      = 3    // ratio: of a limit squared over the variance, anywhere inside it; physical
)

// newFilter returns what is believed before any evidence. What the tap reads too much or too little
// it does at both ends of the curve, with each reading: no number of them makes it less. Of taps that
// are evened out it is what they err by together.
func newFilter(c *leadacid.Chemistry, tap unit.SensorClass, taps int) Filter {
	f := Filter{}
	f.X[iSoC] = startPct
	f.P[iSoC][iSoC] = sq(firstSigmaPct)
	tapVar := (sq(tap.Zero) + sq(tap.Gain*c.RestedVFromSoC(startPct))) / float64(evenVar*max(taps, 1))
	f.P[iFullV][iFullV], f.P[iDrop][iDrop] = sq(c.FullSigmaV)+tapVar, sq(dropSigma)
	span := c.RestedVFromSoC(100) - c.RestedVFromSoC(0)
	f.P[iEmptyV][iEmptyV] = sq(c.RestedSigmaV) + sq(lostSigma*span) + tapVar
	f.Cross[iEmptyV][kCap] = -sq(lostSigma) * span
	f.P[iFullV][iEmptyV], f.P[iEmptyV][iFullV] = tapVar, tapVar
	return f
}

// propagate adds to the deviations what pct percent counted, and zeroPct percent for each ampere of
// the sensor's zero, bring with them. The charge itself was moved as it was counted.
func (f *Filter) propagate(pct, zeroPct, capVar, zeroVar float64) {
	for j := iSoC + 1; j < states; j++ {
		f.P[iSoC][j] -= pct*f.Cross[j][kCap] + zeroPct*f.Cross[j][kZero]
		f.P[j][iSoC] = f.P[iSoC][j]
	}
	c := &f.Cross[iSoC]
	f.P[iSoC][iSoC] = moved(f.P[iSoC][iSoC], c, pct, zeroPct, capVar, zeroVar)
	c[kCap] -= pct * capVar
	c[kZero] -= zeroPct * zeroVar
}

// moved returns the variance of the charge after that, from what it was.
func moved(was float64, c *[considerStates]float64, pct, zeroPct, capVar, zeroVar float64) float64 {
	return max(was-2*pct*c[kCap]-2*zeroPct*c[kZero]+pct*pct*capVar+zeroPct*zeroPct*zeroVar, bestSigmaPct*bestSigmaPct)
}

// drift lets the curve's ends change with time.
func (f *Filter) drift(hours float64) {
	add := hours / hoursPerDay * driftVPerDay * driftVPerDay
	f.P[iFullV][iFullV] += add
	f.P[iEmptyV][iEmptyV] += add
}

// widen adds to the variance of the charge. What cuts it off cuts what it shares with the other states
// too: else no errors could have both.
func (f *Filter) widen(variance float64) {
	whole := f.P[iSoC][iSoC] + variance
	f.P[iSoC][iSoC] = widened(f.P[iSoC][iSoC], variance)
	if f.P[iSoC][iSoC] >= whole {
		return
	}
	part := math.Sqrt(f.P[iSoC][iSoC] / whole)
	for j := iSoC + 1; j < states; j++ {
		f.P[iSoC][j] *= part
		f.P[j][iSoC] = f.P[iSoC][j]
	}
	for k := range considerStates {
		f.Cross[iSoC][k] *= part
	}
}

func widened(was, variance float64) float64 {
	return min(was+variance, sq(firstSigmaPct)*maxSigmaFactor)
}

// update applies a reading that is innovation above what was expected; h says how the reading
// changes with each state, r is its variance. It returns the variance of the charge before, as it turned
// out to be.
func (f *Filter) update(h *[states]float64, innovation, r float64) (was float64) {
	var ph [states]float64
	s := r
	for i := range states {
		for j := range states {
			ph[i] += f.P[i][j] * h[j]
		}
		s += h[i] * ph[i]
	}
	if sq(innovation/outlierSigmas) > s && h[iSoC] != 0 {
		// Sure of a wrong charge: what was thought of it is worth less, so much less that this is no
		// surprise.
		more := min((sq(innovation)-s)/sq(h[iSoC]), sq(firstSigmaPct))
		f.P[iSoC][iSoC] += more
		ph[iSoC] += more * h[iSoC]
		s += more * sq(h[iSoC])
	}
	was = f.P[iSoC][iSoC]
	var hc [considerStates]float64
	for i := range states {
		for k := range considerStates {
			hc[k] += h[i] * f.Cross[i][k]
		}
	}
	for i := range states {
		gain := ph[i] / s
		f.X[i] += gain * innovation
		for j := range states {
			f.P[i][j] -= gain * ph[j]
		}
		for k := range considerStates {
			f.Cross[i][k] -= gain * hc[k]
		}
	}
	f.clamp()
	return was
}

// clamp limits states and variances to their physical range.
func (f *Filter) clamp() {
	f.X[iSoC] = min(max(f.X[iSoC], 0), 100)
	f.X[iFullV] = min(max(f.X[iFullV], -maxOffsetV), maxOffsetV)
	f.X[iEmptyV] = min(max(f.X[iEmptyV], -maxOffsetV), maxOffsetV)
	f.X[iDrop] = min(max(f.X[iDrop], minDrop), maxDrop)
	for i, least := range [states]float64{bestSigmaPct * bestSigmaPct, minVarV, minVarV, minVarDrop} {
		f.P[i][i] = max(f.P[i][i], least)
	}
}

// updateSoC updates the filter with a charge of socPct ± sigmaPct.
func (f *Filter) updateSoC(socPct, sigmaPct float64) (was float64) {
	h := [states]float64{iSoC: 1}
	return f.update(&h, socPct-f.X[iSoC], sq(sigmaPct))
}

// updateRested updates the filter with a rested voltage at 25 °C that may still be sigmaV from the
// settled one, and tempV off for its temperature. So much of that as the share is new. In a frost that
// lasts each rest errs the same way, and so it does by the table's shape at one charge. Nor does any
// rest show capacity that is lost with the acid left: capSigma is how far that may be from the one
// counted with.
func (f *Filter) updateRested(c *leadacid.Chemistry, v25, sigmaV, tempV, share, capSigma float64) {
	h, v := f.rested(c)
	same := sq(tempV) + sq(shapePart*c.RestedSigmaV)
	was := f.update(&h, v25-v, (sq(sigmaV)+same)/share)
	hidden := (100 - f.X[iSoC]) * capSigma
	f.atLeast(math.Sqrt(sq(restBestPct)+same/sq(h[iSoC])+sq(hidden)), was)
}

// atLeast keeps the charge from getting surer than sigmaPct by what has just been taken in; was is its
// variance before.
func (f *Filter) atLeast(sigmaPct, was float64) {
	f.P[iSoC][iSoC] = max(f.P[iSoC][iSoC], min(was, sq(sigmaPct)))
}

// rested returns the rested voltage at 25 °C and how it changes with each state.
func (f *Filter) rested(c *leadacid.Chemistry) (h [states]float64, v25 float64) {
	z := f.X[iSoC] / 100
	table := c.RestedVFromSoC(f.X[iSoC])
	_, pctPerV := c.SoCFromRestedV(table)
	h = [states]float64{1/pctPerV + (f.X[iFullV]-f.X[iEmptyV])/100, z, 1 - z, 0}
	return h, table + z*f.X[iFullV] + (1-z)*f.X[iEmptyV]
}

// loaded returns the voltage at 25 °C under a lasting load of perHour, and how it changes with each
// state.
func (f *Filter) loaded(c *leadacid.Chemistry, perHour, tempC, leftPct float64) (h [states]float64, v25 float64) {
	h, v25 = f.rested(c)
	drop := leadacid.LoadedDropV(perHour) * leadacid.ColdFactor(tempC)
	growth, growthPer, knee, kneePer := c.LoadedV(f.X[iSoC], leftPct)
	v25 -= (1+f.X[iDrop])*drop*growth + knee
	h[iSoC] -= (1+f.X[iDrop])*drop*growthPer + kneePer
	h[iDrop] = -drop * growth
	return h, v25
}

// watchLoad reads the voltage under a lasting load.
func (b *Battery) watchLoad(in *Sample, dt time.Duration) {
	if !in.CurrentA.OK() || in.CurrentA.Value >= -minLoad*b.p.RatedAh {
		b.s.LoadFor = 0
		return
	}
	if b.s.LoadFor == 0 {
		b.s.LoadA, b.s.LoadReadAt = in.CurrentA.Value, in.At
	}
	b.s.LoadFor += dt
	b.s.LoadA += (in.CurrentA.Value - b.s.LoadA) * approach(dt, loadMean)
	steady := in.VoltageV.OK() && in.VoltageV.Value >= deadV && b.s.Last.VoltageV.OK() &&
		math.Abs(in.VoltageV.Value-b.s.Last.VoltageV.Value) <= loadJumpV
	if !steady || b.s.LoadFor < loadSettle || in.At-b.s.LoadReadAt < curveEvery ||
		b.s.DrawnSinceChargeAh < coupDeFouetShare*b.s.CapAh {
		return
	}
	perHour := -b.s.LoadA / b.s.CapAh
	if perHour > maxLoad || math.Abs(in.CurrentA.Value-b.s.LoadA) > maxLoadChange*math.Abs(b.s.LoadA) {
		return
	}
	t := in.tempC()
	v25, _ := leadacid.RestedVAtReference(in.VoltageV.Value, t)
	share := perHour * (in.At - b.s.LoadReadAt).Hours() * 100 / shapePct
	b.s.LoadReadAt = in.At
	left, leftSigma := b.p.Chemistry.LeftPct(perHour, t)
	h, expected := b.s.Filter.loaded(b.p.Chemistry, perHour, t, left)
	_, tempSigma := leadacid.TemperatureShiftV(t)
	b.s.Belief.settle(&b.p)
	end := min(1, kneeNearPct/max(b.s.Filter.X[iSoC]-left, 1))
	was := b.s.Filter.update(&h, v25-expected, (sq(shapeSigmaV)+sq(tempSigma)+sq(leftSigma*end*h[iSoC]))/min(share, 1))
	b.s.Filter.atLeast(leftSigma*end, was)
}
