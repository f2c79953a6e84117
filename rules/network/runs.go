package network

import "math"

// Runs is what motor runs showed of one link: means over the last tens of runs of the change against the moment before, per ampere of
// the bank's change. Exported to be saved only.
type Runs struct {
	Count float64 // runs in the means, up to runMemory
	Mean  Change
	Var   float64 // of Mean.DropMohm from run to run, mΩ²
	Lean  float64 // by how much the last few runs lay beside the mean, mΩ
	Odd   Change  // the last run, if it did not fit
	IsOdd bool
}

// Change is one run's, or the mean of several.
type Change struct {
	DropMohm float64 // over the link
	DipVPerA float64 // of the two posts
	Right    float64 // share of the batteries after the link
	Near     float64 // share of the battery before it
	Far      float64 // share of the battery after it
}

// Limits of what a run says.
const (
	runMemory  = 30.0
	leastRunA  = 20.0
	firstMohm  = 0.05 // spread from run to run before it is known: half a millivolt of 10
	oddRunMohm = 0.10 // a run this far off is no accident if the next one agrees
	oddRun     = 5.0  // and so many standard deviations
	leanShare  = 0.2  // of a run in Lean: its standard deviation is a third of a run's
	leanFar    = 1.0  // Lean over so much of a run's standard deviation, and leanMohm, is a drift ...
	leanMohm   = 0.02
	leanMemory = 5.0 // ... of which only the last runs tell
)

// Limits of what a 12 V battery may show in a run: its resistance is 2.5 to 7 mΩ new, (general literature, from memory), many times
// that when failed. Outside, one of its channels does not tell the truth.
const (
	leastMohm   = 0.6
	mostMohm    = 150.0
	judgedA     = 8.0  // a current that must show in the voltage
	deafA       = 2.0  // a current this small ...
	deafDipV    = 0.15 // ... beside a dip this large is not measured
	mostChangeV = 6.0  // over a link: more is no 12 V bank in parallel
)

// learnRun takes a run against the moment before it, into what runs of its kind said before, and reports whether it said something.
func (m *Meter) learnRun(into *[sides][maxLinks]Runs, from, to *scene) bool {
	d := to.minus(from)
	if !d.ampsOK || d.totalA > -leastRunA || !distrust(&d, m.n) {
		return false
	}
	learnt := false
	for side := range Side(sides) {
		for k := range m.n - 1 {
			drop, ok := d.dropMV(side, k)
			if !ok || math.Abs(drop) > 1000*mostChangeV {
				continue
			}
			jump := into[side][k].learn(Change{
				DropMohm: drop / d.totalA, DipVPerA: d.commonV(side, k) / d.totalA,
				Right: d.through(k, 0, m.n) / d.totalA, Near: d.ampsA[k] / d.totalA, Far: d.ampsA[k+1] / d.totalA,
			})
			if jump != 0 { // what charges said was of before
				m.state.Charge[side][k].loosen(1 + 2*math.Abs(jump))
			}
			learnt = true
		}
	}
	return learnt
}

// distrust takes out voltages that can't be of their battery's current; it reports false if a current can't be.
func distrust(d *scene, n int) bool {
	for k := range n {
		if !d.postOK[Positive][k] {
			continue
		}
		dip, a := d.postV[Positive][k], d.ampsA[k]
		if d.postOK[Negative][k] {
			dip -= d.postV[Negative][k]
		}
		if math.Abs(a) < deafA && dip < -deafDipV && d.postOK[Negative][k] {
			return false
		}
		mohm := 1000 * dip / a
		if math.Abs(a) >= judgedA && (mohm < leastMohm || mohm > mostMohm) {
			d.postOK[Positive][k] = false
			d.postOK[Negative][k] = k == 0
		}
	}
	return true
}

// learn blends one run in; a run far from the others waits for the next: if that agrees, the past is dropped. It
// gives by how much the drop per ampere then jumped, in mΩ; else 0.
func (l *Runs) learn(c Change) (jump float64) {
	if l.Count == 0 {
		*l = Runs{Count: 1, Mean: c, Var: sq(firstMohm)}
		return 0
	}
	miss := c.DropMohm - l.Mean.DropMohm
	if l.far(miss) {
		if l.IsOdd && (l.Odd.DropMohm-l.Mean.DropMohm)*miss > 0 {
			between := c.DropMohm - l.Odd.DropMohm
			c.blend(l.Odd, 0.5)
			*l = Runs{Count: 2, Mean: c, Var: max(sq(firstMohm), sq(between)/2, l.Var)}
			return miss
		}
		if !l.IsOdd {
			l.Odd, l.IsOdd = c, true
			return 0
		}
	}
	l.IsOdd = false
	l.Count = min(l.Count+1, runMemory)
	l.Lean += leanShare * (miss - l.Lean)
	if math.Abs(l.Lean) > leanMohm && sq(l.Lean) > sq(leanFar)*l.Var {
		l.Count = min(l.Count, leanMemory)
	}
	share := 1 / l.Count
	l.Mean.blend(c, share)
	l.Var += share * (sq(miss) - l.Var)
	return 0
}

func (l *Runs) far(miss float64) bool {
	return math.Abs(miss) > oddRunMohm && sq(miss) > sq(oddRun)*max(l.Var, sq(firstMohm/3))
}

func (c *Change) blend(x Change, share float64) {
	c.DropMohm += share * (x.DropMohm - c.DropMohm)
	c.DipVPerA += share * (x.DipVPerA - c.DipVPerA)
	c.Right += share * (x.Right - c.Right)
	c.Near += share * (x.Near - c.Near)
	c.Far += share * (x.Far - c.Far)
}

// perAmpere gives the drop per ampere of the bank, in mΩ, with the difference of the taps' gains taken out.
func (l *Runs) perAmpere(gain figure) figure {
	spread := max(l.Var, sq(firstMohm/10)) / max(l.Count, 1)
	return figure{
		l.Mean.DropMohm - gain.value*l.Mean.DipVPerA,
		math.Sqrt(spread + sq(gain.sigma*l.Mean.DipVPerA)),
	}
}

// through gives the share of the bank's current that passes the link, with a lead on battery `place`; joint what a joint at post h adds to
// the drop.
func (l *Runs) through(k, place int) float64 {
	if place <= k {
		return l.Mean.Right
	}
	return l.Mean.Right - 1
}

// risenShare is by how much the converter's current rises in a run while it is on, over what the batteries then give, with its standard
// deviation: converters of 20 to 60 A beside motors of 100 to 130 A, part of which flowed before.
const (
	risenShare = 0.3
	risenSigma = 0.2
)

// runsOf gives what runs showed of a link, and whether the converter was on in them.
func (m *Meter) runsOf(side Side, k int) (l *Runs, fed bool) {
	if l = &m.state.Run[side][k]; l.Count < runsLeast && m.state.Fed[side][k].Count > l.Count {
		return &m.state.Fed[side][k], true
	}
	return l, false
}

// passing gives the share of the bank's current that passes the link under a guess, with its standard deviation.
func (l *Runs) passing(k int, g guess, fed bool) figure {
	f := figure{l.through(k, g.run), 0}
	switch {
	case !fed || (g.run > k) == (g.charge > k):
	case g.run > k: // the converter's current joins what the batteries before the link give
		f = figure{f.value - risenShare, risenSigma}
	default:
		f = figure{f.value + risenShare, risenSigma}
	}
	return f
}

func (l *Runs) joint(k, h int) float64 {
	switch h {
	case k:
		return -l.Mean.Near
	case k + 1:
		return l.Mean.Far
	}
	return 0
}
