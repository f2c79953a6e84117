package loadtest

import (
	"math"
	"time"

	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// A battery that a neighbor or a charger holds up, be it by a fraction of an ampere, is up to some
// 0.1 V above the line that its discharge follows: near full, hardly any current passes for a while
// of voltage. A step from such a rest shows too much, so that what it is off by is an unknown of the
// fit; where the battery was giving current, it is next to none. The inrush has both its ends in
// discharge and shows the line itself. Its price is that voltage and current must be of one instant,
// as the current falls by a thousand amperes a second. How far apart the channels are is learned at
// the stops, where the current breaks off: see Lag.
//
// After an edge readings are left out for a while: the scan that brings it may have begun before
// it, so that its voltage and current are not of one side.
const (
	settle     = 10 * time.Millisecond  // after an edge, left out; our choice
	afterStart = 2 * settle             // of a run, before the stop's near side; our choice
	startSpan  = 200 * time.Millisecond // of the start, whose currents must not be missing; our choice
	edgeSpan   = 120 * time.Millisecond // from the stop, to either side, for the lag; our choice
	baseAge    = 15 * time.Second       // of the oldest reading to compare a start with; our choice

	minEdgeA    = 15.0 // A: change of current worth reading, 10 mV over it is 0.7 mΩ; our choice
	minStop     = 3    // count: readings on each side of the stop; our choice
	minRead     = 8.0  // count: readings of a run, by weight; our choice
	ringSize    = 32   // count: readings that may turn out to be from after the stop; our choice
	idleChargeA = 1.5  // A: a battery that takes more is held by a charger; our choice
	idleHighV   = 13.6 // V: so is one that is higher before a run; our choice
	ownMostV    = 13.0 // V: more than a full block keeps without a charger; trade practice
	backV       = 0.03 // V: below what was before, that a charger brings it back to at once; our choice
)

// LongestScan is how far apart the readings of a motor run may be: the inrush falls by a tenth from
// one to the next, and there are three on each side of a stop within edgeSpan.
const LongestScan = 20 * time.Millisecond // between two readings of a run; our choice

// What a run leaves uncertain by itself, besides what its fit says.
const (
	inrushSigma = 0.010          // ratio: of a resistance; our choice
	surePart    = 0.06           // ratio: a fit as sure as this needs no rest to be good; our choice
	rarer       = 2.0            // ratio: log of how much rarer each view of a rest is than the plainer one; fitted to the simulator
	apartFor    = 12 * time.Hour // after a charge, that strings stand apart; our choice
	unsurePart  = 0.25           // ratio: a fit less sure than this says nothing; our choice
)

type phase uint8

const (
	none    phase = iota
	running       // between Begin and End
	tail          // after End, the stop's other side still to be read
)

// point is one reading as edges need it.
type point struct {
	at   time.Duration
	v, a float64
	held bool // its string or the feed shows that a charger is on
}

// charged reports whether a reading at rest has a charger on, and says nothing of the line.
func (p *point) charged() bool { return p.held || p.a > idleChargeA || p.v > idleHighV }

// runState reads one run.
type runState struct {
	class    class
	parallel bool // others may hold it up
	apart    bool // they do, by how much is not known

	phase phase
	exact bool
	start time.Duration
	stop  time.Duration

	base       point
	haveBase   bool
	fit        fit
	lagS       float64
	lagSigma   float64 // s
	scaleOhm   float64 // of what is expected
	layerOhm   float64 // of the layer, the same
	layerSigma float64
	bent       float64 // share of the resistance that more current than a run's may be off the line by
	stepA      float64
	mostA      float64 // readings with more current are left out

	ring   [ringSize]point // the latest readings within the run, and those about the stop
	ringN  int             // ever written
	fed    int             // of these, given to the fit
	first  mean            // of the start
	before mean
	behind mean // after the stop

	leastA, highA float64 // of the current
	lastA         float64 // before the stop
	resting       mean    // readings after the stop

	stepV, stepA0 float64
	haveStep      bool
	tempC         unit.Reading // as last read
	soc           unit.Estimate
}

// mean is a sum of points.
type mean struct {
	n    int
	v, a float64
}

func (m *mean) add(v, a float64) { m.n, m.v, m.a = m.n+1, m.v+v, m.a+a }

func (m *mean) get() (v, a float64) { return m.v / float64(m.n), m.a / float64(m.n) }

// begin starts a run, with what is expected of the battery set before.
func (s *runState) begin(at time.Duration, exact bool, rest *Rest) {
	s.phase, s.exact = running, exact
	s.start, s.ringN, s.fed = at, 0, 0
	s.first, s.before, s.behind = mean{}, mean{}, mean{}
	s.haveStep, s.resting, s.lastA = false, mean{}, 0
	s.base, s.haveBase = point{rest.At, rest.VoltageV, rest.CurrentA, rest.Held}, rest.Have && at-rest.At <= baseAge
	s.leastA, s.highA = math.Inf(1), math.Inf(-1)
	restA, slow := 0.0, 1.0
	if s.haveBase {
		restA = s.base.a
	}
	if rest.Slower > 0 {
		slow = rest.Slower
	}
	s.fit.begin(at, restA, max(s.beforeV(), startV, s.aboveV()), slow)
}

// aboveV returns by how much a charger had the battery above its rest before the run: so much its
// layers may have begun with.
func (s *runState) aboveV() float64 {
	if !s.haveBase || !s.base.charged() {
		return 0
	}
	return max(s.base.v-leadacid.TaperRestV, 0)
}

// slower returns how long the layers' lags are over those at 25 °C: with a run's current less than the
// reaction's resistance, for the more overpotential there is, the less of it each ampere adds.
func slower(tempC unit.Reading) float64 {
	if !tempC.OK() {
		return 1
	}
	return math.Sqrt(leadacid.ReactionFactor(tempC.Value))
}

// restV returns by how much a rest with the current a may be off the battery's own line.
func (c *class) restV(a float64) float64 {
	switch {
	case a < c.givingA:
		return ownV
	case a <= -c.givingA:
		return idleV
	}
	return heldV
}

// beforeV returns it of the rest before the run.
func (s *runState) beforeV() float64 {
	if !s.haveBase || s.base.charged() {
		return heldV
	}
	return s.class.restV(s.base.a)
}

// afterV returns it of what follows the stop.
func (s *runState) afterV() float64 {
	if s.resting.n == 0 {
		return heldV
	}
	_, a := s.resting.get()
	return s.class.restV(a)
}

// within applies readings of the run.
func (s *runState) within(at time.Duration, in *unit.Battery, soc unit.Estimate) {
	if s.phase != running {
		return
	}
	p := point{at: at, v: in.VoltageV.Value, a: in.CurrentA.Value}
	if s.ringN >= len(s.ring) {
		s.feed()
	}
	s.ring[s.ringN%len(s.ring)] = p
	s.ringN++
	s.tempC, s.soc = in.TempC, soc
	if since := p.at - s.start; since > settle && since <= startSpan {
		s.first.add(p.v, p.a)
	}
}

// feed gives the oldest reading of the ring to the fit.
func (s *runState) feed() {
	p := s.ring[s.fed%len(s.ring)]
	s.fed++
	s.take(&p, s.start, atE)
}

// take applies one reading of the run, or of after it.
func (s *runState) take(p *point, edge time.Duration, where place) {
	f := &s.fit
	last := f.last
	first := !f.have
	if first {
		last = point{at: edge, a: p.a}
		f.v0 = p.v
		if where == atE {
			s.rested()
		}
	}
	if p.at < last.at {
		return
	}
	gap := p.at - last.at
	paired := f.have && gap <= LongestScan
	if where == atE && (gap > LongestScan && last.at-edge < startSpan || first && !s.exact) {
		s.restart(p)
		return
	}
	f.pass((last.a+p.a)/2, gap.Seconds())
	f.last, f.have = *p, true
	since := p.at - edge
	if since <= settle || p.a <= -s.mostA || since < startSpan && !paired {
		return
	}
	rate := 0.0
	if paired && where == atE {
		rate = (p.a - last.a) / gap.Seconds()
	}
	s.leastA, s.highA = min(s.leastA, p.a), max(s.highA, p.a)
	lagV := s.lagSigma * rate * s.scaleOhm
	bentV := s.bent * s.scaleOhm * max(-p.a-s.stepA, 0)
	sigma := math.Sqrt(sq(s.class.readV) + sq(modelV) + sq(lagV) + sq(bentV))
	f.add(p.v, p.a+s.lagS*rate, where, s.stepA, sigma, min(1, spanS/since.Seconds()))
}

// restart forgets the run so far: readings are missing, and with them the currents that the layers
// have in them. The rest before it still counts.
func (s *runState) restart(p *point) {
	v0 := s.fit.v0
	s.fit.begin(s.start, s.fit.restA, heldV, s.fit.slower)
	s.fit.v0 = v0
	s.fit.held = [layers]float64{}
	s.rested()
	s.fit.last, s.fit.have = *p, true
	for k := range layers {
		s.fit.held[k], s.fit.y[k] = 1, p.a
	}
}

// rested applies the rest before the run.
func (s *runState) rested() {
	if s.haveBase && !s.base.charged() {
		s.leastA, s.highA = min(s.leastA, s.base.a), max(s.highA, s.base.a)
		s.fit.add(s.base.v, s.base.a, atBefore, s.stepA, math.Hypot(s.class.readV, modelV), 1)
	}
}

func (s *runState) closeStart() {
	if s.first.n > 0 && s.haveBase && !s.haveStep {
		v, a := s.first.get()
		s.stepV, s.stepA0, s.haveStep = v-s.base.v, a-s.base.a, true
	}
}

// end closes the run as of at: readings of the ring up to it are the run's, the others from after.
func (s *runState) end(at time.Duration) {
	if s.phase != running {
		return
	}
	s.closeStart()
	s.phase, s.stop = tail, at
	n := s.ringN
	for i := max(0, n-len(s.ring)); i < n; i++ {
		p := &s.ring[i%len(s.ring)]
		if p.at < at && at-p.at <= edgeSpan && p.at-s.start > afterStart {
			s.before.add(p.v, p.a)
		}
	}
	for s.fed < n && s.ring[s.fed%len(s.ring)].at <= at {
		s.feed()
	}
	s.stopped()
	for ; s.fed < n; s.fed++ {
		s.far(&s.ring[s.fed%len(s.ring)])
	}
}

// stopped lets the run's last current flow until the stop.
func (s *runState) stopped() {
	f := &s.fit
	if f.have && f.last.at < s.stop {
		f.pass(f.last.a, (s.stop - f.last.at).Seconds())
	}
	s.lastA, f.last.at, f.last.a = f.last.a, s.stop, 0
	for k := range f.tail {
		f.tail[k] = 1
	}
}

// after applies readings after the stop.
func (s *runState) after(at time.Duration, in *unit.Battery, soc unit.Estimate, held bool) {
	p := point{at, in.VoltageV.Value, in.CurrentA.Value, held}
	s.far(&p)
	if p.at-s.stop <= lagSpan {
		s.ring[s.ringN%len(s.ring)] = p
		s.ringN++
	}
	s.tempC, s.soc = in.TempC, soc
}

func (s *runState) far(p *point) {
	since := p.at - s.stop
	if since > settle && since <= edgeSpan {
		s.behind.add(p.v, p.a)
	}
	if !s.fit.have || since > tailSpan || p.charged() {
		return
	}
	s.resting.add(p.v, p.a)
	s.take(p, s.stop, atAfter)
}

// A battery that takes class.takingA or more while the motor pulls its posts down by takingDipV is
// charged by its neighbors even then.
const (
	takingDipV = 0.1 // V: dip of the posts; our choice
	maxTaking  = 100 // count: runs counted so far; our choice
)

// took reports whether the battery took current at the end of the run, with its posts pulled down;
// ok is false when that was not read.
func (s *runState) took() (took, ok bool) {
	if s.before.n < minStop || !s.haveBase {
		return false, false
	}
	v, a := s.before.get()
	return a >= s.class.takingA && v < s.base.v-takingDipV, true
}

// result is what a run showed.
type result struct {
	answer
	emfV      float64 // voltage the run's line points to at no current
	ok, emfOK bool
	good      bool // sure by itself
}

// read solves the run: the resistance statedS after a step to the run's current, as it was. Its sigma
// leaves out the gains' class.
func (s *runState) read() (out result) {
	if s.fit.n < minRead || s.highA-s.leastA < minEdgeA {
		return out
	}
	if s.heldFull() || !s.view(&out.answer, s.beforeV(), s.afterV()) {
		return out
	}
	out.ok = out.sigma < unsurePart*out.ohm
	out.good = out.sigma < surePart*out.ohm
	out.sigma = math.Hypot(out.sigma, inrushSigma*out.ohm)
	if s.before.n >= minStop && out.ok {
		v, a := s.before.get()
		out.emfV, out.emfOK = v-a*out.ohm, true
	}
	return out
}

// heldFull reports whether a charger holds a full battery, which takes next to nothing: it comes back
// to its voltage at once, where a charge of its own on the plates' surface is gone after a run. What
// the charger holds is no resistance.
func (s *runState) heldFull() bool {
	if s.haveBase && s.base.held && s.base.a < idleChargeA {
		return true // in a string: how fast it comes back hangs on what the other takes
	}
	if !s.haveBase || s.base.v <= ownMostV {
		return false
	}
	if s.resting.n == 0 { // the charger shows after the stop, too
		return true
	}
	v, _ := s.resting.get()
	return s.base.v-v < backV
}

// view solves the run. A rest with next to no current may be the battery's own or held up by a
// neighbor that gives it less than its sensor's zero; and after the stop a neighbor whose layers are
// quicker may do so for a moment. The run is solved in each view, and the answers are weighed by how
// likely they make its readings.
func (s *runState) view(out *answer, beforeV, afterV float64) bool {
	views := [...]expected{
		{beforeV: beforeV, afterV: afterV},
		{beforeV: beforeV, afterV: afterV, tailV: heldV},
		{beforeV: heldV, afterV: afterV, tailV: heldV},
		{beforeV: heldV, afterV: heldV, looseV: heldV, tailV: heldV},
	}
	have := false
	for k := range views {
		if s.apart && k < len(views)-1 {
			continue
		}
		if k > 0 && !s.apart && !(s.parallel && (beforeV == idleV || afterV == idleV)) {
			break
		}
		got, ok := s.solve(&views[k])
		got.logLikely -= rarer * float64(k)
		switch {
		case ok && have:
			*out = out.or(&got)
		case ok:
			*out, have = got, true
		}
	}
	return have
}

// solve solves the run for one view of its rests.
func (s *runState) solve(e *expected) (out answer, ok bool) {
	e.scaleOhm, e.bent, e.step = s.scaleOhm, s.bent, max(-s.lastA, minEdgeA)/s.stepA
	layer, ok := s.fit.solve(e)
	if ok && layer.bendOhm < 0 { // no reaction takes more for each ampere the more flow
		e.bent = 0
		layer, ok = s.fit.solve(e)
	}
	if !ok {
		return out, false
	}
	// What earlier runs say of the layer helps with the whole, but must not be learned again.
	e.layerOhm, e.layerSigma = s.layerOhm, s.layerSigma
	if out, ok = s.fit.solve(e); !ok || !(out.ohm > minOhm && out.ohm < maxOhm) {
		return out, false
	}
	out.layerOhm, out.layerSigma = layer.layerOhm, layer.layerSigma
	return out, true
}

func sq(x float64) float64 { return x * x }
