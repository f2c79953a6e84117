package loadtest

import (
	"math"
	"time"

	"liftbank/rules/unit"
)

// A battery that a neighbor or a charger holds up, be it by a fraction of an ampere, is up to some
// 0.1 V above the line that its discharge follows: near full, hardly any current passes for a while
// of voltage. A step from such a rest shows too much. The inrush has both its ends in discharge and
// shows the line itself, so it is what counts; steps against the rest before and after only help
// where the battery was giving current then. The inrush's price is that voltage and current must be
// of one instant, as the current falls by a thousand amperes a second. How far apart the channels
// are is learned at the stops, where the current breaks off: see Lag.
//
// After an edge readings are left out for a while: the scan that brings it may have begun before
// it, so that its voltage and current are not of one side. The start is read as long as the inrush
// is mostly over and the slow part has not begun.
const (
	settle     = 10 * time.Millisecond  // after an edge, left out; our choice
	afterStart = 2 * settle             // of a run, before the stop's near side; our choice
	startSpan  = 200 * time.Millisecond // of the start, that is read; our choice
	edgeSpan   = 120 * time.Millisecond // from the stop, to either side, that is read; our choice
	baseAge    = 15 * time.Second       // of the oldest reading to compare a start with; our choice
	pairGap    = 20 * time.Millisecond  // longest between two readings, for a rate of change; our choice

	minEdgeA    = 15.0 // A: change of current worth reading, 10 mV over it is 0.7 mΩ; our choice
	minStop     = 3    // count: readings on each side of the stop; our choice
	ringSize    = 32   // count: readings kept for the stop; our choice
	idleChargeA = 1.5  // A: a battery that takes more is held by a charger; our choice
	idleHighV   = 13.3 // V: so is one that is higher; our choice
)

// What an edge leaves uncertain by itself, besides class.readV over the step.
const (
	inrushSigma = 0.010 // ratio: of a resistance by the inrush; our choice
	lateSigma   = 0.025 // ratio: of one whose start was seen by current only; our choice
	stopSigma   = 0.010 // ratio: of one by the stop, where the battery gives current at rest; our choice
	heldSigma   = 0.08  // ratio: of one by the stop, where it does not; our choice
	inrushS     = 0.1   // s: the inrush's time constant: what a lag does is lag over this; our choice
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
}

// runState reads the edges of one run.
type runState struct {
	class class

	phase phase
	exact bool
	open  bool // the start's window
	begun bool // the first reading was seen
	start time.Duration
	stop  time.Duration

	base     point
	haveBase bool
	inrush   inrush

	ring   [ringSize]point // the latest readings within the run, and those about the stop
	ringN  int             // ever written
	before mean
	behind mean // after the stop

	stepV, stepA float64
	haveStep     bool
	tempC        unit.Reading // as last read
	soc          unit.Estimate
}

// mean is a sum of points.
type mean struct {
	n    int
	v, a float64
}

func (m *mean) add(v, a float64) { m.n, m.v, m.a = m.n+1, m.v+v, m.a+a }

func (m *mean) get() (v, a float64) { return m.v / float64(m.n), m.a / float64(m.n) }

func (s *runState) begin(at time.Duration, exact bool, bendA float64, rest *Rest) {
	s.phase, s.exact, s.open, s.begun = running, exact, true, false
	s.start, s.ringN = at, 0
	s.inrush.n, s.inrush.mostA, s.before, s.behind = 0, bendA, mean{}, mean{}
	s.haveStep = false
	s.base, s.haveBase = point{rest.At, rest.VoltageV, rest.CurrentA}, rest.Have && at-rest.At <= baseAge
}

// restSideWeight returns what a reading at rest is worth as one side of a step: nothing with a
// charger on, and not much unless the battery gives current.
func (c *class) restSideWeight(v, a float64) (sigma float64, ok bool) {
	switch {
	case a > idleChargeA || v > idleHighV:
		return 0, false
	case a < c.givingA:
		return stopSigma, true
	}
	return heldSigma, true
}

// within applies readings of the run.
func (s *runState) within(at time.Duration, in *unit.Battery, soc unit.Estimate) {
	if s.phase != running {
		return
	}
	p := point{at, in.VoltageV.Value, in.CurrentA.Value}
	rate, paired := 0.0, false
	if s.ringN > 0 {
		before := &s.ring[(s.ringN-1)%len(s.ring)]
		dt := (p.at - before.at).Seconds()
		if paired = p.at > before.at && p.at-before.at <= pairGap; paired {
			rate = (p.a - before.a) / dt
		}
	}
	s.ring[s.ringN%len(s.ring)] = p
	s.ringN++
	s.tempC, s.soc = in.TempC, soc
	if !s.open {
		return
	}
	since := p.at - s.start
	switch {
	case since > startSpan:
		s.closeStart()
	case s.begun && since > settle && paired:
		s.inrush.add(p.v, p.a, rate)
	}
	s.begun = true
}

func (s *runState) closeStart() {
	s.open = false
	if s.inrush.n > 0 && s.haveBase {
		v, a := s.inrush.mean()
		s.stepV, s.stepA, s.haveStep = v-s.base.v, a-s.base.a, true
	}
}

// end closes the run as of at and looks back for the stop's near side.
func (s *runState) end(at time.Duration) {
	if s.phase != running {
		return
	}
	s.closeStart()
	s.phase, s.stop = tail, at
	for i := max(0, s.ringN-len(s.ring)); i < s.ringN; i++ {
		p := &s.ring[i%len(s.ring)]
		switch {
		case p.at < at && at-p.at <= edgeSpan && p.at-s.start > afterStart:
			s.before.add(p.v, p.a)
		case p.at > at:
			s.far(*p)
		}
	}
}

// after applies readings after the stop.
func (s *runState) after(at time.Duration, in *unit.Battery, soc unit.Estimate) {
	p := point{at, in.VoltageV.Value, in.CurrentA.Value}
	s.far(p)
	if p.at-s.stop <= lagSpan {
		s.ring[s.ringN%len(s.ring)] = p
		s.ringN++
	}
	s.tempC, s.soc = in.TempC, soc
}

func (s *runState) far(p point) {
	if since := p.at - s.stop; since > settle && since <= edgeSpan {
		s.behind.add(p.v, p.a)
	}
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
	ohm, sigma float64 // resistance as it was; sigma leaves out the gains' class
	emfV       float64 // voltage the run's line points to at no current
	ok, emfOK  bool
	good       bool // by the inrush, or from a rest in which the battery gave current
}

// read puts the two edges together: the resistance over a step of stepA from none.
func (s *runState) read(lag *Lag, stepA float64) (out result) {
	lagS, lagSigmaS := lag.seconds()
	var w, sum float64
	take := func(ohm, sigma float64) {
		v := sq(sigma)
		w, sum = w+1/v, sum+ohm/v
	}
	line, lineOK := s.inrush.line(lagS, stepA, s.class.readV)
	if own := inrushSigma; lineOK {
		if !s.exact { // the motor may have begun before the first scan: the current still fell, or there were no line
			own = lateSigma
		}
		take(line.ohm, math.Hypot(line.sigma, line.ohm*math.Hypot(own, lagSigmaS/inrushS)))
		out.good = true
	}
	stopOhm, stopA, stopOK := s.stopEdge()
	if stopOK {
		v1, a1 := s.behind.get()
		if sigma, usable := s.class.restSideWeight(v1, a1); usable {
			take(stopOhm, math.Hypot(sigma*stopOhm, s.class.readV/stopA))
			out.good = out.good || sigma == stopSigma
		}
	}
	if w == 0 && s.haveBase && s.inrush.n >= minStart {
		sigma, usable := s.class.restSideWeight(s.base.v, s.base.a)
		v, a := s.inrush.mean()
		if v, a = v-s.base.v, a-s.base.a; usable && a < -minEdgeA && v < 0 {
			take(v/a, math.Hypot(max(sigma, lagSigmaS/inrushS)*v/a, s.class.readV/a))
		}
	}
	if w > 0 {
		out.ohm, out.sigma, out.ok = sum/w, math.Sqrt(1/w), true
	}
	if stopOK {
		v, a := s.before.get()
		if lineOK {
			stopOhm = line.ohm
		}
		out.emfV, out.emfOK = v-a*stopOhm, true
	}
	return out
}

// stopEdge returns the resistance over the stop and by how much the current moved.
func (s *runState) stopEdge() (ohm, stepA float64, ok bool) {
	if s.before.n < minStop || s.behind.n < minStop {
		return 0, 0, false
	}
	v0, a0 := s.before.get()
	v1, a1 := s.behind.get()
	stepA = a1 - a0
	if stepA < minEdgeA {
		return 0, 0, false
	}
	ohm = (v1 - v0) / stepA
	return ohm, stepA, ohm > 0
}

func sq(x float64) float64 { return x * x }
