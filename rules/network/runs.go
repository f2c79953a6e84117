package network

import "math"

// Runs is what motor runs showed of one link: means over the last tens of runs of the change
// against the moment before, per ampere of the bank's change. Exported only to be saved.
type Runs struct {
	Count       float64 // runs in the means, up to runMemory
	Mean        Change
	Var         float64 // of Mean.DropMohm from run to run, mΩ²
	Drift       float64 // by how much the last few runs lay beside the mean, mΩ
	Outlier     Change  // the last run, if it did not fit
	HaveOutlier bool
}

// Change is one run's, or the mean of several.
type Change struct {
	DropMohm float64 // over the link
	DipVPerA float64 // of the two posts
	Right    float64 // share of the batteries after the link
	Near     float64 // share of the battery before it
	Far      float64 // share of the battery after it
}

// Limits of what a run says. Drift is a drift when it is beyond driftFar and driftMohm: then only
// the last runs tell.
const (
	runMemory   = 30.0 // count: runs in the means; our choice
	minRunA     = 20.0 // A: change of the bank's current; our choice
	firstMohm   = 0.05 // mΩ: spread of runs before it is known, half a millivolt of 10; our choice
	oddRunMohm  = 0.10 // mΩ: a run this far off is no accident if the next one agrees; our choice
	oddRun      = 5.0  // ratio: and so many standard deviations; our choice
	driftShare  = 0.2  // ratio: of a run in Drift, whose deviation is a third of a run's; our choice
	driftFar    = 1.0  // ratio: Drift over a run's standard deviation; our choice
	driftMohm   = 0.02 // mΩ: Drift; our choice
	driftMemory = 5.0  // count: runs that then tell; our choice
)

// Limits of what a 12 V battery may show in a run: its resistance is 2.5 to 7 mΩ new (general
// literature, from memory), many times that when failed. Outside, one of its channels is wrong.
const (
	minMohm    = 0.6   // mΩ: resistance of a block; our choice
	maxMohm    = 150.0 // mΩ: resistance of a block; our choice
	judgedA    = 8.0   // A: a current that must show in the voltage; our choice
	deafA      = 2.0   // A: a current this small ...; our choice
	deafDipV   = 0.15  // V: ... beside a dip this large is not measured; our choice
	jumpMohm   = 1.0   // mΩ: by which a link that jumped is less sure by charges; our choice
	jumpFactor = 2     // ratio: and so many times the jump; our choice
)

// learnRun takes a run against the moment before it, into what runs of its kind said before, and
// reports whether it said something.
func (m *Meter) learnRun(into *[sides][maxLinks]Runs, from, to *scene) bool {
	d := to.minus(from)
	if !d.ampsOK || d.totalA > -minRunA || !dropImplausible(&d, m.n, m.class.blocks) {
		return false
	}
	learned := false
	for side := range Side(sides) {
		for k := range m.n - 1 {
			drop, ok := d.dropMV(side, k)
			if !ok {
				continue
			}
			jump := into[side][k].learn(Change{
				DropMohm: drop / d.totalA, DipVPerA: d.commonV(side, k) / d.totalA,
				Right: d.through(k, 0, m.n) / d.totalA, Near: d.ampsA[k] / d.totalA, Far: d.ampsA[k+1] / d.totalA,
			})
			if jump != 0 { // what charges said was of before
				m.state.Charge[side][k].loosen(jumpMohm + jumpFactor*math.Abs(jump))
			}
			learned = true
		}
	}
	return learned
}

// dropImplausible takes out voltages that can't be of their battery's current; it reports false if
// a current can't be.
func dropImplausible(d *scene, n int, blocks float64) bool {
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
		mohm := 1000 * dip / a / blocks
		if math.Abs(a) >= judgedA && (mohm < minMohm || mohm > maxMohm) {
			d.postOK[Positive][k] = false
			d.postOK[Negative][k] = k == 0
		}
	}
	return true
}

// learn blends one run in; a run far from the others waits for the next: if that agrees, the past
// is dropped. It gives by how much the drop per ampere then jumped, in mΩ; else 0.
func (l *Runs) learn(c Change) (jump float64) {
	if l.Count == 0 {
		*l = Runs{Count: 1, Mean: c, Var: sq(firstMohm)}
		return 0
	}
	miss := c.DropMohm - l.Mean.DropMohm
	if l.far(miss) {
		if l.HaveOutlier && (l.Outlier.DropMohm-l.Mean.DropMohm)*miss > 0 {
			between := c.DropMohm - l.Outlier.DropMohm
			c.blend(l.Outlier, 0.5)
			*l = Runs{Count: 2, Mean: c, Var: max(sq(firstMohm), sq(between)/2, l.Var)}
			return miss
		}
		if !l.HaveOutlier {
			l.Outlier, l.HaveOutlier = c, true
			return 0
		}
	}
	l.HaveOutlier = false
	l.Count = min(l.Count+1, runMemory)
	l.Drift += driftShare * (miss - l.Drift)
	if math.Abs(l.Drift) > driftMohm && sq(l.Drift) > sq(driftFar)*l.Var {
		l.Count = min(l.Count, driftMemory)
	}
	share := 1 / l.Count
	l.Mean.blend(c, share)
	l.Var += share * (sq(miss) - l.Var)
	return 0
}

func (l *Runs) far(miss float64) bool {
	return math.Abs(miss) > oddRunMohm && sq(miss) > sq(oddRun)*l.Var
}

func (c *Change) blend(x Change, share float64) {
	c.DropMohm += share * (x.DropMohm - c.DropMohm)
	c.DipVPerA += share * (x.DipVPerA - c.DipVPerA)
	c.Right += share * (x.Right - c.Right)
	c.Near += share * (x.Near - c.Near)
	c.Far += share * (x.Far - c.Far)
}

// perAmpere returns the drop per ampere of the bank, in mΩ, with the difference of the taps' gains
// taken out.
func (l *Runs) perAmpere(gain figure) figure {
	spread := l.Var / max(l.Count, 1)
	return figure{
		l.Mean.DropMohm - gain.value*l.Mean.DipVPerA,
		math.Sqrt(spread + sq(gain.sigma*l.Mean.DipVPerA)),
	}
}

// through returns the share of the bank's current that passes the link, with a lead on battery
// `place`; joint what a joint at post h adds to the drop.
func (l *Runs) through(k, place int) float64 {
	if place <= k {
		return l.Mean.Right
	}
	return l.Mean.Right - 1
}

// A converter that is on gives more during a run, over what the batteries then give: converters of
// 20 to 60 A beside motors of 100 to 130 A, part of which flowed before.
const (
	risenShare = 0.3 // ratio: of the batteries' current; our choice
	risenSigma = 0.2 // ratio: of the batteries' current; our choice
)

// passing returns the share of the bank's current that passes the link under a guess, with its
// standard deviation.
func (l *Runs) passing(k int, g hypothesis, fed bool) figure {
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
