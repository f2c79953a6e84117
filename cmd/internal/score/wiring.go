package score

import (
	"fmt"
	"math"
	"slices"

	"liftbank/rules"
	"liftbank/rules/network"
	"liftbank/sim"
	"liftbank/sim/bank"
)

// Wiring is the errors of links and leads, over one unit or more.
type Wiring struct {
	Links   int       `json:"links"`            // known
	Unknown int       `json:"links_unknown"`    // not known yet
	Within  int       `json:"links_within"`     // of the known, within ±0.1 mΩ or 10 %
	InBand  int       `json:"within_two_sigma"` // of the known, within twice the stated uncertainty
	Worst   LinkError `json:"worst_link"`
	Leads   int       `json:"leads"` // pairs
	Right   int       `json:"leads_right"`
	Wrong   int       `json:"leads_wrong"`
}

// LinkError is one link's error.
type LinkError struct {
	OffMohm  float64 `json:"off_mohm"`
	TrueMohm float64 `json:"true_mohm"`
}

// Share returns the error over what is wanted: ±0.1 mΩ or 10 %, whichever is more.
func (e LinkError) Share() float64 { return math.Abs(e.OffMohm) / max(0.1, 0.1*e.TrueMohm) }

// openLinkMohm is what the network reports of a link that passes no current. Beyond it nothing is
// told apart.
const openLinkMohm = 200

// Add judges a unit's links and leads. A single battery has none, a single string only those between its
// batteries.
func (t *Wiring) Add(out *rules.Output, u *sim.Unit) {
	n := u.Batteries()
	w := u.Wiring()
	if w.Layout == bank.SeriesPairs {
		t.addStrings(out, &w, n)
		return
	}
	if n == 1 {
		return
	}
	for i := range out.Links {
		l := &out.Links[i]
		t.addLink(l, TrueLinkMohm(&w, n, l.Side, l.From))
	}
	t.AddLeads(out.Bank.LoadLeads, w.LoadPositive, w.LoadNegative, n)
	t.AddLeads(out.Bank.FeedLeads, w.FeedPositive, w.FeedNegative, n)
}

// addStrings judges those of strings; a unit that is not built for them has no middle links.
func (t *Wiring) addStrings(out *rules.Output, w *bank.Wiring, n int) {
	middle := func(l rules.LinkState) bool { return l.Side == network.Middle }
	if !slices.ContainsFunc(out.Links, middle) {
		return
	}
	for i := range out.Links {
		l := &out.Links[i]
		t.addLink(l, StringLinkMohm(w, l.Side, l.From))
	}
	if n > 2 {
		for _, x := range []struct {
			said               network.Leads
			positive, negative bank.Lead
		}{{out.Bank.LoadLeads, w.LoadPositive, w.LoadNegative}, {out.Bank.FeedLeads, w.FeedPositive, w.FeedNegative}} {
			x.positive.At, x.negative.At = x.positive.At/2, x.negative.At/2
			t.AddLeads(x.said, x.positive, x.negative, n/2)
		}
	}
}

// StringLinkMohm returns a link of strings in mΩ as it can be seen at the posts: in the middle with its two
// joints, between the ends of two strings as TrueLinkMohm has it.
func StringLinkMohm(w *bank.Wiring, side network.Side, from int) float64 {
	const goodOhm = 0.0001
	ends := func(link, first, second float64, lead int) float64 {
		if lead > 1 {
			link += max(first-goodOhm, 0)
		} else {
			link += max(second-goodOhm, 0)
		}
		return 1000 * link
	}
	switch side {
	case network.Positive:
		return ends(w.PositiveLink[1], w.PositivePost[1], w.PositivePost[3], w.LoadPositive.At)
	case network.Negative:
		return ends(w.NegativeLink[1], w.NegativePost[0], w.NegativePost[2], w.LoadNegative.At)
	}
	return 1000 * (w.PositivePost[from] + w.PositiveLink[from] + w.NegativePost[from+1])
}

// TrueLinkMohm returns link k of a side in mΩ as it can be seen at the posts. A loose joint at the
// end of the bank that is away from the load's lead carries just what its link carries and counts
// with it, good joints (0.1 mΩ) left out.
func TrueLinkMohm(w *bank.Wiring, n int, side network.Side, k int) float64 {
	links, posts, lead := &w.PositiveLink, &w.PositivePost, w.LoadPositive.At
	if side == network.Negative {
		links, posts, lead = &w.NegativeLink, &w.NegativePost, w.LoadNegative.At
	}
	const goodOhm = 0.0001
	ohm := links[k]
	if k == 0 && lead > 0 {
		ohm += max(posts[0]-goodOhm, 0)
	}
	if k == n-2 && lead < n-1 {
		ohm += max(posts[n-1]-goodOhm, 0)
	}
	return 1000 * ohm
}

func (t *Wiring) addLink(l *rules.LinkState, trueMohm float64) {
	if !l.Mohm.Known {
		t.Unknown++
		return
	}
	e := LinkError{l.Mohm.Value - min(trueMohm, openLinkMohm), min(trueMohm, openLinkMohm)}
	t.Links++
	if e.Share() <= 1 {
		t.Within++
	}
	if math.Abs(e.OffMohm) <= 2*l.Mohm.Sigma {
		t.InBand++
	}
	if e.Share() >= t.Worst.Share() {
		t.Worst = e
	}
}

// AddLeads judges one pair of leads of a bank of n.
func (t *Wiring) AddLeads(got network.Leads, positive, negative bank.Lead, n int) {
	t.Leads++
	switch got.Arrangement {
	case ArrangementOf(positive.At, negative.At, n):
		t.Right++
	case network.Unknown:
	default:
		t.Wrong++
	}
}

// ArrangementOf returns the word for where a pair of leads truly sits.
func ArrangementOf(positive, negative, n int) network.Arrangement {
	switch {
	case positive == negative:
		return network.SamePost
	case positive+negative == n-1 && positive*negative == 0:
		return network.Diagonal
	}
	return network.Between
}

// Merge adds another unit's links and leads.
func (t *Wiring) Merge(o *Wiring) {
	t.Links, t.Within, t.InBand, t.Unknown = t.Links+o.Links, t.Within+o.Within, t.InBand+o.InBand, t.Unknown+o.Unknown
	t.Right, t.Wrong, t.Leads = t.Right+o.Right, t.Wrong+o.Wrong, t.Leads+o.Leads
	if o.Links > 0 && o.Worst.Share() >= t.Worst.Share() {
		t.Worst = o.Worst
	}
}

// Columns returns for a table the worst link error, that link's true resistance, and right, wrong
// and all pairs of leads.
func (t *Wiring) Columns() string {
	links, leads := "\t", ""
	if t.Links > 0 {
		links = fmt.Sprintf("%+.2f\t%.1f", t.Worst.OffMohm, t.Worst.TrueMohm)
	}
	if t.Leads > 0 {
		leads = fmt.Sprintf("%d/%d/%d", t.Right, t.Wrong, t.Leads)
	}
	return links + "\t" + leads
}

// String returns a line about all links and leads.
func (t *Wiring) String() string {
	if t.Leads == 0 && t.Links+t.Unknown == 0 {
		return "links and leads: no bank of several"
	}
	return fmt.Sprintf("links: %d known (%d not), worst %+.2f of %.1f mΩ, within 0.1 mΩ or 10 %%: %d, "+
		"within twice the stated uncertainty: %d; pairs of leads: %d, right %d, wrong %d",
		t.Links, t.Unknown, t.Worst.OffMohm, t.Worst.TrueMohm, t.Within, t.InBand, t.Leads, t.Right, t.Wrong)
}
