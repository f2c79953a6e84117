package network

import (
	"math"

	"liftbank/rules/unit"
)

// A hypothesis is one way to explain all that was learned of a side: where its load lead is, where
// its feed lead is, and whether the joint at one post is loose.
type hypothesis struct{ run, charge, post int } // batteries; post -1: none

// place is where a lead is connected, with the probability of it.
type place struct {
	place       int // battery; -1: nothing known
	probability float64
}

// sideResult is what a side's hypotheses come to.
type sideResult struct {
	run, charge place
	links       [maxLinks]answer
	posts       [unit.MaxBatteries]answer
}

type answer struct {
	figure
	known bool
}

func (a answer) estimate() unit.Estimate {
	return unit.Estimate{Value: a.value, Sigma: a.sigma, Known: a.known}
}

// Weights of a hypothesis, as logarithms of a probability. Joints and links of good copper are a
// few tenths of a milliohm; one over its limit is rare, two at once rarer; leads don't move but on
// a visit.
const (
	looseJoint  = -8.0  // ln: a loose joint; our choice
	badLink     = -3.0  // ln: a link over badLinkMohm; our choice
	badLinkMohm = 1.5   // mΩ: 0.1 V a connection at 120 A, two connections and a cable; trade practice
	badSigmas   = 2     // ratio: deviations that a link must be over it; our choice
	movedLead   = -9.0  // ln: a lead that moved; our choice
	openLink    = -8.0  // ln: a link that passes no current; our choice
	impossible  = -60.0 // ln: what can't be; our choice
	contradicts = -8.0  // ln: most that run and charge count against when they don't agree on a link; our choice
	unusualMost = 16    // ratio²: deviations squared that a joint's links may count against it; our choice

	soundMohm    = 0.1   // mΩ: a joint with a clean clamp; trade practice
	soundSigma   = 0.04  // mΩ: of it, from nearly nothing to twice as much; our choice
	jointsMohm   = 0.06  // mΩ: what good joints add to or take from a link, unevenly; our choice
	usualMohm    = 0.5   // mΩ: a link, before it is known; our choice
	minLooseMohm = 0.4   // mΩ: a joint that is loose; our choice
	looseMohm    = 0.3   // mΩ: deviation of a loose joint; our choice
	looseShare   = 0.05  // ratio: deviation of a loose joint over itself; our choice
	minSplit     = 0.006 // ratio: share of the bank's current that still tells; our choice
	splitSigmas  = 3     // ratio: deviations that a drop must have against such a share's sign; our choice
	splitShare   = 0.5   // ratio: deviation of a link by such a share; our choice
	tapShare     = 0.1   // ratio: of a link by charge alone, what the gains of negative taps may do to it; our choice
	runShare     = 0.1   // ratio: of a link by runs, beside one by charge; our choice
	jointShare   = 0.1   // ratio: of a loose joint's drop with charge currents; our choice
	unsure       = 2     // ratio: variance of coefficients whose currents go together; our choice
	openMohm     = 200.0 // mΩ: a link that passes no current has this or more; our choice
	maxSigmaMohm = 0.4   // mΩ: deviation of a link that is said; our choice

	keepProbability   = 0.99 // ratio: of a place, to remember it; our choice
	reportProbability = 0.95 // ratio: to say it: a wrong place costs a look, and so does none; our choice
	minPlace          = 0.9  // ratio: of a lead, to give the figures that follow from it; our choice
	minRuns           = 3    // count: runs before a link is said; our choice
	runsToPlace       = 5    // count: runs before a place is remembered; our choice
	runsToMove        = 10   // count: runs before another one is; our choice
)

// weighAll weighs both sides anew.
func (m *Meter) weighAll() {
	if m.n == 1 {
		for side := range m.found {
			m.found[side] = sideResult{run: place{0, 1}, charge: place{0, 1}}
		}
		return
	}
	for side := range Side(sides) {
		r := m.rail(side)
		// A place that became sure just now weighs with the rest: again, so that what is found
		// follows from what is remembered alone.
		for range m.n * m.n {
			held := *r.held
			if m.found[side] = r.weigh(); *r.held == held {
				break
			}
		}
	}
}

// rail is one side of the bank as it is weighed: what was learned of it, where the meter keeps it.
type rail struct {
	side      Side
	n         int // batteries
	run       *[maxLinks]Runs
	fed       *[maxLinks]Runs
	charge    *[maxLinks]Line
	shares    *Shares
	held      *Places // the only part that weighing changes
	taps      *[maxLinks]taps
	gainShare float64
}

func (m *Meter) rail(side Side) rail {
	s, c := &m.state, &m.class
	return rail{
		side: side, n: m.n, run: &s.Run[side], fed: &s.Fed[side], charge: &s.Charge[side], shares: &s.Shares,
		held: &s.Held[side], taps: &c.link[side], gainShare: c.gainShare,
	}
}

// weigh compares all guesses and returns what the best comes to, with the probability of its
// places.
func (r *rail) weigh() sideResult {
	var scores [unit.MaxBatteries * unit.MaxBatteries * (unit.MaxBatteries + 1)]float64
	best, top := hypothesis{-1, -1, -1}, math.Inf(-1)
	i := 0
	for g := range r.hypotheses {
		scores[i] = r.score(g)
		if scores[i] > top {
			best, top = g, scores[i]
		}
		i++
	}
	var run, charge [unit.MaxBatteries]float64
	i, sum := 0, 0.0
	for g := range r.hypotheses {
		p := math.Exp(scores[i] - top)
		run[g.run] += p
		charge[g.charge] += p
		sum += p
		i++
	}
	f := sideResult{run: place{best.run, run[best.run] / sum}, charge: place{best.charge, charge[best.charge] / sum}}
	r.keepPlace(&f)
	r.answer(best, &f)
	return f
}

// hypotheses yields every guess in a fixed order.
func (r *rail) hypotheses(yield func(hypothesis) bool) {
	for run := range r.n {
		for charge := range r.n {
			for post := -1; post < r.n; post++ {
				if !yield(hypothesis{run, charge, post}) {
					return
				}
			}
		}
	}
}

// keepPlace remembers a place that is sure, and lets go of it only for another that is.
func (r *rail) keepPlace(f *sideResult) {
	held := r.held
	runs, settled := runMemory, true
	for k := range r.n - 1 {
		l, _ := r.runsOf(k)
		runs = min(runs, l.Count)
		settled = settled && r.charge[k].fits(r.taps[k])
	}
	if f.run.probability >= keepProbability && (held.Run < 0 && runs >= runsToPlace || runs >= runsToMove) {
		held.Run = f.run.place
	}
	if f.charge.probability >= keepProbability && settled && (held.Charge < 0 || runs >= runsToMove) {
		held.Charge = f.charge.place
	}
}

// runsOf returns what runs showed of a link, and whether the converter was on in them.
func (r *rail) runsOf(k int) (l *Runs, fed bool) {
	if l = &r.run[k]; l.Count < minRuns && r.fed[k].Count > l.Count {
		return &r.fed[k], true
	}
	return l, false
}

// score returns the logarithm of a guess's weight.
func (r *rail) score(g hypothesis) float64 {
	score := 0.0
	held := r.held
	if held.Run >= 0 && held.Run != g.run {
		score += movedLead
	}
	if held.Charge >= 0 && held.Charge != g.charge {
		score += movedLead
	}
	loose := 0.0
	if g.post >= 0 {
		loose = r.looseJointMohm(g)
		if loose < minLooseMohm {
			return impossible
		}
		score += looseJoint
	}
	for k := range r.n - 1 {
		run, runOK := r.linkByRuns(k, g, loose)
		charge, chargeOK := r.byCharge(k, g, loose)
		chargeOK = chargeOK && !(runOK && run.value > openMohm) // what then stands over the link is no drop
		switch {
		case runOK && chargeOK: // of what the charge says, only what the runs left open: one datum must not count twice
			run.sigma = math.Hypot(run.sigma, math.Hypot(jointsMohm, runShare*run.value))
			score += plausible(run) + max(-charge.distance(run)/2, contradicts)
		case runOK:
			score += plausible(run)
		case chargeOK:
			score += plausible(charge.link()) + max(-charge.mismatch()/2, contradicts)
		}
		if runOK && (g.post == k || g.post == k+1) {
			// A joint found in a link's figure must leave a usual link.
			score -= min(sq(run.value-usualMohm), unusualMost)
		}
	}
	return score
}

// plausible returns the logarithm of the weight that a link has such a resistance: it can't be
// negative.
func plausible(f figure) float64 {
	score := max(math.Log(0.5*math.Erfc(-f.value/math.Hypot(f.sigma, jointsMohm)/math.Sqrt2)), impossible)
	switch {
	case f.value > openMohm:
		score += openLink
	case f.value-badSigmas*f.sigma > badLinkMohm:
		score += badLink
	}
	return score
}

// linkByRuns returns the resistance of a link by motor runs, under a guess with its joint's
// resistance.
func (r *rail) linkByRuns(k int, g hypothesis, loose float64) (figure, bool) {
	l, fed := r.runsOf(k)
	if l.Count < minRuns {
		return figure{}, false
	}
	drop := l.perAmpere(r.gainOf(k))
	drop.value -= loose*l.joint(k, g.post) + soundMohm*(l.Mean.Far-l.Mean.Near)
	share := l.passing(k, g, fed)
	f := over(drop, share.value, r.gainShare)
	f.sigma = math.Hypot(f.sigma, f.value*share.sigma/max(math.Abs(share.value), minSplit))
	return f, true
}

// over divides a drop per ampere of the bank by the share that passes.
func over(drop figure, share, gainShare float64) figure {
	if math.Abs(share) < minSplit {
		// Next to no current, or none at all: its sign is a sensor's. A drop has the sign of what passes.
		if math.Abs(drop.value) > splitSigmas*drop.sigma {
			share = drop.value
		}
		share = math.Copysign(minSplit, share)
	}
	f := figure{drop.value / share, 0}
	f.sigma = math.Hypot(drop.sigma/share, gainShare*f.value)
	if math.Abs(share) == minSplit {
		f.sigma = math.Hypot(f.sigma, splitShare*f.value)
	}
	return f
}

// uneven returns what two sound joints may add to a link's figure, or take from it, beyond what is
// counted for them.
func (l *Runs) uneven(share float64) float64 {
	return soundSigma * math.Hypot(l.Mean.Far, l.Mean.Near) / max(math.Abs(share), minSplit)
}

// split is what charge currents say of a link under a guess: its resistance, and by how much the
// whole current shows otherwise than the guess's place of the lead wants; with their covariance,
// all in mΩ.
type split struct {
	mohm, off        float64
	vMohm, vOff, cov float64
}

// byCharge returns what charge currents say. With the lead before the link the whole current must
// not show at all, with the lead after it as much as the current beyond the link.
func (r *rail) byCharge(k int, g hypothesis, loose float64) (s split, ok bool) {
	l := &r.charge[k]
	if !l.fits(r.taps[k]) {
		return s, false
	}
	after := 0.0
	if g.charge > k {
		after = 1
	}
	before, beyond := r.shares.partsOf(k, r.n)
	slopeMohm, awayMohm, joints := l.Mean[slope], l.Mean[away], 0.0
	// A loose joint's drop goes with one battery's current: a part of what flows on its side of the
	// link.
	switch g.post {
	case k:
		slopeMohm, awayMohm = slopeMohm-loose*before, awayMohm-loose*before
		joints = sq(jointShare * loose)
	case k + 1:
		slopeMohm -= loose * beyond
		joints = sq(jointShare * loose)
	}
	s = split{mohm: slopeMohm, off: awayMohm - after*slopeMohm}
	shares := &r.shares.ChargeShare
	joints += sq(soundSigma) * (sq(shares[k]) + sq(shares[k+1]))
	gains := sq(r.gainShare * max(math.Abs(l.Mean[slope]), math.Abs(l.Mean[away])))
	// The two currents go together for the most part; what little they go apart is in part noise,
	// which a filter takes for currents. That leaves both coefficients less sure, together; it does
	// not touch what one of them must be beside the other.
	rr, ar := unsure*l.Cov[slope][slope], unsure*l.Cov[away][slope]
	aa := l.Cov[away][away]
	if v := l.Cov[slope][slope]; v > 0 {
		aa += (unsure - 1) * sq(l.Cov[away][slope]) / v
	}
	s.vMohm = rr + gains
	s.cov = ar - after*rr
	s.vOff = max(aa-2*after*ar+after*rr, 0) + joints + gains
	return s, true
}

// link returns the link's resistance if the guess holds.
func (s *split) link() figure {
	return figure{s.mohm - s.cov/s.vOff*s.off, math.Sqrt(max(s.vMohm-sq(s.cov)/s.vOff, 0))}
}

// mismatch returns how badly the guess holds, squared and in its own standard deviations.
func (s *split) mismatch() float64 { return sq(s.off) / s.vOff }

// distance returns that with the link's resistance by runs taken in: of both together.
func (s *split) distance(run figure) float64 {
	d, v := s.mohm-run.value, s.vMohm+sq(run.sigma)
	det := v*s.vOff - sq(s.cov)
	if det <= 0 {
		return 0
	}
	return (sq(d)*s.vOff - 2*d*s.off*s.cov + sq(s.off)*v) / det
}

// linkByCharge returns the resistance of a link by charge currents.
func (r *rail) linkByCharge(k int, g hypothesis, loose float64) (figure, bool) {
	s, ok := r.byCharge(k, g, loose)
	if !ok {
		return figure{}, false
	}
	return s.link(), true
}

// gainOf returns the difference in gain of the taps of a link. On the negative side it acts on
// millivolts: it is not learned, and seldom of matter.
func (r *rail) gainOf(k int) figure {
	if r.side == Negative {
		return figure{0, r.taps[k].firstMVPerV()}
	}
	return r.charge[k].gainMVPerV()
}

// looseJointMohm returns the resistance of the joint at a guess's post that brings the links beside
// it nearest to a usual link.
func (r *rail) looseJointMohm(g hypothesis) float64 {
	var ay, aa float64
	for k := max(g.post-1, 0); k <= min(g.post, r.n-2); k++ {
		f, ok := r.linkByRuns(k, g, 0)
		if !ok {
			continue
		}
		l, fed := r.runsOf(k)
		share := l.passing(k, g, fed).value
		if math.Abs(share) < minSplit {
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
func (r *rail) answer(g hypothesis, f *sideResult) {
	loose := 0.0
	if g.post >= 0 {
		loose = r.looseJointMohm(g)
		f.posts[g.post] = answer{figure{loose + soundMohm, math.Hypot(looseMohm, looseShare*loose)}, true}
	}
	for k := range r.n - 1 {
		a := &f.links[k]
		run, runOK := r.linkByRuns(k, g, loose)
		charge, chargeOK := r.linkByCharge(k, g, loose)
		runOK = runOK && f.run.probability >= minPlace
		chargeOK = chargeOK && f.charge.probability >= minPlace
		l, fed := r.runsOf(k)
		tapped := math.Hypot(charge.sigma, tapShare*charge.value)
		switch {
		// Runs have three times the current, minutes old; both together would count the gains'
		// errors that they share as two.
		case runOK && !(fed && chargeOK && tapped < run.sigma):
			*a = answer{run, true}
		case chargeOK:
			*a = answer{figure{charge.value, tapped}, true}
		}
		a.sigma = math.Hypot(a.sigma, l.uneven(l.passing(k, g, fed).value))
		if a.value > openMohm {
			*a = answer{figure{openMohm, splitShare * openMohm}, a.known}
		}
		a.value = max(a.value, 0)
		a.known = a.known && a.sigma <= max(maxSigmaMohm, sigmaShare*a.value)
	}
}
