package loadtest

import (
	"math"
	"time"

	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// Uncertainty that more runs do not take away.
//
// agingSigma: sulfate counts more than lost plate does, for it also takes acid away and with it
// voltage to begin with. No step shows which it is. shareSigmaGrown: corroded metal and spent
// plates look alike in runs at one temperature. minScatter: below it are errors that go with
// temperature and the time of day, and do not scatter. minSoC: how resistance grows below it is in
// no published band, and cold doubles it.
const (
	tempSigmaC      = 1.5   // °C: thermistor at the case against the plates; our choice
	noTempSigmaC    = 12.0  // °C: no thermometer, a box between the seasons; our choice
	guessSoC        = 80.0  // %: no charge known, between the extremes; our choice
	guessSoCSigma   = 15.0  // %: of that; our choice
	minSoCSigma     = 1.0   // %: no charge is known better; our choice
	slopeStepPct    = 5.0   // %: to either side of a charge, for the slope of resistance there; our choice
	perC            = 0.009 // 1/°C: change of resistance near 25 °C, as leadacid.ResistanceFactor; our choice
	chargeRule      = 0.3   // ratio: ChargeFactor is a band in print, this share of its excess over one; our choice
	heldUp          = 0.10  // ratio: a step from a rest that is held up shows so much too much, run after run; our choice
	correlatedRuns  = 10.0  // count: runs that are unsure in the same way; our choice
	scatterRuns     = 25.0  // count: runs over which scatter is learned; our choice
	minScatter      = 0.1   // ratio: variance over what is stated of one run; our choice
	maxScatter      = 2.0   // ratio: variance over what is stated of one run; our choice
	minSoC          = 45.0  // %: below it no run is judged; our choice
	memoryRuns      = 50.0  // count: runs that the filter remembers; our choice
	runSigma        = 0.02  // ratio: of one run, beyond what its edges show, as load, contact, thermometer; our choice
	outlier         = 3.0   // ratio: standard deviations; our choice
	maxStrikes      = 5     // count: outliers in a row, to one side, that are another battery or a change; our choice
	layerRun        = 0.1   // ratio: deviation of one run's layer beyond its fit, over the whole resistance; our choice
	layerFirst      = 0.12  // ratio: of a block's layer from the prior, over the same; our choice
	layerWalk       = 0.005 // ratio: that it moves by in a run, over the same; our choice
	layerMost       = 0.8   // ratio: of the whole, that the layer may be; published: Sulzer et al. 2019 has 0.75
	agingSigma      = 0.2   // ratio: of what the acid's part has grown beyond a new battery's; fitted to the simulator
	shareSigmaNew   = 0.07  // ratio: of a new block's metal share from the prior one; our choice
	shareSigmaGrown = 0.25  // ratio: of the metal share, per growth of resistance; our choice
	metalGrown      = 0.55  // ratio: prior metal share of what has grown, between corrosion alone and plates; fitted to the simulator
	coldLayerSigma  = 0.3   // ratio: of ColdLayer, between models; our choice
	maxUnsure       = 0.15  // ratio: a capability less sure than this is not said; our choice
	minPart         = 0.02  // ratio: of the whole, that either part keeps; our choice
	emfMemory       = 5     // count: runs in the mean EMF; our choice

	// stepShare is about 60 A of a large battery, its share of a pump motor's current. Beyond
	// bendShare, in the cold, the inrush bends more than a parabola does.
	stepShare = 0.065 // ratio: the step that resistance is stated for, over rated CCA; our choice
	bendShare = 0.25  // ratio: current over rated CCA up to which the inrush is read; fitted to the simulator

	// What a 12 V block of 20 Ah and more can show, the coldest and the worst included; outside a
	// channel is wrong.
	minOhm = 0.0003 // Ω: resistance of a block; our choice
	maxOhm = 0.3    // Ω: resistance of a block; our choice
)

// Parts are the parts of one battery's resistance, at 25 °C and full charge.
type Parts struct {
	MetalMohm, AcidMohm      float64
	LayerMohm, VarLayer      float64 // the reaction's, as its double layer relaxes
	VarMetal, Covar, VarAcid float64 // mΩ²
	Runs                     uint32  // since the last restart
	Strikes                  int8    // outliers in a row; negative: below
	CorrectionShare          float64 // standard uncertainty that temperature and charge leave to all runs in common
	Scatter                  float64 // variance of runs over what is stated of one
}

// figures are what the parts come to, calculated after each run.
type figures struct {
	mohm, mohmSigma float64
	partsShare      float64 // standard uncertainty of the capability from the two parts and how they grew, as a share
}

// conditions are a run's, with what they leave uncertain of the resistance as a share.
type conditions struct {
	acidFactor, layerFactor, chargeFactor, sigma float64
	judged                                       bool
}

func (s *runState) conditions() (c conditions) {
	temp, tempSigma := leadacid.ReferenceC, noTempSigmaC
	if s.tempC.OK() {
		temp, tempSigma = s.tempC.Value, tempSigmaC
	}
	soc, socSigma := guessSoC, guessSoCSigma
	if s.soc.Known {
		soc, socSigma = s.soc.Value, max(s.soc.Sigma, minSoCSigma)
	}
	c.judged = !s.soc.Known || soc >= minSoC
	c.acidFactor, c.layerFactor = leadacid.ConductionFactor(temp), leadacid.ReactionFactor(temp)
	c.chargeFactor = leadacid.ChargeFactor(temp, soc)
	below, above := leadacid.ChargeFactor(temp, soc-slopeStepPct), leadacid.ChargeFactor(temp, soc+slopeStepPct)
	slope := (below - above) / (2 * slopeStepPct)
	c.sigma = math.Sqrt(sq(perC*tempSigma) + sq(slope/c.chargeFactor*socSigma) + sq(chargeRule*(c.chargeFactor-1)))
	return c
}

// learn applies one run: what it showed in mΩ, with the standard uncertainty of that.
//
// The layer's part is followed by itself, and taken off the whole as it is known from all runs: what
// one run has wrongly given to the one part it has taken from the other.
//
// What an unknown charge or temperature leaves open is much the same in all runs of a day: more
// runs don't take it away, but a run of which they are known does. So the part of it that a run has
// in common with those before stays apart, in CorrectionShare; by how much those before were less
// sure is given to the two parts, for this run to take away; by how much this one is less sure
// counts as its noise, and as that of the correlated runs that will follow.
func (m *Meter) learn(got *answer, c conditions) {
	e := &m.state.Parts
	whole := 1000 * got.ohm / c.chargeFactor
	e.learnLayer(1000*got.layerOhm/c.chargeFactor/c.layerFactor, 1000*got.layerSigma/c.chargeFactor/c.layerFactor,
		whole/c.layerFactor)
	z := max(whole-e.LayerMohm*c.layerFactor, (1-layerMost)*whole)
	noise := sq(1000*got.sigma/c.chargeFactor) + sq(whole*runSigma)
	if e.Runs == 0 {
		e.first(&m.p, z, noise, c)
	} else {
		noise *= e.Scatter
		common := min(e.CorrectionShare, c.sigma)
		e.loosen(sq(e.CorrectionShare) - sq(common))
		more := correlatedRuns * sq(z) * (sq(c.sigma) - sq(common))
		if e.weigh(z, noise+more, sq(z*common), c.acidFactor) {
			e.CorrectionShare = common + (c.sigma-common)/memoryRuns*noise/(noise+more)
		} else {
			*e, m.state.Trend = Parts{LayerMohm: e.LayerMohm, VarLayer: e.VarLayer}, Trend{}
			e.first(&m.p, z, noise, c)
		}
	}
	e.Runs++
	share := e.MetalMohm / (e.MetalMohm + e.AcidMohm)
	m.state.Trend.add(z/(share+(1-share)*c.acidFactor) + e.LayerMohm)
	m.updateFigures()
}

// learnLayer applies what one run has shown of the layer, in mΩ at 25 °C; wholeMohm is what the
// whole would be at 25 °C were all of it the layer.
func (e *Parts) learnLayer(mohm, sigma, wholeMohm float64) {
	if e.VarLayer == 0 {
		e.LayerMohm, e.VarLayer = leadacid.LayerShare*wholeMohm, sq(layerFirst*wholeMohm)
	}
	e.VarLayer += sq(layerWalk * wholeMohm)
	gain := e.VarLayer / (e.VarLayer + sq(sigma) + sq(layerRun*wholeMohm))
	before := e.LayerMohm
	e.LayerMohm = min(max(before+gain*(mohm-before), 0), layerMost*wholeMohm)
	if e.Runs > 0 { // what the layer gets, the rest has had
		e.AcidMohm = max(e.AcidMohm+before-e.LayerMohm, minPart*(e.MetalMohm+e.AcidMohm))
	}
	e.VarLayer *= 1 - gain
}

// loosen makes the whole, in its present proportion, less sure by a variance, as a share.
func (e *Parts) loosen(v float64) {
	e.VarMetal += v * e.MetalMohm * e.MetalMohm
	e.Covar += v * e.MetalMohm * e.AcidMohm
	e.VarAcid += v * e.AcidMohm * e.AcidMohm
}

// first sets the two parts by the prior share: z = metal + acid*g, metal = share (metal + acid).
func (e *Parts) first(p *Params, z, noise float64, c conditions) {
	g := c.acidFactor
	s, grown := leadacid.MetalShare, 0.0
	whole := z / (s + (1-s)*g)
	for range 2 { // the share depends on the growth, and the growth a little on the share
		grown = max(1-(1-leadacid.LayerShare)*p.Chemistry.RatedMohm(p.RatedCCA)/whole, 0)
		s = leadacid.MetalShare + (metalGrown-leadacid.MetalShare)*grown
		whole = z / (s + (1-s)*g)
	}
	e.MetalMohm, e.AcidMohm = s*whole, (1-s)*whole
	shareSigma := math.Hypot(shareSigmaNew, shareSigmaGrown*grown)
	// How either part moves with the share while z stays.
	dWhole := whole * (g - 1) / (s + (1-s)*g)
	dm := (whole + s*dWhole) * shareSigma
	da := ((1-s)*dWhole - whole) * shareSigma
	v := noise / sq(z)
	e.VarMetal = dm*dm + v*e.MetalMohm*e.MetalMohm
	e.Covar = dm*da + v*e.MetalMohm*e.AcidMohm
	e.VarAcid = da*da + v*e.AcidMohm*e.AcidMohm
	e.CorrectionShare, e.Scatter = c.sigma, 1
}

// weigh is the filter's step for z = metal + g acid; common is a variance that z has in common with
// the runs before, but may have changed. It reports false when the last runs have all been outliers
// to the same side.
func (e *Parts) weigh(z, noise, common, g float64) bool {
	// A slow walk: what a run adds to the uncertainty balances what memoryRuns of them take away.
	walk := sq(runSigma*(e.MetalMohm+e.AcidMohm)) / sq(memoryRuns)
	e.VarMetal, e.VarAcid = e.VarMetal+walk, e.VarAcid+walk
	hm, ha := e.VarMetal+g*e.Covar, e.Covar+g*e.VarAcid
	s := hm + g*ha + noise
	d := z - e.MetalMohm - g*e.AcidMohm
	t := d / math.Sqrt(s+common)
	e.learnScatter(d*d-(s-noise), noise)
	switch {
	case t > outlier:
		e.Strikes = max(e.Strikes, 0) + 1
	case t < -outlier:
		e.Strikes = min(e.Strikes, 0) - 1
	default:
		e.Strikes = 0
	}
	if e.Strikes >= maxStrikes || e.Strikes <= -maxStrikes {
		return false
	}
	if a := math.Abs(t); a > outlier {
		d *= sq(outlier / a) // the farther out, the less it pulls
	}
	km, ka := hm/s, ha/s
	e.MetalMohm = max(e.MetalMohm+km*d, minPart*(e.MetalMohm+e.AcidMohm))
	e.AcidMohm = max(e.AcidMohm+ka*d, minPart*(e.MetalMohm+e.AcidMohm))
	e.VarMetal, e.Covar, e.VarAcid = e.VarMetal-km*hm, e.Covar-km*ha, e.VarAcid-ka*ha
	return true
}

// learnScatter learns by how much runs scatter: miss is a run's squared distance from what was
// expected, without what was open in that; noise what it was given for its scatter. What an edge
// may be off by is partly the same in every run, and does not scatter: the less they do, the sooner
// do runs at different temperatures tell the two parts apart.
func (e *Parts) learnScatter(miss, noise float64) {
	share := min(max(miss/noise, 0), sq(outlier))
	e.Scatter += e.Scatter * (share - 1) / scatterRuns
	e.Scatter = min(max(e.Scatter, minScatter), maxScatter)
}

func (s *State) learnEMF(v float64) {
	s.EMFRuns++
	s.EMFV += (v - s.EMFV) / float64(min(s.EMFRuns, emfMemory))
}

// updateFigures calculates what the parts come to.
func (m *Meter) updateFigures() {
	e, p := &m.state.Parts, &m.p
	metal, acid, layer := e.MetalMohm, e.AcidMohm, e.LayerMohm
	whole := metal + acid + layer
	common := sq(p.Voltage.Gain) + sq(p.Current.Gain) + sq(e.CorrectionShare) + sq(inrushSigma)
	g := p.Chemistry.ColdAcid
	newAcid := (1 - leadacid.MetalShare) * (1 - leadacid.LayerShare) * p.Chemistry.RatedMohm(p.RatedCCA)
	grown := max(acid-newAcid, 0) / whole
	cold := metal + g*acid + leadacid.ColdLayer*layer
	split := sq(g-leadacid.ColdLayer)*e.VarLayer + sq(coldLayerSigma*layer)
	m.figures = figures{
		mohm:      whole,
		mohmSigma: math.Sqrt(max(e.VarMetal+2*e.Covar+e.VarAcid, 0) + sq(whole)*common),
		partsShare: math.Sqrt((max(e.VarMetal+2*g*e.Covar+g*g*e.VarAcid, 0)+split)/sq(cold) + common +
			sq(agingSigma*grown)),
	}
}

func (m *Meter) cranking() unit.Estimate {
	s := &m.state
	if s.Parts.Runs < minRuns {
		return unit.Estimate{}
	}
	amps := m.p.Chemistry.CrankingCurrentA(s.Parts.MetalMohm, s.Parts.AcidMohm, s.Parts.LayerMohm)
	if s.EMFRuns >= minRuns && s.EMFV < deadCellV {
		amps = m.p.Chemistry.CrankingShortA(amps)
	}
	share := math.Hypot(m.figures.partsShare, leadacid.CrankingRuleSigma)
	return unit.Estimate{Value: amps, Sigma: amps * share, Known: share <= maxUnsure}
}

// finishRun applies what the run showed, once.
func (m *Meter) finishRun() {
	if m.run.phase == running {
		m.run.end(m.run.lastAt())
	}
	if m.run.phase != tail {
		return
	}
	m.run.phase = none
	s := &m.state
	if took, ok := m.run.took(); ok {
		s.TakingRuns = min(s.TakingRuns+1, maxTaking)
		if !took {
			s.TakingRuns = 0
		}
	}
	c := m.run.conditions()
	m.run.layerOhm, m.run.layerSigma = m.expectedLayer(&c)
	s.Lag.learn(&m.run)
	got := m.run.read()
	if got.emfOK && c.judged {
		s.learnEMF(got.emfV)
	}
	if !got.good {
		c.sigma = math.Hypot(c.sigma, heldUp)
	}
	switch {
	case got.ok && c.judged:
		m.learn(&got.answer, c)
		s.ChargedRuns = 0
	case m.run.haveBase && m.run.base.held && m.run.heldFull():
		s.ChargedRuns = min(s.ChargedRuns+1, VerdictRuns)
	}
}

func (m *Meter) bendA() float64 { return bendShare * m.p.RatedCCA }

// expectedLayer returns about what the layer has in ohm, under a run's conditions, and its deviation.
func (m *Meter) expectedLayer(c *conditions) (ohm, sigma float64) {
	e := &m.state.Parts
	mohm, deviation := e.LayerMohm, math.Sqrt(e.VarLayer)
	if e.VarLayer == 0 {
		whole := m.expectedMohm()
		mohm, deviation = leadacid.LayerShare*whole, layerFirst*whole
	}
	factor := c.layerFactor * c.chargeFactor / 1000
	return mohm * factor, max(deviation, layerRun*mohm) * factor
}

// bent is by how much of the resistance a run is expected off a straight line: what the reaction
// takes grows less than the current.
func (m *Meter) bent() float64 {
	share := leadacid.LayerShare + layerFirst
	if e := &m.state.Parts; e.VarLayer > 0 {
		share = (e.LayerMohm + math.Sqrt(e.VarLayer)) / m.expectedMohm()
	}
	return bentLeast + bentPart*share
}

// expectedMohm is about what a run will show.
func (m *Meter) expectedMohm() float64 {
	if e := &m.state.Parts; e.Runs > 0 {
		return e.MetalMohm + e.AcidMohm + e.LayerMohm
	}
	return m.p.Chemistry.RatedMohm(m.p.RatedCCA)
}

func (s *runState) lastAt() time.Duration {
	if s.ringN == 0 {
		return s.start
	}
	return s.ring[(s.ringN-1)%len(s.ring)].at
}

// Trend is a straight line through resistance over runs, the past forgotten: sums with run numbers
// counted back from now.
type Trend struct {
	N, X, Y, XX, XY, YY float64
	Runs                uint32
}

const (
	trendMemory = 200.0             // count: runs that the trend remembers; our choice
	trendKeep   = 1 - 1/trendMemory // ratio: of the past, with each run; our choice
	minTrend    = 50                // count: runs before a trend is said; our choice
	trendPer    = 100               // count: runs that a trend is stated for; our choice
)

func (t *Trend) add(mohm float64) {
	// Every run moves one further back: x becomes x-1.
	t.XX += t.N - 2*t.X
	t.XY -= t.Y
	t.X -= t.N
	for _, sum := range []*float64{&t.N, &t.X, &t.Y, &t.XX, &t.XY, &t.YY} {
		*sum *= trendKeep
	}
	t.N, t.Y, t.YY = t.N+1, t.Y+mohm, t.YY+mohm*mohm
	t.Runs++
}

func (t *Trend) slope() unit.Estimate {
	if t.Runs < minTrend {
		return unit.Estimate{}
	}
	sxx, sxy, syy := t.XX-t.X*t.X/t.N, t.XY-t.X*t.Y/t.N, t.YY-t.Y*t.Y/t.N
	b := sxy / sxx
	residual := max(syy-b*sxy, 0) / max(t.N-2, 1)
	return unit.Estimate{Value: trendPer * b, Sigma: trendPer * math.Sqrt(residual/sxx), Known: true}
}
