package trial

import (
	"fmt"
	"math"

	"liftbank/rules"
	"liftbank/rules/network"
	"liftbank/sim"
	"liftbank/sim/bank"
)

// crankingTally gathers the error of the cold cranking capability against the virtual J537 test, as of a run's end.
type crankingTally struct {
	n, within5, inBand int // batteries judged; off by 5 % at the most; by less than twice the stated uncertainty
	worst, sum2        float64
}

// crankingRuns is from how many motor runs on a battery's capability is judged.
const crankingRuns = 20

func (t *crankingTally) add(out *rules.Output, u *sim.Unit) {
	for i, truth := range u.Truth().Batteries {
		b := &out.Battery[i]
		if b.RunsJudged < crankingRuns || !b.CrankingA.Known || truth.CrankingA <= 0 {
			continue
		}
		t.note(100*(b.CrankingA.Value/truth.CrankingA-1), 100*b.CrankingA.Sigma/b.CrankingA.Value)
	}
}

// note takes one battery's error and stated standard uncertainty, both in %.
func (t *crankingTally) note(offPct, sigmaPct float64) {
	t.n++
	t.sum2 += offPct * offPct
	if math.Abs(offPct) > math.Abs(t.worst) {
		t.worst = offPct
	}
	if math.Abs(offPct) <= 5 {
		t.within5++
	}
	if math.Abs(offPct) <= 2*sigmaPct {
		t.inBand++
	}
}

func (t *crankingTally) merge(o *crankingTally) {
	t.n, t.within5, t.inBand, t.sum2 = t.n+o.n, t.within5+o.within5, t.inBand+o.inBand, t.sum2+o.sum2
	if math.Abs(o.worst) > math.Abs(t.worst) {
		t.worst = o.worst
	}
}

func (t *crankingTally) rms() float64 { return math.Sqrt(t.sum2 / float64(max(t.n, 1))) }

// columns gives worst and RMS for the table; blank where no battery had runs enough.
func (t *crankingTally) columns() string {
	if t.n == 0 {
		return "\t"
	}
	return fmt.Sprintf("%+.1f\t%.1f", t.worst, t.rms())
}

func (t *crankingTally) sentence() string {
	if t.n == 0 {
		return "cold cranking capability: no battery had 20 runs"
	}
	return fmt.Sprintf("cold cranking capability from 20 runs on, %% of the truth: %d batteries, worst %+.1f %%, RMS %.1f %%, within 5 %%: %d, within twice the stated uncertainty: %d",
		t.n, t.worst, t.rms(), t.within5, t.inBand)
}

// wiringTally gathers the errors of links and leads, as of a run's end.
type wiringTally struct {
	links, within, inBand int // within ±0.1 mΩ or 10 %; within twice the stated uncertainty
	unsaid                int
	worst                 linkError
	right, wrong, leads   int
}

// linkError is one link's error.
type linkError struct{ offMohm, trueMohm float64 }

// share is the error over what is wanted: ±0.1 mΩ or 10 %, whichever is more.
func (e linkError) share() float64 { return math.Abs(e.offMohm) / max(0.1, 0.1*e.trueMohm) }

// openLinkMohm is what the network says of a link that passes no current; more is not told apart.
const openLinkMohm = 200

func (t *wiringTally) add(out *rules.Output, u *sim.Unit) {
	n := u.Batteries()
	w := u.Wiring()
	if n == 1 || w.Layout != bank.Parallel {
		return
	}
	for i := range out.Links {
		l := &out.Links[i]
		t.link(l, TrueLinkMohm(&w, n, l.Side, l.From))
	}
	t.lead(out.Bank.LoadLeads, w.LoadPositive, w.LoadNegative, n)
	t.lead(out.Bank.FeedLeads, w.FeedPositive, w.FeedNegative, n)
}

// TrueLinkMohm gives link k of a side in mΩ as it can be seen at the posts: a loose joint at the end of the bank that is away from
// the load's lead carries just what its link carries and counts with it, sound joints (0.1 mΩ) left out.
func TrueLinkMohm(w *bank.Wiring, n int, side network.Side, k int) float64 {
	links, posts, lead := &w.PositiveLink, &w.PositivePost, w.LoadPositive.At
	if side == network.Negative {
		links, posts, lead = &w.NegativeLink, &w.NegativePost, w.LoadNegative.At
	}
	const soundOhm = 0.0001
	ohm := links[k]
	if k == 0 && lead > 0 {
		ohm += max(posts[0]-soundOhm, 0)
	}
	if k == n-2 && lead < n-1 {
		ohm += max(posts[n-1]-soundOhm, 0)
	}
	return 1000 * ohm
}

func (t *wiringTally) link(l *rules.LinkState, trueMohm float64) {
	if !l.Mohm.Known {
		t.unsaid++
		return
	}
	e := linkError{l.Mohm.Value - min(trueMohm, openLinkMohm), min(trueMohm, openLinkMohm)}
	t.links++
	if e.share() <= 1 {
		t.within++
	}
	if math.Abs(e.offMohm) <= 2*l.Mohm.Sigma {
		t.inBand++
	}
	if e.share() >= t.worst.share() {
		t.worst = e
	}
}

func (t *wiringTally) lead(got network.Leads, positive, negative bank.Lead, n int) {
	t.leads++
	switch got.Arrangement {
	case ArrangementOf(positive.At, negative.At, n):
		t.right++
	case network.Unknown:
	default:
		t.wrong++
	}
}

// ArrangementOf gives the word for where a pair of leads truly sits.
func ArrangementOf(positive, negative, n int) network.Arrangement {
	switch {
	case positive == negative:
		return network.SamePost
	case positive+negative == n-1 && positive*negative == 0:
		return network.Diagonal
	}
	return network.Between
}

func (t *wiringTally) merge(o *wiringTally) {
	t.links, t.within, t.inBand, t.unsaid = t.links+o.links, t.within+o.within, t.inBand+o.inBand, t.unsaid+o.unsaid
	t.right, t.wrong, t.leads = t.right+o.right, t.wrong+o.wrong, t.leads+o.leads
	if o.links > 0 && o.worst.share() >= t.worst.share() {
		t.worst = o.worst
	}
}

// columns gives the worst link error with the link's true resistance, and right, wrong and all pairs of leads.
func (t *wiringTally) columns() string {
	links, leads := "\t", ""
	if t.links > 0 {
		links = fmt.Sprintf("%+.2f\t%.1f", t.worst.offMohm, t.worst.trueMohm)
	}
	if t.leads > 0 {
		leads = fmt.Sprintf("%d/%d/%d", t.right, t.wrong, t.leads)
	}
	return links + "\t" + leads
}

func (t *wiringTally) sentence() string {
	if t.leads == 0 {
		return "links and leads: no bank of several"
	}
	return fmt.Sprintf("links: %d told (%d not), worst %+.2f of %.1f mΩ, within 0.1 mΩ or 10 %%: %d, within twice the stated uncertainty: %d; pairs of leads: %d, told right %d, wrong %d",
		t.links, t.unsaid, t.worst.offMohm, t.worst.trueMohm, t.within, t.inBand, t.leads, t.right, t.wrong)
}
