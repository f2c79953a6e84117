package loadtest

import (
	"math"
	"time"

	"liftbank/rules/leadacid"
)

// Uncertainty that more runs do not take away. Where no source is named, the figure is our choice.
const (
	gainSigma     = 0.0141 // class of the voltage's and the current's gain, 1 % each
	tempSigmaC    = 1.5    // thermistor at the case against the plates
	noTempSigmaC  = 12.0   // no thermometer: a box between the seasons
	guessSoC      = 80.0   // no charge known: between the extremes
	guessSoCSigma = 15.0
	chargeRule    = 0.3  // ChargeFactor is a band in print: this share of its excess over one
	heldUp        = 0.10 // a step from a rest that is held up shows so much too much, run after run
	likeRuns      = 10.0 // runs that are unsure in the same way, about
	scatterRuns   = 25.0
	scatterLeast  = 0.1 // about 1 %: under it are errors that go with temperature and the time of day, and do not scatter
	scatterMost   = 2.0
	leastSoC      = 45.0 // below it no run is judged: how resistance grows from there is in no published band, and cold doubles it
	memoryRuns    = 50.0 // runs that the filter remembers, about
	runSigma      = 0.02 // of one run, beyond what its edges show: load, contact, thermometer
	outlier       = 3.0  // standard deviations
	strikesLimit  = 5    // outliers running, to one side: it is another battery, or it has changed

	// kindSigma is how far a capability may be off for what the acid's part has grown beyond a new battery's, as a share of that growth:
	// sulphate counts more than lost plate does, for it also takes acid away and with it voltage to begin with. No step shows which it is.
	kindSigma = 0.2
	// shareSigmaNew is how far a new block's metal share may stand from the prior one, shareSigmaGrown what each part of growth adds: corroded
	// metal and spent plates look alike in runs at one temperature.
	shareSigmaNew   = 0.07
	shareSigmaGrown = 0.25
	mostUnsure      = 0.15 // a capability less sure than this is not said: a charge or a temperature is missing
)

// estimate follows the two parts of one battery's resistance, in mΩ at 25 °C and full charge.
type estimate struct {
	metal, acid   float64
	pMM, pMA, pAA float64 // covariance, mΩ²
	runs          uint32  // since the last restart
	strikes       int8    // outliers running; negative: below
	correction    float64 // standard uncertainty that temperature and charge leave to all runs in common, as a share

	scatter float64 // variance of runs over what is stated of one

	emfV    float64
	emfRuns uint32
	taking  uint8 // runs in a row

	trend trend
	told  told
}

// told is what the estimate says, worked out after each run.
type told struct {
	mohm, mohmSigma float64
	partsShare      float64 // standard uncertainty of the capability from the two parts and how they grew, as a share
}

// conditions are a run's, with what they leave uncertain of the resistance as a share.
type conditions struct {
	acidFactor, chargeFactor, sigma float64
	judged                          bool
}

func conditionsOf(r *Reading) (c conditions) {
	temp, tempSigma := leadacid.ReferenceC, noTempSigmaC
	if r.TempOK {
		temp, tempSigma = r.TempC, tempSigmaC
	}
	soc, socSigma := guessSoC, guessSoCSigma
	if r.SoCOK {
		soc, socSigma = r.SoCPct, max(r.SoCSigma, 1)
	}
	c.judged = !r.SoCOK || soc >= leastSoC
	c.acidFactor, c.chargeFactor = leadacid.AcidFactor(temp), leadacid.ChargeFactor(temp, soc)
	slope := (leadacid.ChargeFactor(temp, soc-5) - leadacid.ChargeFactor(temp, soc+5)) / 10
	const perC = 0.009 // leadacid.ResistanceFactor near 25 °C
	c.sigma = math.Sqrt(sq(perC*tempSigma) + sq(slope/c.chargeFactor*socSigma) + sq(chargeRule*(c.chargeFactor-1)))
	return c
}

// learn takes one run in: what its edges showed in mΩ, with the standard uncertainty of that.
//
// What a charge or a temperature not known leaves open is much the same in all runs of a day: more runs don't take it away, but a run of
// which they are known does. So the part of it that a run has in common with those before stays apart, in correction; by how much
// those before were less sure is given to the two parts, for this run to take away; by how much this one is less sure counts as its noise,
// and as that of the like runs that will follow.
func (e *estimate) learn(p *Params, mohm, sigma float64, c conditions) {
	z := mohm / c.chargeFactor
	noise := sq(sigma/c.chargeFactor) + sq(z*runSigma)
	if e.runs == 0 {
		e.first(p, z, noise, c)
	} else {
		noise *= e.scatter
		common := min(e.correction, c.sigma)
		e.loosen(sq(e.correction) - sq(common))
		more := likeRuns * sq(z) * (sq(c.sigma) - sq(common))
		if !e.weigh(z, noise+more, sq(z*common), c.acidFactor) {
			e.restart(p, z, noise, c)
		} else {
			e.correction = common + (c.sigma-common)/memoryRuns*noise/(noise+more)
		}
	}
	e.runs++
	share := e.metal / (e.metal + e.acid)
	e.trend.add(z / (share + (1-share)*c.acidFactor))
	e.tell(p)
}

// loosen makes the whole, in which the two parts stand as they do, less sure by a variance, as a share.
func (e *estimate) loosen(v float64) {
	e.pMM, e.pMA, e.pAA = e.pMM+v*e.metal*e.metal, e.pMA+v*e.metal*e.acid, e.pAA+v*e.acid*e.acid
}

// first sets the two parts by the prior share: z = metal + acid*g, metal = share (metal + acid).
func (e *estimate) first(p *Params, z, noise float64, c conditions) {
	const s = leadacid.MetalShare
	g := c.acidFactor
	whole := z / (s + (1-s)*g)
	e.metal, e.acid = s*whole, (1-s)*whole
	grown := max(1-leadacid.RatedMohm(p.Chemistry, p.RatedCCA)/whole, 0)
	shareSigma := math.Hypot(shareSigmaNew, shareSigmaGrown*grown)
	// How either part moves with the share while z stays.
	dWhole := whole * (g - 1) / (s + (1-s)*g)
	dm := (whole + s*dWhole) * shareSigma
	da := ((1-s)*dWhole - whole) * shareSigma
	v := noise / sq(z)
	e.pMM, e.pMA, e.pAA = dm*dm+v*e.metal*e.metal, dm*da+v*e.metal*e.acid, da*da+v*e.acid*e.acid
	e.correction, e.scatter = c.sigma, 1
}

// weigh is the filter's step for z = metal + g acid; common is a variance that z has in common with the runs before, but may have changed. It
// reports false when the last runs have all been outliers to the same side.
func (e *estimate) weigh(z, noise, common, g float64) bool {
	// A slow walk: what a run adds to the uncertainty balances what memoryRuns of them take away.
	walk := sq(runSigma*(e.metal+e.acid)) / sq(memoryRuns)
	e.pMM, e.pAA = e.pMM+walk, e.pAA+walk
	hm, ha := e.pMM+g*e.pMA, e.pMA+g*e.pAA
	s := hm + g*ha + noise
	d := z - e.metal - g*e.acid
	t := d / math.Sqrt(s+common)
	e.scatters(d*d-(s-noise), noise)
	switch {
	case t > outlier:
		e.strikes = max(e.strikes, 0) + 1
	case t < -outlier:
		e.strikes = min(e.strikes, 0) - 1
	default:
		e.strikes = 0
	}
	if e.strikes >= strikesLimit || e.strikes <= -strikesLimit {
		return false
	}
	if a := math.Abs(t); a > outlier {
		d *= sq(outlier / a) // the farther out, the less it pulls
	}
	km, ka := hm/s, ha/s
	e.metal = max(e.metal+km*d, 0.02*(e.metal+e.acid))
	e.acid = max(e.acid+ka*d, 0.02*(e.metal+e.acid))
	e.pMM, e.pMA, e.pAA = e.pMM-km*hm, e.pMA-km*ha, e.pAA-ka*ha
	return true
}

// scatters learns by how much runs scatter: miss is a run's squared distance from what was expected, without what was open in that; noise what
// it was given for its scatter. What an edge may be off by is in part the same in every run, and does not scatter: the less they do, the
// sooner do runs at different temperatures tell the two parts apart.
func (e *estimate) scatters(miss, noise float64) {
	share := min(max(miss/noise, 0), sq(outlier))
	e.scatter += e.scatter * (share - 1) / scatterRuns
	e.scatter = min(max(e.scatter, scatterLeast), scatterMost)
}

func (e *estimate) restart(p *Params, z, noise float64, c conditions) {
	*e = estimate{emfV: e.emfV, emfRuns: e.emfRuns, taking: e.taking}
	e.first(p, z, noise, c)
}

func (e *estimate) learnEMF(v float64) {
	e.emfRuns++
	e.emfV += (v - e.emfV) / float64(min(e.emfRuns, emfMemory))
}

const emfMemory = 5

// tell works out what the estimate says.
func (e *estimate) tell(p *Params) {
	m, a := e.metal, e.acid
	whole := m + a
	common := sq(gainSigma) + sq(e.correction) + sq(inrushSigma)
	g := leadacid.ColdAcid(p.Chemistry)
	grown := max(a-(1-leadacid.MetalShare)*leadacid.RatedMohm(p.Chemistry, p.RatedCCA), 0) / whole
	e.told = told{
		mohm:       whole,
		mohmSigma:  math.Sqrt(max(e.pMM+2*e.pMA+e.pAA, 0) + sq(whole)*common),
		partsShare: math.Sqrt(max(e.pMM+2*g*e.pMA+g*g*e.pAA, 0)/sq(m+g*a) + common + sq(kindSigma*grown)),
	}
}

func (e *estimate) resistance() (mohm, sigma float64, runs uint32, ok bool) {
	return e.told.mohm, e.told.mohmSigma, e.runs, e.runs >= leastRuns
}

func (e *estimate) cranking(chem leadacid.Chemistry) (amps, sigma float64, ok bool) {
	if e.runs < leastRuns {
		return 0, 0, false
	}
	amps = leadacid.CrankingCurrentA(chem, e.metal, e.acid)
	if e.emfRuns >= leastRuns && e.emfV < deadCellV {
		amps = leadacid.CrankingShortA(chem, amps)
	}
	share := math.Hypot(e.told.partsShare, leadacid.CrankingRuleSigma)
	return amps, amps * share, share <= mostUnsure
}

// finishRun takes in what the run showed, once.
func (m *Meter) finishRun() {
	if m.run.phase == running {
		m.run.end(m.run.lastAt())
	}
	if m.run.phase != tail {
		return
	}
	m.run.phase = none
	if took, ok := m.run.took(); ok {
		m.est.taking = min(m.est.taking+1, takingMost)
		if !took {
			m.est.taking = 0
		}
	}
	c := conditionsOf(&m.run.cond)
	m.lag.learn(&m.run)
	got := m.run.read(&m.lag, stepShare*m.p.RatedCCA)
	if got.emfOK && c.judged {
		m.est.learnEMF(got.emfV)
	}
	if !got.good {
		c.sigma = math.Hypot(c.sigma, heldUp)
	}
	if got.ok && c.judged && got.ohm < mostOhm && got.ohm > leastOhm {
		m.est.learn(&m.p, 1000*got.ohm, 1000*got.sigma, c)
	}
}

// stepShare is the step that resistance is stated for, over rated CCA: about 60 A of a large battery, its share of a pump motor's current.
const stepShare = 0.065

// bendShare is the current over rated CCA up to which the inrush is read: beyond, in the cold, it bends more than a parabola does.
const bendShare = 0.25

func (m *Meter) bendA() float64 { return bendShare * m.p.RatedCCA }

// Bounds of what a 12 V block of 20 Ah and more can show, the coldest and the worst included; outside them a channel is wrong.
const (
	leastOhm = 0.0003
	mostOhm  = 0.3
)

func (s *runState) lastAt() time.Duration {
	if s.ringN == 0 {
		return s.start
	}
	return s.ring[(s.ringN-1)%len(s.ring)].at
}

// trend is a straight line through resistance over runs, the past forgotten: sums with run numbers counted back from now.
type trend struct {
	n, x, y, xx, xy, yy float64
	runs                uint32
}

const (
	trendMemory = 200.0
	trendLeast  = 50
)

func (t *trend) add(mohm float64) {
	// Every run moves one further back: x becomes x-1.
	t.xx += t.n - 2*t.x
	t.xy -= t.y
	t.x -= t.n
	const keep = 1 - 1/trendMemory
	t.n, t.x, t.y, t.xx, t.xy, t.yy = t.n*keep, t.x*keep, t.y*keep, t.xx*keep, t.xy*keep, t.yy*keep
	t.n, t.y, t.yy = t.n+1, t.y+mohm, t.yy+mohm*mohm
	t.runs++
}

func (t *trend) slope() (per100, sigma float64, ok bool) {
	if t.runs < trendLeast {
		return 0, 0, false
	}
	sxx, sxy, syy := t.xx-t.x*t.x/t.n, t.xy-t.x*t.y/t.n, t.yy-t.y*t.y/t.n
	b := sxy / sxx
	residual := max(syy-b*sxy, 0) / max(t.n-2, 1)
	return 100 * b, 100 * math.Sqrt(residual/sxx), true
}
