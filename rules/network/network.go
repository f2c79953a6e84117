// Package network works out what lies between the batteries of a parallel bank: the resistance of each link, on which batteries the
// leads of the load and of the feed sit, and what is lost on the way to the motor and from the converter.
//
// It compares readings taken together: voltages of the posts over the board's ground (the negative post of battery 0), currents of the
// batteries, voltages of motor and feed. Only Kirchhoff's laws are used. With battery currents I (charge positive) and one pair of
// leads in use, the drop over link k of a side, from the post of battery k to that of k+1 on the positive side and the other way on the
// negative, is
//
//	D[k] = R[k] J[k] + C[k+1] I[k+1] - C[k] I[k]
//	J[k] = I[k+1] + ... + I[n-1]       lead of this side on a battery up to k
//	J[k] = -(I[0] + ... + I[k])        lead on a battery after k
//
// R is the link with its lugs, C the joint at a post. A sound joint is counted with a tenth of a milliohm; one that has come loose is told
// apart where the drops on both sides of it allow.
//
// Three things are learnt. A motor run against the moment before it: differences, so that offsets of sensors cancel. Charge currents
// over hours: drop over voltage, the current beyond the link and the whole current. With the lead before the link the whole current must
// not show in the drop at all, with the lead after it as much as the current beyond: that tells where the feed's lead is, however
// unevenly the batteries take. It gives besides how two taps differ in gain, the largest error of a
// positive link in a run (1 % of a dip of half a volt is as much as 0.1 mΩ). And the two paths, from the currents of different runs and
// of a charge. What the figures mean, a place of the leads or a joint, is then weighed anew from all of them.
//
// Where the converter is on through every run, as with an engine that is left running, its current rises by an unknown amount while the
// motor pulls the bank down. That leaves the drops as they are where the leads of both pairs sit on one side of a link, and adds an unknown, never
// negative part where they don't: such runs are kept apart, and count only where there are no others.
//
// Voltages of differences are in millivolts and resistances in milliohms, so that their quotients are amperes. The package is pure;
// a Meter belongs to one goroutine.
package network

import (
	"math"
	"time"
)

// MaxBatteries is the largest bank.
const MaxBatteries = 4

const maxLinks = MaxBatteries - 1

// Side is one of the two rails of a bank.
type Side uint8

// Sides.
const (
	Positive Side = iota
	Negative
)

const sides = 2

// String gives the side in words.
func (s Side) String() string { return [...]string{"positive", "negative"}[s] }

// Reading is one scan. A value whose OK is false is not looked at.
type Reading struct {
	At      time.Duration // monotonic; never goes back
	Running bool          // the pump motor runs
	RunFor  time.Duration // since when, while it runs
	Feeding bool          // the converter may give current now: wake line on, or a feed seen

	PositiveV, NegativeV, CurrentA    [MaxBatteries]float64 // posts over the board's ground; into the battery
	PositiveOK, NegativeOK, CurrentOK [MaxBatteries]bool
	MotorV, FeedV                     float64 // at the motor's positive terminal; ahead of the charge breaker
	MotorOK, FeedOK                   bool
}

// Meter follows one bank.
type Meter struct {
	n      int
	fitted [MaxBatteries]bool // negative taps; battery 0 needs none
	state  State
	found  [sides]finding

	now     time.Duration
	running bool
	settle  time.Duration // nothing is taken before
	base    window        // being filled while the motor stands
	before  window        // the one completed last
	run     window        // of the present run, inrush left out
	mixed   bool          // the converter may have been on in this run
	unfed   bool          // and may have been off
	piece   piece
	stretch window // of one state, motor at rest
	lost    lostChannels
}

// New gives a meter that knows nothing of a bank of n batteries, 1 to MaxBatteries. negativeFitted says which negative posts have a
// tap; that of battery 0 is the board's ground and needs none. It panics on another n.
func New(n int, negativeFitted [MaxBatteries]bool) *Meter {
	if n < 1 || n > MaxBatteries {
		panic("bug: network: batteries out of range")
	}
	negativeFitted[0] = true
	for k := n; k < MaxBatteries; k++ {
		negativeFitted[k] = false
	}
	m := &Meter{n: n, fitted: negativeFitted, state: newState(n, negativeFitted)}
	m.weighAll()
	return m
}

// Times of a scan's use. The inrush of a permanent-magnet motor decays with 50 to 100 ms, and with channels read up to 5 ms apart it is
// worth millivolts until a few of those have passed.
const (
	runFrom    = 250 * time.Millisecond
	settleFor  = 3 * time.Second // after a run
	baseOldest = 3 * time.Minute
	baseScans  = 8
	runScans   = 5
	steadyA    = 4.0 // a change of the bank's current, or of its voltage, by more begins a new base
	steadyV    = 0.15
)

// Step takes one scan in. Scans come in order of time; one that goes back is left out.
func (m *Meter) Step(r *Reading) {
	if r.At < m.now {
		return
	}
	m.now = r.At
	m.lost.step(r, m.n, &m.fitted)
	if r.Running {
		m.stepRun(r)
		return
	}
	if m.running {
		m.running = false
		m.endRun()
		m.settle = r.At + settleFor
	}
	if r.At >= m.settle {
		m.stepRest(r)
	}
}

func (m *Meter) stepRun(r *Reading) {
	if !m.running {
		m.running, m.mixed, m.unfed = true, false, false
		if m.base.scans < 2 {
			m.base = m.before
		}
		m.run.reset()
		m.piece = piece{}
	}
	m.mixed, m.unfed = m.mixed || r.Feeding, m.unfed || !r.Feeding
	if r.RunFor < runFrom {
		return
	}
	m.run.add(r, m.n)
	m.stepMotorPath(r)
}

// stepRest gathers the scans between runs, and every eight give to the slow part. When current or voltage steps, the gathered are
// dropped: a scan's channels are read one after the other, and the last scan may have seen some before the step and some after.
func (m *Meter) stepRest(r *Reading) {
	w := &m.base
	if w.scans > 0 && (math.Abs(m.total(r)-w.totalA()) > steadyA || math.Abs(r.PositiveV[0]-w.positive[0].mean()) > steadyV) {
		w.reset()
		return
	}
	w.add(r, m.n)
	if w.scans >= baseScans {
		m.before = *w
		m.gather(w)
		w.reset()
	}
}

// total gives the bank's current as far as it was read.
func (m *Meter) total(r *Reading) (sum float64) {
	for k := range m.n {
		if r.CurrentOK[k] {
			sum += r.CurrentA[k]
		}
	}
	return sum
}

// endRun learns from the run just ended.
func (m *Meter) endRun() {
	base := &m.base
	fresh := base.scans >= 2 && m.now-base.at <= baseOldest+m.run.at-base.at && m.run.at-base.at <= baseOldest+time.Minute
	if fresh && m.run.scans >= runScans {
		from, to := base.means(m.n), m.run.means(m.n)
		learnt := false
		switch {
		case !m.mixed && !base.feeding:
			learnt = m.learnRun(&m.state.Run, &from, &to)
		case !m.unfed && base.feeding:
			learnt = m.learnRun(&m.state.Fed, &from, &to)
		}
		if learnt {
			m.weighAll()
		}
	}
	m.base.reset()
	m.before.reset()
}
