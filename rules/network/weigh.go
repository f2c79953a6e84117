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
	soundSigma  = 0.04 // of it: from nearly nothing to twice as much
	jointsMohm  = 0.06 // what sound joints add to or take from a link, unevenly
	usualMohm   = 0.5  // a link, before it is known
	leastLoose  = 0.4  // mΩ
	leastSplit  = 0.006
	tapShare    = 0.1   // of a link by charge alone: what the gains of negative taps may do to it
	openMohm    = 200.0 // a link that passes no current has this or more
	sureEnough  = 0.99  // of a place, to remember it
	sayEnough   = 0.95  // to say it: a lead told wrong costs a look, as does one that is not told
	placeLeast  = 0.9   // of a lead, to give the figures that follow from it
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
		// A place that became sure just now weighs with the rest: again, so that what is found follows from what is remembered alone.
		for range m.n * m.n {
			held := m.state.Held[side]
			if m.weigh(side); m.state.Held[side] == held {
				break
			}
		}
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
		l, _ := m.runsOf(side, k)
		runs = min(runs, l.Count)
		settled = settled && m.state.Charge[side][k].fits()
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
		charge, chargeOK := m.byCharge(side, k, g, loose)
		chargeOK = chargeOK && !(runOK && run.value > openMohm) // what then stands over the link is no drop
		switch {
		case runOK && chargeOK: // of what the charge says, only what the runs left open: one datum must not count twice
			run.sigma = math.Hypot(run.sigma, math.Hypot(jointsMohm, 0.1*run.value))
			score += plausible(run) + max(-charge.distance(run)/2, contradicts)
		case runOK:
			score += plausible(run)
		case chargeOK:
			score += plausible(charge.link()) + max(-charge.mismatch()/2, contradicts)
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
	l, fed := m.runsOf(side, k)
	if l.Count < runsLeast {
		return figure{}, false
	}
	drop := l.perAmpere(m.gainOf(side, k))
	drop.value -= loose*l.joint(k, g.post) + soundMohm*(l.Mean.Far-l.Mean.Near)
	share := l.passing(k, g, fed)
	f := over(drop, share.value)
	f.sigma = math.Hypot(f.sigma, f.value*share.sigma/max(math.Abs(share.value), leastSplit))
	return f, true
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

// uneven gives what two sound joints may add to a link's figure, or take from it, beyond what is counted for them.
func (l *Runs) uneven(share float64) float64 {
	return soundSigma * math.Hypot(l.Mean.Far, l.Mean.Near) / max(math.Abs(share), leastSplit)
}

// split is what charge currents say of a link under a guess: its resistance, and by how much the whole current shows otherwise than the
// guess's place of the lead wants; with their covariance, all in mΩ.
type split struct {
	mohm, off        float64
	vMohm, vOff, cov float64
}

// byCharge gives what charge currents say. With the lead before the link the whole current must not show at all, with the lead after it
// as much as the current beyond the link.
func (m *Meter) byCharge(side Side, k int, g guess, loose float64) (s split, ok bool) {
	l := &m.state.Charge[side][k]
	if !l.fits() {
		return s, false
	}
	after := 0.0
	if g.charge > k {
		after = 1
	}
	before, beyond := m.partsOf(k)
	slopeMohm, awayMohm, joints := l.Mean[slope], l.Mean[away], 0.0
	switch g.post { // a loose joint's drop goes with one battery's current: a part of what flows on its side of the link
	case k:
		slopeMohm, awayMohm = slopeMohm-loose*before, awayMohm-loose*before
		joints = sq(0.1 * loose)
	case k + 1:
		slopeMohm -= loose * beyond
		joints = sq(0.1 * loose)
	}
	s = split{mohm: slopeMohm, off: awayMohm - after*slopeMohm}
	shares := &m.state.ChargeShare
	joints += sq(soundSigma) * (sq(shares[k]) + sq(shares[k+1]))
	gains := sq(gainShare * max(math.Abs(l.Mean[slope]), math.Abs(l.Mean[away])))
	// The two currents go together for the most part; what little they go apart is in part noise, which a filter takes for currents. That
	// leaves both coefficients less sure, together; it does not touch what one of them must be beside the other.
	const unsure = 2
	rr, ar := unsure*l.Cov[slope][slope], unsure*l.Cov[away][slope]
	aa := l.Cov[away][away] + (unsure-1)*sq(l.Cov[away][slope])/max(l.Cov[slope][slope], 1e-12)
	s.vMohm = rr + gains
	s.cov = ar - after*rr
	s.vOff = max(aa-2*after*ar+after*rr, 0) + joints + gains
	return s, true
}

// partsOf gives the part that battery k has in a charge of all up to it, and battery k+1 in that of all from it on.
func (m *Meter) partsOf(k int) (before, beyond float64) {
	if m.state.ChargeCount == 0 {
		return 1 / float64(k+1), 1 / float64(m.n-k-1)
	}
	var upTo, from float64
	for j, share := range m.state.ChargeShare[:m.n] {
		if j <= k {
			upTo += share
		} else {
			from += share
		}
	}
	if min(upTo, from) < leastSplit {
		return 1 / float64(k+1), 1 / float64(m.n-k-1)
	}
	return m.state.ChargeShare[k] / upTo, m.state.ChargeShare[k+1] / from
}

// link gives the link's resistance if the guess holds.
func (s *split) link() figure {
	return figure{s.mohm - s.cov/s.vOff*s.off, math.Sqrt(max(s.vMohm-sq(s.cov)/s.vOff, 0))}
}

// mismatch gives how badly the guess holds, squared and in its own standard deviations.
func (s *split) mismatch() float64 { return sq(s.off) / s.vOff }

// distance gives that with the link's resistance by runs taken in: of both together.
func (s *split) distance(run figure) float64 {
	d, v := s.mohm-run.value, s.vMohm+sq(run.sigma)
	det := v*s.vOff - sq(s.cov)
	if det <= 0 {
		return 0
	}
	return (sq(d)*s.vOff - 2*d*s.off*s.cov + sq(s.off)*v) / det
}

// linkByCharge gives the resistance of a link by charge currents.
func (m *Meter) linkByCharge(side Side, k int, g guess, loose float64) (figure, bool) {
	s, ok := m.byCharge(side, k, g, loose)
	if !ok {
		return figure{}, false
	}
	return s.link(), true
}

// gainOf gives the difference in gain of the taps of a link. On the negative side it acts on millivolts: it is not learnt, and seldom of
// matter.
func (m *Meter) gainOf(side Side, k int) figure {
	if side == Negative {
		return figure{0, firstGainMVPerV}
	}
	return m.state.Charge[side][k].gainMVPerV()
}

// loose gives the resistance of the joint at a guess's post that brings the links beside it nearest to a usual link.
func (m *Meter) loose(side Side, g guess) float64 {
	var ay, aa float64
	for k := max(g.post-1, 0); k <= min(g.post, m.n-2); k++ {
		f, ok := m.linkByRuns(side, k, g, 0)
		if !ok {
			continue
		}
		l, fed := m.runsOf(side, k)
		share := l.passing(k, g, fed).value
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
		f.posts[g.post] = answer{figure{loose + soundMohm, math.Hypot(0.3, 0.05*loose)}, true}
	}
	for k := range m.n - 1 {
		a := &f.links[k]
		run, runOK := m.linkByRuns(side, k, g, loose)
		charge, chargeOK := m.linkByCharge(side, k, g, loose)
		runOK = runOK && f.run.probability >= placeLeast
		chargeOK = chargeOK && f.charge.probability >= placeLeast
		l, fed := m.runsOf(side, k)
		tapped := math.Hypot(charge.sigma, tapShare*charge.value)
		switch {
		case runOK && !(fed && chargeOK && tapped < run.sigma): // three times the current, minutes old; both together would count the gains' errors that they share as two
			*a = answer{run, true}
		case chargeOK:
			*a = answer{figure{charge.value, tapped}, true}
		}
		a.sigma = math.Hypot(a.sigma, l.uneven(l.passing(k, g, fed).value))
		if a.value > openMohm {
			*a = answer{figure{openMohm, openMohm / 2}, a.known}
		}
		a.value = max(a.value, 0)
		a.known = a.known && a.sigma <= max(0.4, a.value/2)
	}
}
