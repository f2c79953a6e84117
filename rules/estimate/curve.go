package estimate

import (
	"math"
	"time"

	"liftbank/rules/leadacid"
)

// The filter's states: the charge in percent, how far this block's rested voltage stands from the table at the full and at the empty
// end (V), and how much more than usual a load takes off (share). Two more are carried along without being put right by a voltage: the
// capacity and the current sensor's zero. Put right all the time they would soak up the errors of the voltage curve.
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
	considered
)

// Filter is the estimate of the states with their covariances.
type Filter struct {
	X     [states]float64
	P     [states][states]float64
	Cross [states][considered]float64
}

// Constants of the voltage curve. Where no source is named, the figure is our choice.
const (
	sealedSigmaV  = 0.09 // full sealed blocks: makers' acid differs, 12.8 to 13.1 V
	wornSigmaV    = 0.04 // a worn block is empty with acid left: a twentieth of its capacity lost is a twentieth of the table's span
	dropSigma     = 0.4  // makes differ in what a load takes off
	shapeSigmaV   = 0.04 // what is left of the curve's shape once its ends are known
	shapePct      = 12.0 // readings closer than this in charge count as one
	loadLeast     = 0.015
	loadMost      = 0.35 // of the capacity per hour, for the voltage under load to be read
	loadSettle    = 20 * time.Minute
	fouetShare    = 0.05 // of the capacity drawn after a charge, before the dip at its beginning is over
	loadJumpV     = 0.2  // from one reading to the next: no lasting load's
	deadV         = 8.0  // no block with a load on it that still counts
	loadMean      = 10 * time.Minute
	curveEvery    = time.Minute
	driftVPerDay  = 0.004 // a block's curve changes slowly
	restBestPct   = 1.5   // no rest says more
	kneeNearPct   = 10.0  // above the end, the steep end tells
	surprise      = 2.5   // sigma: more, and the charge was less sure than thought
	offsetMostV   = 0.4
	dropMostShare = 2.0
)

func newFilter(c leadacid.Chemistry) Filter {
	f := Filter{}
	f.X[iSoC] = 60
	f.P[iSoC][iSoC] = sq(firstSigmaPct)
	table := sq(leadacid.TableSigmaV(c))
	fullEnd := table
	if c != leadacid.Flooded {
		fullEnd = sq(sealedSigmaV)
	}
	f.P[iFullV][iFullV], f.P[iEmptyV][iEmptyV], f.P[iDrop][iDrop] = fullEnd, table+sq(wornSigmaV), sq(dropSigma)
	return f
}

// move adds to the deviations what pct percent counted, and zeroPct percent for each ampere of the sensor's zero, bring with them. The
// charge itself was moved as it was counted.
func (f *Filter) move(pct, zeroPct, capVar, zeroVar float64) {
	for j := iSoC + 1; j < states; j++ {
		f.P[iSoC][j] -= pct*f.Cross[j][kCap] + zeroPct*f.Cross[j][kZero]
		f.P[j][iSoC] = f.P[iSoC][j]
	}
	c := &f.Cross[iSoC]
	f.P[iSoC][iSoC] = moved(f.P[iSoC][iSoC], c, pct, zeroPct, capVar, zeroVar)
	c[kCap] -= pct * capVar
	c[kZero] -= zeroPct * zeroVar
}

// moved gives the variance of the charge after that, from what it was.
func moved(was float64, c *[considered]float64, pct, zeroPct, capVar, zeroVar float64) float64 {
	return max(was-2*pct*c[kCap]-2*zeroPct*c[kZero]+pct*pct*capVar+zeroPct*zeroPct*zeroVar, bestSigmaPct*bestSigmaPct)
}

// drift lets the curve's ends change with time.
func (f *Filter) drift(hours float64) {
	add := hours / 24 * driftVPerDay * driftVPerDay
	f.P[iFullV][iFullV] += add
	f.P[iEmptyV][iEmptyV] += add
}

// widen adds to the variance of the charge.
func (f *Filter) widen(variance float64) {
	f.P[iSoC][iSoC] = widened(f.P[iSoC][iSoC], variance)
}

func widened(was, variance float64) float64 { return min(was+variance, sq(firstSigmaPct)*1.5) }

// take takes a reading in that lies innovation above what was expected; h says how the reading changes with each state.
func (f *Filter) take(h *[states]float64, innovation, r float64) {
	var ph [states]float64
	s := r
	for i := range states {
		for j := range states {
			ph[i] += f.P[i][j] * h[j]
		}
		s += h[i] * ph[i]
	}
	if odd := sq(innovation / surprise); odd > s && h[iSoC] != 0 {
		// Sure of a wrong charge: what was thought of it is worth less.
		more := min((odd-s)/sq(h[iSoC]), sq(firstSigmaPct))
		f.P[iSoC][iSoC] += more
		ph[iSoC] += more * h[iSoC]
		s += more * sq(h[iSoC])
	}
	var hc [considered]float64
	for i := range states {
		for k := range considered {
			hc[k] += h[i] * f.Cross[i][k]
		}
	}
	for i := range states {
		gain := ph[i] / s
		f.X[i] += gain * innovation
		for j := range states {
			f.P[i][j] -= gain * ph[j]
		}
		for k := range considered {
			f.Cross[i][k] -= gain * hc[k]
		}
	}
	f.hold()
}

// hold keeps the states and variances to what can be.
func (f *Filter) hold() {
	f.X[iSoC] = min(max(f.X[iSoC], 0), 100)
	f.X[iFullV] = min(max(f.X[iFullV], -offsetMostV), offsetMostV)
	f.X[iEmptyV] = min(max(f.X[iEmptyV], -offsetMostV), offsetMostV)
	f.X[iDrop] = min(max(f.X[iDrop], -0.8), dropMostShare)
	for i, least := range [states]float64{bestSigmaPct * bestSigmaPct, 1e-4, 1e-4, 1e-2} {
		f.P[i][i] = max(f.P[i][i], least)
	}
}

// takeSoC takes in that the charge is socPct, give or take sigmaPct.
func (f *Filter) takeSoC(socPct, sigmaPct float64) {
	h := [states]float64{iSoC: 1}
	f.take(&h, socPct-f.X[iSoC], sq(sigmaPct))
}

// takeRested takes a rested voltage at 25 °C in that may still stand sigmaV from the settled one.
func (f *Filter) takeRested(c leadacid.Chemistry, v25, sigmaV float64) {
	h, v := f.rested(c)
	was := f.P[iSoC][iSoC]
	f.take(&h, v25-v, sq(sigmaV)+sq(leadacid.TableSigmaV(c)/2)) // half the table's error is of its shape
	f.P[iSoC][iSoC] = max(f.P[iSoC][iSoC], min(was, sq(restBestPct)))
}

// rested gives the rested voltage at 25 °C and how it changes with each state.
func (f *Filter) rested(c leadacid.Chemistry) (h [states]float64, v25 float64) {
	z := f.X[iSoC] / 100
	table := leadacid.RestedVFromSoC(c, f.X[iSoC])
	_, pctPerV := leadacid.SoCFromRestedV(c, table)
	h = [states]float64{1/pctPerV + (f.X[iFullV]-f.X[iEmptyV])/100, z, 1 - z, 0}
	return h, table + z*f.X[iFullV] + (1-z)*f.X[iEmptyV]
}

// loaded gives the voltage at 25 °C under a lasting load of perHour, and how it changes with each state.
func (f *Filter) loaded(c leadacid.Chemistry, perHour, tempC, leftPct float64) (h [states]float64, v25 float64) {
	h, v25 = f.rested(c)
	drop := leadacid.LoadedDropV(perHour) * (leadacid.MetalShare + (1-leadacid.MetalShare)*leadacid.AcidFactor(tempC))
	growth, growthPer, knee, kneePer := leadacid.LoadedV(c, f.X[iSoC], leftPct)
	v25 -= (1+f.X[iDrop])*drop*growth + knee
	h[iSoC] -= (1+f.X[iDrop])*drop*growthPer + kneePer
	h[iDrop] = -drop * growth
	return h, v25
}

// watchLoad reads the voltage under a lasting load.
func (b *Battery) watchLoad(s Sample, dt time.Duration) {
	if !s.CurrentOK || s.CurrentA >= -loadLeast*b.p.RatedAh {
		b.loadFor = 0
		return
	}
	if b.loadFor == 0 {
		b.loadA, b.loadRead = s.CurrentA, s.At
	}
	b.loadFor += dt
	b.loadA += (s.CurrentA - b.loadA) * ease(dt, loadMean)
	if !s.VoltageOK || s.VoltageV < deadV || !b.last.VoltageOK || math.Abs(s.VoltageV-b.last.VoltageV) > loadJumpV || b.loadFor < loadSettle || s.At-b.loadRead < curveEvery || b.sinceCharge < fouetShare*b.capAh {
		return
	}
	perHour := -b.loadA / b.capAh
	if perHour > loadMost || math.Abs(s.CurrentA-b.loadA) > 0.3*math.Abs(b.loadA) {
		return
	}
	t := b.tempC(s)
	v25, _ := leadacid.RestedVAtReference(s.VoltageV, t)
	share := perHour * (s.At - b.loadRead).Hours() * 100 / shapePct
	b.loadRead = s.At
	left, leftSigma := leadacid.LeftPct(b.p.Chemistry, perHour, t)
	h, expected := b.f.loaded(b.p.Chemistry, perHour, t, left)
	_, tempSigma := leadacid.TemperatureShiftV(t)
	b.settle()
	was, end := b.f.P[iSoC][iSoC], min(1, kneeNearPct/max(b.f.X[iSoC]-left, 1))
	b.f.take(&h, v25-expected, (sq(shapeSigmaV)+sq(tempSigma)+sq(leftSigma*end*h[iSoC]))/min(share, 1))
	b.f.P[iSoC][iSoC] = max(b.f.P[iSoC][iSoC], min(was, sq(leftSigma*end)))
}
