package network

import "math"

// A guess is one way to explain all that was learnt of a side: where its load lead sits, where its feed lead sits, and whether the joint
// at one post is loose.
type guess struct{ run, charge, post int } // batteries; post -1: none

// place is where a lead sits, with the probability of it.
type place struct {
	place       int // battery; -1: nothing known
	probability float64
}

// finding is what a side's guesses come to.
type finding struct {
	run, charge place
	links       [maxLinks]answer
	posts       [MaxBatteries]answer
}

type answer struct {
	figure
	known bool
}

// Weights of a guess, as logarithms of a probability. Joints and links of sound copper are a few tenths of a milliohm; one over its limit
// is rare, two at once rarer; leads don't move but on a visit.
const (
	looseJoint  = -8.0
	worstLink   = -3.0 // a link over worstMohm
	worstMohm   = 1.5  // 0.1 V a connection at 120 A (drop-testing practice), two connections and a cable
	movedLead   = -9.0
	openLink    = -8.0 // a link that passes no current
	impossible  = -60.0
	contradicts = -8.0 // at the most, when run and charge don't agree on a link

	soundMohm   = 0.1  // a joint with a clean clamp (common practice, no source)
	jointsMohm  = 0.06 // what sound joints add to or take from a link, unevenly
	usualMohm   = 0.5  // a link, before it is known
	leastLoose  = 0.4  // mΩ
	leastSplit  = 0.006
	tapShare    = 0.1   // of a link by charge alone: what the gains of negative taps may do to it
	openMohm    = 200.0 // a link that passes no current has this or more
	sureEnough  = 0.99
	placeLeast  = 0.9 // of a lead, to give the figures that follow from it
	runsLeast   = 3
	runsToPlace = 5
	runsToMove  = 10
)

// weighAll weighs both sides anew.
func (m *Meter) weighAll() {
	if m.n == 1 {
		for side := range m.found {
			m.found[side] = finding{run: place{0, 1}, charge: place{0, 1}}
		}
		return
	}
	for side := range Side(sides) {
		m.weigh(side)
	}
}

// weigh compares all guesses of a side and keeps what the best comes to, with the probability of its places.
func (m *Meter) weigh(side Side) {
	var scores [MaxBatteries * MaxBatteries * (MaxBatteries + 1)]float64
	best, top := guess{-1, -1, -1}, math.Inf(-1)
	i := 0
	for g := range m.guesses {
		scores[i] = m.score(side, g)
		if scores[i] > top {
			best, top = g, scores[i]
		}
		i++
	}
	var run, charge [MaxBatteries]float64
	i, sum := 0, 0.0
	for g := range m.guesses {
		p := math.Exp(scores[i] - top)
		run[g.run] += p
		charge[g.charge] += p
		sum += p
		i++
	}
	f := &m.found[side]
	*f = finding{run: place{best.run, run[best.run] / sum}, charge: place{best.charge, charge[best.charge] / sum}}
	m.hold(side, f)
	m.answer(side, best, f)
}

// guesses yields every guess in a fixed order.
func (m *Meter) guesses(yield func(guess) bool) {
	for run := range m.n {
		for charge := range m.n {
			for post := -1; post < m.n; post++ {
				if !yield(guess{run, charge, post}) {
					return
				}
			}
		}
	}
}

// hold remembers a place that is sure, and lets go of it only for another that is.
func (m *Meter) hold(side Side, f *finding) {
	held := &m.state.Held[side]
	runs, settled := runMemory, true
	for k := range m.n - 1 {
		runs = min(runs, m.state.Run[side][k].Count)
		_, ok := m.state.Charge[side][k][0].mohm()
		settled = settled && ok
	}
	if f.run.probability >= sureEnough && (held.Run < 0 && runs >= runsToPlace || runs >= runsToMove) {
		held.Run = f.run.place
	}
	if f.charge.probability >= sureEnough && settled && (held.Charge < 0 || runs >= runsToMove) {
		held.Charge = f.charge.place
	}
}

// score gives the logarithm of a guess's weight.
func (m *Meter) score(side Side, g guess) float64 {
	score := 0.0
	held := m.state.Held[side]
	if held.Run >= 0 && held.Run != g.run {
		score += movedLead
	}
	if held.Charge >= 0 && held.Charge != g.charge {
		score += movedLead
	}
	loose := 0.0
	if g.post >= 0 {
		loose = m.loose(side, g)
		if loose < leastLoose {
			return impossible
		}
		score += looseJoint
	}
	for k := range m.n - 1 {
		run, runOK := m.linkByRuns(side, k, g, loose)
		charge, chargeOK := m.linkByCharge(side, k, g, loose)
		chargeOK = chargeOK && !(runOK && run.value > openMohm) // what then stands over the link is no drop
		switch {
		case runOK && chargeOK: // of what the charge says, only what the runs left open: one datum must not count twice
			off := sq(run.value-charge.value) / (sq(run.sigma) + sq(charge.sigma) + sq(jointsMohm) + sq(0.1*run.value))
			score += plausible(run) + max(-off/2, contradicts)
		case runOK:
			score += plausible(run)
		case chargeOK:
			score += plausible(charge)
		}
		if runOK && (g.post == k || g.post == k+1) {
			score -= min(sq(run.value-usualMohm), 16) // a joint found in a link's figure must leave a usual link
		}
	}
	return score
}

// plausible gives the logarithm of the weight that a link has such a resistance: it can't be negative.
func plausible(f figure) float64 {
	score := max(math.Log(0.5*math.Erfc(-f.value/math.Hypot(f.sigma, jointsMohm)/math.Sqrt2)), impossible)
	switch {
	case f.value > openMohm:
		score += openLink
	case f.value-2*f.sigma > worstMohm:
		score += worstLink
	}
	return score
}

// linkByRuns gives the resistance of a link by motor runs, under a guess with its joint's resistance.
func (m *Meter) linkByRuns(side Side, k int, g guess, loose float64) (figure, bool) {
	l := &m.state.Run[side][k]
	if l.Count < runsLeast {
		return figure{}, false
	}
	drop := l.perAmpere(m.gainOf(side, k))
	drop.value -= loose * l.joint(k, g.post)
	return over(drop, l.through(k, g.run)), true
}

// over divides a drop per ampere of the bank by the share that passes.
func over(drop figure, share float64) figure {
	if math.Abs(share) < leastSplit {
		if drop.value*share < 0 && math.Abs(drop.value) > 3*drop.sigma {
			share = -share // next to no current: its sign is a sensor's
		}
		share = math.Copysign(leastSplit, share)
	}
	f := figure{drop.value / share, 0}
	f.sigma = math.Hypot(drop.sigma/share, gainShare*f.value)
	if math.Abs(share) == leastSplit {
		f.sigma = math.Hypot(f.sigma, f.value/2)
	}
	return f
}

// uneven gives what two sound joints may add to a link's figure: their currents differ, and so may they.
func (l *Runs) uneven(share float64) float64 {
	share = math.Copysign(max(math.Abs(share), leastSplit), share)
	return math.Hypot(soundMohm*(l.Mean.Far-l.Mean.Near)/share, soundMohm/4)
}

// linkByCharge gives it by charge currents.
func (m *Meter) linkByCharge(side Side, k int, g guess, loose float64) (figure, bool) {
	l := &m.state.Charge[side][k][0]
	after := 0.0
	for j := k + 1; j < m.n; j++ {
		after += m.state.ChargeShare[j]
	}
	share := after
	if g.charge > k {
		l, share = &m.state.Charge[side][k][1], after-1
	}
	f, ok := l.mohm()
	if !ok || g.post < 0 {
		return f, ok
	}
	if m.state.ChargeCount == 0 || math.Abs(share) < leastSplit {
		return figure{}, false
	}
	switch g.post {
	case k:
		f.value += loose * m.state.ChargeShare[k] / share
	case k + 1:
		f.value -= loose * m.state.ChargeShare[k+1] / share
	}
	return f, true
}

// gainOf gives the difference in gain of the taps of a link. On the negative side it acts on millivolts: it is not learnt, and seldom of
// matter.
func (m *Meter) gainOf(side Side, k int) figure {
	if side == Negative {
		return figure{0, firstGainMVPerV}
	}
	l := &m.state.Charge[side][k][0]
	if m.state.Held[side].Charge > k {
		l = &m.state.Charge[side][k][1]
	}
	return l.gainMVPerV()
}

// loose gives the resistance of the joint at a guess's post that brings the links beside it nearest to a usual link.
func (m *Meter) loose(side Side, g guess) float64 {
	var ay, aa float64
	for k := max(g.post-1, 0); k <= min(g.post, m.n-2); k++ {
		f, ok := m.linkByRuns(side, k, g, 0)
		if !ok {
			continue
		}
		l := &m.state.Run[side][k]
		share := l.through(k, g.run)
		if math.Abs(share) < leastSplit {
			continue
		}
		a := l.joint(k, g.post) / share
		ay += a * (f.value - usualMohm)
		aa += a * a
	}
	if aa == 0 {
		return 0
	}
	return ay / aa
}

// answer fills in the figures of the best guess.
func (m *Meter) answer(side Side, g guess, f *finding) {
	loose := 0.0
	if g.post >= 0 {
		loose = m.loose(side, g)
		f.posts[g.post] = answer{figure{loose, math.Hypot(0.3, 0.05*loose)}, true}
	}
	for k := range m.n - 1 {
		a := &f.links[k]
		run, runOK := m.linkByRuns(side, k, g, loose)
		charge, chargeOK := m.linkByCharge(side, k, g, loose)
		runOK = runOK && f.run.probability >= placeLeast
		chargeOK = chargeOK && f.charge.probability >= placeLeast
		switch {
		case runOK: // three times the current, minutes old; both together would count the gains' errors that they share as two
			*a = answer{run, true}
		case chargeOK:
			*a = answer{figure{charge.value, math.Hypot(charge.sigma, tapShare*charge.value)}, true}
		}
		l := &m.state.Run[side][k]
		a.sigma = math.Hypot(a.sigma, l.uneven(l.through(k, g.run)))
		if a.value > openMohm {
			*a = answer{figure{openMohm, openMohm / 2}, a.known}
		}
		a.value = max(a.value, 0)
		a.known = a.known && a.sigma <= max(0.4, a.value/2)
	}
}
