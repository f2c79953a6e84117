// Package network works out what lies between the batteries of a parallel bank: the resistance of
// each link, on which batteries the leads of the load and of the feed sit, and what is lost on the
// way to the motor and from the converter.
//
// It compares readings taken together: voltages of the posts over the board's ground (the negative
// post of battery 0), currents of the batteries, voltages of motor and feed. Only Kirchhoff's laws
// are used. With battery currents I (charge positive) and one pair of leads in use, the drop over
// link k of a side, from the post of battery k to that of k+1 on the positive side and the other
// way on the negative, is
//
//	D[k] = R[k] J[k] + C[k+1] I[k+1] - C[k] I[k]
//	J[k] = I[k+1] + ... + I[n-1]       lead of this side on a battery up to k
//	J[k] = -(I[0] + ... + I[k])        lead on a battery after k
//
// R is the link with its lugs, C the joint at a post. A sound joint is counted with a tenth of a
// milliohm; one that has come loose is told apart where the drops on both sides of it allow.
//
// Three things are learned. A motor run against the moment before it: differences, so that offsets
// of sensors cancel. Charge currents over hours: drop over voltage, the current beyond the link and
// the whole current. With the lead before the link the whole current must not show in the drop at
// all, with the lead after it as much as the current beyond: that tells where the feed's lead is,
// however unevenly the batteries take. It gives besides how two taps differ in gain, the largest
// error of a positive link in a run (1 % of a dip of half a volt is as much as 0.1 mΩ). And the two
// paths, from the currents of different runs and of a charge. What the figures mean, a place of the
// leads or a joint, is then weighed anew from all of them.
//
// Where the converter is on through every run, as with an engine that is left running, its current
// rises by an unknown amount while the motor pulls the bank down. That leaves the drops as they are
// where the leads of both pairs sit on one side of a link, and adds an unknown, never negative part
// where they don't: such runs are kept apart, and count only where there are no others.
//
// Voltages of differences are in millivolts and resistances in milliohms, so that their quotients
// are amperes. The package is pure; a Meter belongs to one goroutine.
package network

import (
	"math"
	"time"

	"liftbank/rules/unit"
)

const maxLinks = unit.MaxBatteries - 1 // count: links of a rail; physical

// Side is one of the two rails of a bank, or the middle of a string.
type Side uint8

// Sides.
const (
	Positive Side = iota
	Negative
	Middle // from the positive post of a battery to the negative one of the battery that stands on it: no rail
)

const sides = 2 // count: rails; physical

// String returns the side in words.
func (s Side) String() string { return [...]string{"positive", "negative", "middle"}[s] }

// Facts are what the readings of a scan do not say.
type Facts struct {
	Running  bool          // the pump motor runs
	RunFor   time.Duration // since when, while it runs
	MaybeFed bool          // the converter may give current now: wake line on, or a feed seen
}

// Meter follows one bank.
type Meter struct {
	n      int
	class  class
	fitted [unit.MaxBatteries]bool // negative taps; battery 0 needs none
	state  State
	found  [sides]sideResult

	running    bool
	run        Window // of the present run, inrush left out
	maybeFed   bool   // the converter may have been on in this run
	maybeUnfed bool   // and may have been off
	piece      piece

	noCharges bool // the sensors don't see all of what a charge brings
}

// New returns a meter that knows nothing of a bank of n batteries, 1 to unit.MaxBatteries.
// negativeFitted says which negative posts have a tap; that of battery 0 is the board's ground and
// needs none. classes are those of the sensors. It panics on another n.
func New(n int, negativeFitted [unit.MaxBatteries]bool, classes *unit.Classes) *Meter {
	return newMeter(n, negativeFitted, classes, 1)
}

// NewStrings returns a meter of a bank of n batteries with strings. Its batteries are the strings: it is
// shown their positive and negative posts and their currents, as Strung makes them of a scan, and its
// answers are of strings. negativeFitted and classes are of the batteries' channels as measured.
func NewStrings(l unit.Layout, n int, negativeFitted [unit.MaxBatteries]bool, classes *unit.Classes) *Meter {
	var fitted [unit.MaxBatteries]bool
	of := *classes
	for k := range l.Strings(n) {
		fitted[k] = negativeFitted[l.Lowest(k)]
		of[unit.ChannelOf(unit.BatteryVoltage, k)] = classes.Of(unit.BatteryVoltage, l.Highest(k))
		of[unit.ChannelOf(unit.BatteryNegative, k)] = classes.Of(unit.BatteryNegative, l.Lowest(k))
		of[unit.ChannelOf(unit.BatteryCurrent, k)] = l.CurrentClass(classes, k)
	}
	return newMeter(l.Strings(n), fitted, &of, float64(l.Blocks()))
}

// Strung brings a scan of n batteries' posts as measured to their strings.
func Strung(l unit.Layout, s *unit.Scan, n int) {
	for k := range l.Strings(n) {
		low, high := s.Battery[l.Lowest(k)], s.Battery[l.Highest(k)]
		s.Battery[k] = unit.Battery{VoltageV: high.VoltageV, NegativeV: low.NegativeV, CurrentA: low.CurrentA, TempC: low.TempC}
	}
	for k := l.Strings(n); k < n; k++ {
		s.Battery[k] = unit.Battery{}
	}
}

func newMeter(n int, negativeFitted [unit.MaxBatteries]bool, classes *unit.Classes, blocks float64) *Meter {
	if n < 1 || n > unit.MaxBatteries {
		panic("bug: network: batteries out of range")
	}
	negativeFitted[0] = true
	for k := n; k < unit.MaxBatteries; k++ {
		negativeFitted[k] = false
	}
	m := &Meter{n: n, fitted: negativeFitted, class: classOf(classes, n, blocks)}
	m.state = m.class.newState(n, negativeFitted)
	m.weighAll()
	return m
}

// LeaveChargesOut has nothing learned while a feed may be on: some of its current passes no sensor, as that of a
// balancer to the middles of strings.
func (m *Meter) LeaveChargesOut() { m.noCharges = true }

// Times of a scan's use. The inrush of a permanent-magnet motor decays with 50 to 100 ms, and with
// channels read up to 5 ms apart it is worth millivolts until a few of those have passed.
const (
	runFrom    = 250 * time.Millisecond // of a run, left out; our choice
	settleFor  = 3 * time.Second        // after a run, left out; our choice
	maxBaseAge = 4 * time.Minute        // of the moment before, when a run that is compared with it ends; our choice
	baseScans  = 8                      // count: scans taken together; our choice
	minBase    = 2                      // count: scans of a moment before; our choice
	runScans   = 5                      // count: scans of a run; our choice
	steadyA    = 4.0                    // A: change of the bank's current that begins a new base; our choice
	steadyV    = 0.15                   // V: change of a battery's voltage that begins a new base; our choice
)

// Step applies one scan: the posts' voltages over the board's ground, 0 where a negative post is
// that ground, and the batteries' currents. Scans come in order of time; one that goes back is left
// out.
func (m *Meter) Step(s *unit.Scan, f Facts) {
	p := &m.state.Pending
	if s.At.Mono < p.Now {
		return
	}
	p.Now = s.At.Mono
	p.Lost.step(s, m.n, &m.fitted)
	if f.Running {
		m.stepRun(s, f)
		return
	}
	if m.running {
		m.running = false
		m.endRun()
		p.Settle = p.Now + settleFor
	}
	if p.Now >= p.Settle {
		m.stepRest(s, f)
	}
}

func (m *Meter) stepRun(s *unit.Scan, f Facts) {
	if !m.running {
		m.running, m.maybeFed, m.maybeUnfed = true, false, false
		if p := &m.state.Pending; p.Base.Scans < minBase {
			p.Base = p.Before
		}
		m.run.reset()
		m.piece = piece{}
	}
	m.maybeFed, m.maybeUnfed = m.maybeFed || f.MaybeFed, m.maybeUnfed || !f.MaybeFed
	if f.RunFor < runFrom {
		return
	}
	m.run.add(s, f.MaybeFed, m.n)
	m.stepMotorPath(s)
}

// stepRest gathers the scans between runs, and gives every eight to the slow part. When current or
// voltage steps, the gathered are dropped: a scan's channels are read one after the other, and the
// last scan may have seen some before the step and some after.
func (m *Meter) stepRest(s *unit.Scan, f Facts) {
	w := &m.state.Pending.Base
	if w.Scans > 0 && (math.Abs(totalA(s, m.n)-w.totalA()) > steadyA ||
		math.Abs(s.Battery[0].VoltageV.Value-w.Positive[0].mean()) > steadyV*m.class.blocks) {
		w.reset()
		return
	}
	w.add(s, f.MaybeFed, m.n)
	if w.Scans >= baseScans {
		m.state.Pending.Before = *w
		m.gather(w)
		w.reset()
	}
}

// totalA returns the bank's current as far as it was read.
func totalA(s *unit.Scan, n int) (sum float64) {
	for k := range n {
		if a := s.Battery[k].CurrentA; a.OK() {
			sum += a.Value
		}
	}
	return sum
}

// Interrupt drops what was gathered and not learned yet: somebody works on the unit.
func (m *Meter) Interrupt() {
	p := &m.state.Pending
	p.Base.reset()
	p.Before.reset()
	p.Stretch.reset()
	p.Lost = Lost{}
	m.running, m.piece = false, piece{}
	m.run.reset()
}

// endRun learns from the run just ended.
func (m *Meter) endRun() {
	p := &m.state.Pending
	base, run := &p.Base, &m.run
	fresh := base.Scans >= minBase && run.At-base.At <= maxBaseAge
	if fresh && run.Scans >= runScans {
		from, to := base.means(m.n), run.means(m.n)
		learned := false
		switch {
		case !m.maybeFed && !base.Feeding:
			learned = m.learnRun(&m.state.Run, &from, &to)
		case !m.maybeUnfed && base.Feeding && !m.noCharges:
			learned = m.learnRun(&m.state.Fed, &from, &to)
		}
		if learned {
			m.weighAll()
		}
	}
	base.reset()
	p.Before.reset()
}
