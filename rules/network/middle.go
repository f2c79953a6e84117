package network

import (
	"fmt"
	"math"
	"time"

	"liftbank/rules/unit"
)

// Middles learns the links between the batteries of strings, from the positive post of one to the negative
// post of the battery that stands on it, where that has a tap of its own.
//
// With n and p those two posts over the board's ground, the taps' gains differing by g and R the link,
//
//	n - p = g p + R I
//
// before a motor run and in it; the two give R without g. A good link is a few tenths of a milliohm: at the 65 A of
// a 24 V pump motor as many hundredths of a volt, and gains of 1 % make 0.25 V of the 12.5 V at these posts.
type Middles struct {
	layout unit.Layout
	n      int
	zeroV  [maxStrings]float64 // of the two taps
	ampSh  [maxStrings]float64 // gain of the current sensor
	MiddleState
	run     [maxStrings]middleSums
	running bool
}

// MiddleState is what is remembered of them. It is saved as it is.
type MiddleState struct {
	Base [maxStrings]MiddleBase
	Link [maxStrings]MiddleLink
}

// MiddleBase is what the posts of one middle link showed before a run.
type MiddleBase struct {
	Have          bool
	At            time.Duration
	OverV, PostV  float64 // of the upper battery's negative post over the lower's positive one; of that over ground
	CurrentA      float64
	Rests         bool    // with hardly any current: what the taps differ by,
	RestV, RestAt float64 // at this voltage over ground
}

// MiddleLink is what runs have shown of one middle link.
type MiddleLink struct {
	Count     float64 // runs in the mean, up to runMemory
	Mohm, Var float64 // their mean, and the variance of one
	Odd       float64 // the last run, if it did not fit
	HaveOdd   bool
}

const maxStrings = unit.MaxBatteries / 2 // count: strings of two; physical

// What a run says of a middle link.
const (
	middleRuns  = 3    // count: runs before a middle link is said; our choice
	middleScans = 5    // count: scans of a run; our choice
	middleA     = 15.0 // A: change of the current; our choice
	middleVar   = 0.05 // mΩ: deviation of one run, before it is known; our choice
	middleRestA = 1.5  // A: hardly any current; our choice
	middleMost  = 2e3  // mΩ: more is an open link; our choice
)

type middleSums struct {
	n                   float64
	overV, postV, ampsA float64
}

// NewMiddles returns what knows nothing yet of the middle links of n batteries. classes are those of the channels
// as measured.
func NewMiddles(l unit.Layout, n int, classes *unit.Classes) Middles {
	m := Middles{layout: l, n: n}
	for k := range min(l.Strings(n), maxStrings) {
		low, high := classes.Of(unit.BatteryVoltage, l.Lowest(k)), classes.Of(unit.BatteryNegative, l.Highest(k))
		m.zeroV[k] = low.Worse(high).Zero
		m.ampSh[k] = gainDeviation * l.CurrentClass(classes, k).Gain
	}
	return m
}

// Step applies one scan that was brought to the batteries; ok says of each string whether its middle tap and its
// current are believed.
func (m *Middles) Step(s *unit.Scan, f Facts, ok *[unit.MaxBatteries]bool) {
	if m.layout == unit.Parallel {
		return
	}
	began := f.Running && !m.running
	if m.running && !f.Running {
		m.endRun()
	}
	m.running = f.Running
	for k := range m.layout.Strings(m.n) {
		low, high := &s.Battery[m.layout.Lowest(k)], &s.Battery[m.layout.Highest(k)]
		over, post, amps := high.NegativeV, low.VoltageV, low.CurrentA
		if began {
			m.run[k] = middleSums{}
		}
		if !ok[k] || !over.OK() || !post.OK() || !amps.OK() {
			continue
		}
		switch b := &m.Base[k]; {
		case !f.Running:
			if b.Have && s.At.Mono-b.At < maxBaseAge && math.Abs(amps.Value-b.CurrentA) < middleRestA { // noise of one scan is as much as a good link
				b.OverV += (over.Value - b.OverV) / baseScans
				b.PostV += (post.Value - b.PostV) / baseScans
				b.CurrentA += (amps.Value - b.CurrentA) / baseScans
			} else {
				b.OverV, b.PostV, b.CurrentA = over.Value, post.Value, amps.Value
			}
			b.Have, b.At = true, s.At.Mono
			if math.Abs(b.CurrentA) < middleRestA && b.PostV > minPostV {
				b.Rests, b.RestV, b.RestAt = true, b.OverV, b.PostV
			}
		case f.RunFor >= runFrom:
			r := &m.run[k]
			r.n, r.overV, r.postV, r.ampsA = r.n+1, r.overV+over.Value, r.postV+post.Value, r.ampsA+amps.Value
		}
	}
}

// endRun learns from the run just ended.
func (m *Middles) endRun() {
	for k := range m.run {
		b, r := &m.Base[k], &m.run[k]
		if !b.Have || r.n < middleScans || b.PostV < minPostV {
			continue
		}
		b.Have = false
		over, post, amps := r.overV/r.n, r.postV/r.n, r.ampsA/r.n
		ratio := post / b.PostV
		through := amps - b.CurrentA*ratio
		if through > -middleA {
			continue
		}
		m.Link[k].learn(1000 * (over - b.OverV*ratio) / through)
	}
	m.run = [maxStrings]middleSums{}
}

// learn blends one run in; one far from the others waits for the next: if that agrees, the past is dropped.
func (l *MiddleLink) learn(mohm float64) {
	mohm = min(max(mohm, -middleMost), middleMost)
	if l.Count == 0 {
		*l = MiddleLink{Count: 1, Mohm: mohm, Var: sq(middleVar)}
		return
	}
	miss := mohm - l.Mohm
	if math.Abs(miss) > oddRunMohm && sq(miss) > sq(oddRun)*l.Var {
		if l.HaveOdd && (l.Odd-l.Mohm)*miss > 0 {
			between := mohm - l.Odd
			*l = MiddleLink{Count: 2, Mohm: (mohm + l.Odd) / 2, Var: max(sq(middleVar), sq(between)/2, l.Var)}
			return
		}
		if !l.HaveOdd {
			l.Odd, l.HaveOdd = mohm, true
			return
		}
	}
	l.HaveOdd = false
	l.Count = min(l.Count+1, runMemory)
	l.Mohm += miss / l.Count
	l.Var += (sq(miss) - l.Var) / l.Count
}

// Mohm returns the resistance of the middle link of string k, mΩ, its lugs included.
func (m *Middles) Mohm(k int) unit.Estimate {
	l := &m.Link[k]
	if l.Count < middleRuns {
		return unit.Estimate{}
	}
	sigma := math.Hypot(math.Sqrt(l.Var/l.Count), m.ampSh[k]*l.Mohm)
	return unit.Estimate{Value: max(l.Mohm, 0), Sigma: math.Hypot(sigma, jointsMohm), Known: true}
}

// RestsAtV returns what the two taps of the middle link of string k differ by without current, at this voltage of
// theirs over the board's ground.
func (m *Middles) RestsAtV(k int, postV float64) float64 {
	if b := &m.Base[k]; b.Rests {
		return b.RestV * (postV / b.RestAt)
	}
	return 0
}

// Interrupt drops the run under way: somebody works on the unit.
func (m *Middles) Interrupt() {
	m.run, m.running = [maxStrings]middleSums{}, false
	for k := range m.Base {
		m.Base[k].Have = false
	}
}

// State returns what has been learned.
func (m *Middles) State() MiddleState { return m.MiddleState }

// Restore takes over what had been learned. One that can't be is refused and changes nothing.
func (m *Middles) Restore(s MiddleState) error {
	for k := range s.Link {
		b, l := &s.Base[k], &s.Link[k]
		if !finite(b.OverV, b.PostV, b.CurrentA, b.RestV, b.RestAt, l.Odd) || !within(l.Count, 0, runMemory) ||
			!within(l.Mohm, -middleMost, middleMost) || !sum(l.Var) || b.Rests && b.RestAt < minPostV {
			return fmt.Errorf("middle link of string %d: %g mΩ of %g runs: want %g at most", k, l.Mohm, l.Count, middleMost)
		}
	}
	m.MiddleState = s
	return nil
}
