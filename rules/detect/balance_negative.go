package detect

import (
	"liftbank/rules/daily"
	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// BalanceNegative is a duty on which the bank loses charge day by day.
var BalanceNegative = Finding[balanceLimits, None]{
	Definition: finding.Definition{
		Name:     "balance-negative",
		Severity: finding.Repair,
		Title:    "Bank loses charge day by day",
		Summary:  "On this duty the bank loses charge day by day.",
		Detected: "From midnight to midnight of working days, the charge, known to 10 % each night, fell by the set amount " +
			"or more over three of them, and is below the set level, both by their uncertainty. What the lifts took and the " +
			"feed brought, as counted, must not contradict it. Parked days and the first days after a full charge do not " +
			"count. The day on which the charge falls below the service voltage, and the extra hours of charge a day that " +
			"would hold it, come from the same figures.",
		Causes: []*unit.Text{
			balanceShort,
			balanceWake,
			balanceFeed,
			cause("balance-negative.lifts", "more lifts than the unit was built for"),
			balanceBoard,
		},
		NextCheck: []string{
			"Compare hours of charge with lifts a day.",
			"Too few hours: leave the tractor running at stops, or put the unit on a shop charger overnight.",
			"No wake line at all on working days: follow the ignition wire to the converter.",
		},
		Clears:       "A working day without loss, or charge back above 95 %.",
		Steady:       "Raised after three working days.",
		RaisedWithin: "4 working days",
		ExplainedBy: []string{
			"feed-lost", "feed-weak", "feed-low", "wake-missing", "battery-failed", "motor-stuck", "series-wired", "parallel-wired",
		},
	},
	Limits: func(l *balanceLimits) []limit.Limit {
		return []limit.Limit{
			limit.Number{To: &l.FallPct, Default: 3, Min: 1, Max: 50, Unit: "%", About: limit.About{
				Path: "findings.balance_fall_pct", Origin: limit.Choice,
				Doc: "balance-negative: charge lost over three working days. A tenth of what is between full and 12.4 V",
			}},
			limit.Number{To: &l.BelowPct, Default: 90, Min: 20, Max: 100, Unit: "%", About: limit.About{
				Path: "findings.balance_under_pct", Origin: limit.Choice,
				Doc: "balance-negative: only under this charge; more than undercharged_soc_pct. From full to just under it is " +
					"no loss",
			}},
		}
	},
	Needs: view.Parallel | view.OneBattery,
	Judge: judgeBalance,
}

type balanceLimits struct{ FallPct, BelowPct float64 }

const (
	balanceOverPct = 95.0 // %: charge above which nothing is lost; our choice
	hoursPerDay    = 24.0 // h: of a day; physical
	littleH        = 0.05 // h: of feed or wake line, that is none; our choice
)

var (
	balanceShort = cause("balance-negative.short", "tractor runs too short for the lifts made")
	balanceWake  = cause("balance-negative.wake", "wake line does not come on although the unit works")
	balanceBoard = cause("balance-negative.board", "the monitor board itself, where the lifts take little")
	balanceFeed  = cause("balance-negative.feed", "feed weaker than it should be")

	neverWoken  = why("never-woken", "lifts were made and the wake line never came on")
	dayTooShort = why("day-too-short", "it would need more hours than the day has left")
	feedShort   = why("feed-too-short", "the feed was present, but for less time than the lifts need")

	lostPerWorkingDay = finding.NewLabel("lost-per-working-day", "lost per working day", "Ah")
	untilService      = finding.NewLabel("until-service-voltage", "working days until below the service voltage", "d")
	extraHours        = finding.NewLabel("extra-charge", "extra charge needed per working day", "h")
	extraIs           = finding.NewLabel("extra-charge-is", "extra charge needed per working day", "")
	feedHours         = finding.NewLabel("feed-hours", "feed on, last working day", "h")
	wakeHours         = finding.NewLabel("wake-hours", "wake line on, last working day", "h")

	noChargeSeen = word("no-charge-seen", "not known: no charge seen")
	moreThanLeft = word("more-than-left", "more hours than the day has left: the feed gives too little")
)

// judgeBalance judges when a working day has ended; between days all stays as it was.
func judgeBalance(v view.View, l *balanceLimits, _ *None) finding.Verdict {
	b, d := v.Days().Balance(), v.Days().Memory()
	over, ended := v.Days().Over()
	switch {
	case !ended || !over.Worked:
		if d.Known < daily.Midnights && !v.Active("balance-negative", false) {
			return finding.Unjudged(daily.Waits).Having(d.Known, daily.Midnights)
		}
		return unchanged
	case !b.Known:
		return finding.Unjudged(b.Why)
	case b.ConfirmedFallPct-b.FallSigmaPct >= l.FallPct && d.Charge[0]+v.Bank().Charge().Sigma < l.BelowPct:
		return holdsBalance(v, b, d)
	case d.Charge[0] >= d.Charge[1] || d.Charge[0] >= balanceOverPct:
		return absent
	}
	return unchanged
}

func holdsBalance(v view.View, b *daily.Balance, d *daily.Memory) finding.Verdict {
	extra := extraIs.Says(noChargeSeen)
	weak := b.ExtraChargeHours > max(hoursPerDay-d.FeedH[0], 0) // what is not known is 0
	switch {
	case weak:
		extra = extraIs.Says(moreThanLeft)
	case b.ExtraChargeHours > 0:
		extra = extraHours.Is(b.ExtraChargeHours)
	}
	verdict := v.Holds(lostPerWorkingDay.Is(-b.AhPerDay), charge.Is(d.Charge[0]), untilService.Is(b.FallsBelowDays), extra,
		feedHours.Is(d.FeedH[0]), wakeHours.Is(d.WakeH[0]), boardDraws.Is(ownDrawA(v)*mAPerA),
		boardShare.Is(boardPct(v, -b.AhPerDay)))
	switch {
	case d.WakeH[0] < littleH && d.FeedH[0] < littleH:
		return verdict.Suspect(balanceWake, neverWoken)
	case weak:
		return verdict.Suspect(balanceFeed, dayTooShort)
	case boardPct(v, -b.AhPerDay) >= boardMostPct:
		return verdict.Suspect(balanceBoard, boardTakes)
	}
	return verdict.Suspect(balanceShort, feedShort)
}
