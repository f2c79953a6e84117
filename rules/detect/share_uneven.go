package detect

import (
	"math"

	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/network"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// ShareUneven is a battery that works more than the others.
var ShareUneven = Finding[unevenLimits, unevenMemory]{
	Definition: finding.Definition{
		Name:     "share-uneven",
		Severity: finding.Note,
		About:    finding.Battery,
		Title:    "{subject} works harder",
		Summary:  "{subject} works harder than the others.",
		Detected: "In the motor runs of two days in a row, this battery, or string of batteries in series, gave at least the set " +
			"ratio of its fair share, of at least 1 Ah a day in all. The fair share is an even one, or of batteries that differ " +
			"by their ratings what their rated CCA says. Same-post leads with links of 0.5 mΩ give 1.10.",
		Causes: []*unit.Text{
			unevenLeads,
			unevenLink,
			unevenBattery,
		},
		NextCheck: []string{
			"Look where the two motor leads are: plus on one end battery, minus on the other.",
			"Compare the links' figures and the batteries' resistances on this page.",
		},
		Clears:       "A day's runs with a share below the clearing ratio.",
		Steady:       "A whole day's runs each time; clears at the lower ratio.",
		RaisedWithin: "7 days",
		ExplainedBy:  []string{"link-resistive", "battery-failed", "battery-tired", "series-wired", "parallel-wired"},
	},
	Limits: func(l *unevenLimits) []limit.Limit {
		return []limit.Limit{
			limit.Number{To: &l.Ratio, Default: 1.085, Min: 1.03, Max: 4, About: limit.About{
				Path: "findings.share_ratio", Origin: limit.Physical,
				Doc: "share-uneven: a battery's or string's part of a day's runs over its fair one. Same-post leads with 0.5 mΩ links give " +
					"1.10 (by hand and by a circuit simulator), less what gains of ±1 % may hide",
			}},
			limit.Number{To: &l.ClearRatio, Default: 1.06, Min: 1, Max: 4, About: limit.About{
				Path: "findings.share_clear_ratio", Origin: limit.Choice, Below: "findings.share_ratio",
				Doc: "share-uneven clears under it; less than share_ratio. Two gain errors of 1 % lower",
			}},
		}
	},
	Of:    []view.Kind{view.OfSharer},
	On:    func(f *view.Frame, _ *unevenLimits) bool { return f.Layout.Strings(len(f.Spec)) > 1 },
	Needs: view.Parallel,
	Ends:  []Work{NewBattery},
	Sane:  func(m *unevenMemory) error { return within("uneven days", float64(m.Days), 0, unevenDays) },
	Judge: judgeUneven,
}

type unevenLimits struct{ Ratio, ClearRatio float64 }

type unevenMemory struct{ Days uint8 } // in a row

const (
	minDayAh    = 1.0    // Ah: drawn by a day's runs, before they say who gives more; our choice
	unevenDays  = 2      // count: days in a row: new batteries share unevenly on their first day; our choice
	weakerBy    = 1.1    // ratio: of another battery's resistance, from which it explains the share; our choice
	secondsPerH = 3600.0 // s: of an hour; physical
	evenWithin  = 1e-6   // ratio: of an even share, that is one; our choice
	tiny        = 1e-9   // As: so that nothing is divided by zero; our choice
)

var (
	unevenLeads   = cause("share-uneven.leads", "both motor leads on this battery: the others work through the links")
	unevenLink    = cause("share-uneven.link", "a link or joint to another battery holds its share back")
	unevenBattery = cause("share-uneven.battery", "another battery has more resistance: older, colder or tired")

	dayUnread    = why("day-current-unread", "a battery current could not be read in that day's runs")
	linkAbove    = why("link-above-limit", "a link or joint is above its limit")
	bothLeads    = why("both-leads", "both motor leads are on this battery")
	weakerOthers = why("others-weaker", "another battery's resistance is more than 10 % higher")

	timesEven      = finding.NewLabel("times-even", "times its fair share, in a day's runs", "")
	fairShare      = finding.NewLabel("fair-share", "fair share, by the ratings", "%")
	drawnThatDay   = finding.NewLabel("drawn-that-day", "drawn in that day's runs", "Ah")
	dischargeShare = finding.NewLabel("discharge-share", "discharge share", "%")
	chargeShare    = finding.NewLabel("charge-share", "charge share", "%")
	motorLeads     = finding.NewLabel("motor-leads", "motor leads", "")

	arrangements = map[network.Arrangement]*unit.Text{
		network.Unknown: word("leads-unknown", "unknown"), network.Diagonal: word("leads-diagonal", "diagonal"),
		network.SamePost: word("leads-same-post", "same-post"), network.Between: word("leads-between", "between"),
	}
)

// judgeUneven judges the motor runs of a day that has ended; between days all stays as it was.
func judgeUneven(v view.View, l *unevenLimits, m *unevenMemory) finding.Verdict {
	over, ended := v.Days().Over()
	if !ended {
		for i := range v.Batteries() {
			if v.Battery(i).CurrentA().Faulty() {
				return finding.Unjudged(view.CurrentUnread)
			}
		}
		return unchanged
	}
	sum, l0 := 0.0, v.Layout()
	for k := range v.Strings() {
		sum += over.RunAs[l0.Lowest(k)]
	}
	ratio := over.RunAs[l0.Lowest(v.Subject().Index)] / max(sum*v.FairShare(v.Subject().Index), tiny)
	switch {
	case over.Incomplete || !v.Bank().CurrentA().OK():
		return finding.Unjudged(dayUnread)
	case sum < minDayAh*secondsPerH:
		return unchanged
	case ratio >= l.Ratio:
		m.Days = min(m.Days+1, unevenDays)
		if m.Days == unevenDays {
			return holdsUneven(v, ratio, sum/secondsPerH)
		}
		return unchanged
	}
	m.Days = 0
	if ratio < l.ClearRatio {
		return absent
	}
	return unchanged
}

func holdsUneven(v view.View, ratio, sumAh float64) finding.Verdict {
	k, leads := v.Subject().Index, v.Bank().LoadLeads()
	draw, charged := v.Shares(k)
	verdict := v.Holds(timesEven.Is(ratio), drawnThatDay.Is(sumAh), dischargeShare.Is(draw.Value),
		chargeShare.Is(charged.Value), motorLeads.Says(arrangements[leads.Arrangement]), fairOf(v, k))
	switch {
	case v.Active("link-resistive", true):
		return verdict.Suspect(unevenLink, linkAbove)
	case leads.Arrangement == network.SamePost && leads.Positive >= 0 && v.Layout().StringOf(leads.Positive) == v.Subject().Index:
		return verdict.Suspect(unevenLeads, bothLeads)
	case othersWeaker(v):
		return verdict.Suspect(unevenBattery, weakerOthers)
	}
	return verdict
}

// othersWeaker reports whether another battery has clearly more resistance than this one.
func othersWeaker(v view.View) bool {
	own := v.StringMohm(v.Subject().Index)
	for k := range v.Strings() {
		r := v.StringMohm(k)
		fair := v.FairShare(k) / v.FairShare(v.Subject().Index) // a smaller battery has more resistance
		if k != v.Subject().Index && own.Known && r.Known && r.Value*fair > weakerBy*own.Value {
			return true
		}
	}
	return false
}

// fairOf returns the evidence of a fair share that is no even one; none where it is.
func fairOf(v view.View, k int) finding.Evidence {
	fair := v.FairShare(k)
	if math.Abs(fair*float64(v.Strings())-1) < evenWithin {
		return finding.Evidence{}
	}
	return fairShare.Is(100 * fair)
}
