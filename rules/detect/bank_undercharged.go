package detect

import (
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// BankUndercharged is a bank that does not get full for days.
var BankUndercharged = Finding[underLimits, underMemory]{
	Definition: finding.Definition{
		Name:     "bank-undercharged",
		Severity: finding.Repair,
		Title:    "No full charge for days",
		Summary: "The bank has not been fully charged for days. Lead-acid batteries sulfate when they are left short of " +
			"charge.",
		Detected: "No full charge for the set number of days (7; published advice for partial charge is a full charge " +
			"every 7 to 14 days, from memory), or the state of charge plus its uncertainty below the set percentage for days. " +
			"A charge counts as full when it was seen to its end: absorption held for 15 min or float for 30 min, with the " +
			"current so low that at most 3 % can be missing (about 1/40 of the capacity at 14.4 V when warm). It also counts " +
			"as full when it is calculated to be 97 % or more and known to 3 %. It counts as possibly full, and nothing is " +
			"said, when it is known to 4 %; or known to 2 % (in a string, 4 %) and within that of 97 %; beside a full battery of " +
			"its string, known to 12 % and within twice that; or when the bank takes less than 1/100 of its capacity per hour " +
			"at absorption voltage, or still less in float. Time in which the monitor was off does not count.",
		Causes: []*unit.Text{
			cause("bank-undercharged.short", "drives too short for the lifts made"),
			cause("bank-undercharged.feed", "feed that delivers less than it should: drop in the cable, plug or breaker, or "+
				"charge voltage set low"),
			cause("bank-undercharged.battery", "battery that no longer takes a full charge"),
			cause("bank-undercharged.parked", "parked for long without a charger"),
		},
		NextCheck: []string{
			"Put a charger set for this chemistry on until the current stays below 2 A for a 100 Ah battery. Ventilate; no " +
				"sparks.",
			"See whether the finding clears.",
			"Then compare hours of feed with lifts a day.",
		},
		Clears:       "A full charge, seen to its end or calculated, and a charge above the limit again.",
		Steady:       "Once raised, only a full charge clears it.",
		RaisedWithin: "when due",
		ExplainedBy: []string{
			"feed-lost", "feed-weak", "feed-low", "wake-missing", "balance-negative", "parked-drain", "motor-stuck",
			"series-wired", "parallel-wired",
		},
	},
	Limits: func(l *underLimits) []limit.Limit {
		return []limit.Limit{
			limit.Span{To: &l.After, Default: 7 * day, Min: time.Hour, Max: 90 * day, About: limit.About{
				Path: "findings.undercharged_after", Origin: limit.Memory,
				Doc: "bank-undercharged: no full charge for this long. IEEE Std 1361 and 937 practice: one every 7 to 14 days " +
					"(from memory)",
			}},
			limit.Number{To: &l.Pct, Default: 60, Min: 10, Max: 95, Unit: "%", About: limit.About{
				Path: "findings.undercharged_soc_pct", Origin: limit.Choice, Below: "findings.balance_under_pct",
				Doc: "bank-undercharged: or charge below it, for undercharged_soc_time. Our choice, under the 70 % published as " +
					"the limit in storage",
			}},
			limit.Span{To: &l.Hold, Default: 3 * day, Min: time.Hour, Max: 90 * day, About: limit.About{
				Path: "findings.undercharged_soc_time", Origin: limit.Memory,
				Doc: "see undercharged_soc_pct. Hard sulfation begins after 24 to 48 h discharged in the warm (general " +
					"literature, from memory)",
			}},
		}
	},
	Needs:  view.Parallel | view.OneBattery,
	Renews: []Work{NewBattery, RightAh},
	Judge:  judgeUnder,
}

type underLimits struct {
	After time.Duration // without a full charge,
	Pct   float64       // or below this charge
	Hold  time.Duration // for this long
}

type underMemory struct {
	Low   bool // below the percentage
	Since time.Duration
	Blind [unit.MaxBatteries]time.Duration // since when a battery's channels are not read; 0: they are
	From  [unit.MaxBatteries]time.Duration // when they came back: what it did before is not known
}

const blindFor = time.Hour // without a reading, after which nothing is said of a battery's charge; our choice

// blind reports whether the channels that a battery's charge hangs on have not been believed for
// long.
func (m *underMemory) blind(v view.View) bool {
	any := false
	for i := range v.Batteries() {
		b := v.Battery(i)
		gone := b.VoltageV().Faulty() || b.CurrentA().Faulty()
		long := m.Blind[i] > 0 && v.Watched(m.Blind[i]) >= blindFor
		switch {
		case gone && m.Blind[i] == 0:
			m.Blind[i] = max(v.Now(), 1)
		case !gone:
			if long {
				m.From[i] = v.Now()
			}
			m.Blind[i] = 0
		}
		any = any || gone && long
	}
	return any
}

const underClearPct = 1.0 // %: above the threshold, before the charge counts as up again; our choice

var (
	sinceFull      = finding.NewLabel("since-full", "since the last full charge", "d")
	watchedNever   = finding.NewLabel("watched", "watched, no full charge seen", "d")
	channelsUnread = why("channels-unread", "a battery's voltage or current has not been read for an hour")

	lowFor = finding.NewLabel("low-for", "below the charge limit for", "d")
)

func judgeUnder(v view.View, l *underLimits, m *underMemory) finding.Verdict {
	if m.blind(v) {
		return finding.Unjudged(channelsUnread)
	}
	since, full := unfilledFor(v, &m.From)
	soc := v.Bank().Charge()
	low := soc.Known && soc.Value+soc.Sigma < l.Pct
	up := !soc.Known || soc.Value >= l.Pct+underClearPct
	if low && !m.Low {
		m.Low, m.Since = true, v.Now()
	}
	m.Low = m.Low && (low || !up)
	under := time.Duration(0)
	if m.Low {
		under = v.Watched(m.Since)
	}
	overdue := since >= l.After
	switch {
	case overdue && !possiblyFullWithin(v, l.After), under >= l.Hold && low:
		known, at := chargeIs.Says(notKnown), &watchedNever
		if soc.Known {
			known = charge.Is(soc.Value)
		}
		if full {
			at = &sinceFull
		}
		return v.Holds(at.Is(days(since)), known, lowFor.Is(days(under)))
	case v.Active("bank-undercharged", false) && (m.Low || !full || overdue):
		return unchanged
	}
	return absent
}

// possiblyFullWithin reports whether each battery was full, or may have been, so long ago at most.
// One with a dead cell is left out: it never gets full.
func possiblyFullWithin(v view.View, span time.Duration) bool {
	for i := range v.Batteries() {
		b := v.Battery(i).Facts()
		full := b.FullEver && v.Watched(b.FullAt) < span
		maybe := b.MaybeEver && v.Watched(b.MaybeAt) < span
		if !full && !maybe && !b.DeadCell {
			return false
		}
	}
	return true
}

// notFullFor returns for how long not all batteries have been full; full is false while one never
// was, and the time is then that since the bank is watched. A battery with a dead cell is left out.
func notFullFor(v view.View) (since time.Duration, full bool) {
	return unfilledFor(v, &[unit.MaxBatteries]time.Duration{})
}

// unfilledFor is the same, of each battery from an instant on.
func unfilledFor(v view.View, from *[unit.MaxBatteries]time.Duration) (since time.Duration, full bool) {
	oldest, counted := v.Now(), false
	for i := range v.Batteries() {
		b := v.Battery(i).Facts()
		switch {
		case b.DeadCell:
			continue
		case !b.FullEver:
			return v.Watched(max(v.From(), from[i])), false
		}
		oldest, counted = min(oldest, max(b.FullAt, from[i])), true
	}
	return v.Watched(oldest), counted
}
