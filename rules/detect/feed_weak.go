package detect

import (
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/leadacid"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// FeedWeak is a feed that is present, and of which the bank gets far less than it would take.
var FeedWeak = Finding[weakLimits, None]{
	Definition: finding.Definition{
		Name:     "feed-weak",
		Severity: finding.Repair,
		Title:    "Feed is weak",
		Summary:  "The feed is on, but the bank gets far less than it would take.",
		Detected: "With the feed on, the current into the bank stays below the set part of what this converter can give " +
			"(its rating, or the most it has been seen to give). In addition, either more than the limit is lost between the " +
			"converter and the battery posts, or the bank is below 13.3 V (less in the heat), where a charging bank takes all " +
			"the current it can get.",
		Causes: []*unit.Text{
			weakLead,
			weakCable,
			weakConverter,
			weakAlternator,
		},
		NextCheck: []string{
			"With the bank low and the feed on, measure at the converter's output and at the battery posts.",
			"More than 0.5 V between them: check breaker, lugs and leads.",
			"No difference: measure the converter's input under load.",
			"Input falls toward 11 V: work back along the cable, plug first. A bad joint at 50 A burns: look for warm joints " +
				"with an infrared thermometer, or switch off before you touch.",
		},
		Clears:       "The bank takes 80 % of what the converter can give, for 15 s.",
		Steady:       "Raised after 5 min; clears only when the bank is seen to take what it should.",
		RaisedWithin: "1 h of feed into a low bank",
		Settings:     []string{"feed.rated_a", "feed.present_v", "feed.present_a"},
		Episode:      sameEpisode,
		ExplainedBy:  []string{"series-wired", "parallel-wired", "reversed"},
	},
	Limits: func(l *weakLimits) []limit.Limit {
		return []limit.Limit{
			limit.Number{To: &l.DropV, Default: 0.5, Min: 0.1, Max: 3, Unit: "V", About: limit.About{
				Path: "findings.feed_weak_drop_v", Origin: limit.Memory, OfBank: true,
				Doc: "feed-weak: lost between converter and posts. Charging circuit, alternator to battery, at rated output: " +
					"0.5 V (truck maintenance practice, from memory)",
			}},
			limit.Number{To: &l.PartPct, Default: 60, Min: 10, Max: 79, Unit: "%", About: limit.About{
				Path: "findings.feed_weak_part_pct", Origin: limit.Choice,
				Doc: "feed-weak: less than this of what the converter can give, while the bank would take all. A plug that " +
					"drops a volt too much leaves a 500 W converter about this",
			}},
		}
	},
	Pace:  Swift,
	Times: func(*weakLimits) (Times, Times) { return weakHold, weakRelease },
	Needs: view.Parallel | view.OnePost,
	Judge: judgeWeak,
}

type weakLimits struct{ DropV, PartPct float64 }

const (
	weakHold      = 5 * time.Minute  // before it is raised; our choice
	weakRelease   = 15 * time.Second // before it clears; our choice
	inputHoldsV   = 1.0              // V: above what stops a converter, an input is good under load; our choice
	idleGoodV     = 13.0             // V: a tractor's charging system gives more without a load; trade practice
	cableDropV    = 0.7              // V: a cable that loses more explains a sag, 5 % of 14 V; our choice
	weakMinA      = 3.0              // A: less flows in any charge toward its end; our choice
	weakClearPart = 0.8              // ratio: of what the converter can give, taken again; our choice
	takesAllV     = 13.3             // V: at 25 °C, a charging bank below it takes all it gets; our choice
	heldV         = 14.0             // V: at 25 °C, a bank above it is held at its charge voltage; our choice
	takesAllOverV = 1.0              // V: above feed.present_v, the same without compensation; our choice
)

var (
	weakLead  = cause("feed-weak.lead", "lug, charge breaker or lead between converter and bank loose or corroded")
	weakCable = cause("feed-weak.cable", "tractor's cable or plug: corroded pins, or cable too thin, so that the "+
		"converter pulls its own input down")

	weakConverter  = cause("feed-weak.converter", "converter set too low, derating from heat, or one of its phases failed")
	weakAlternator = cause("feed-weak.alternator", "tractor's charging system weak")

	cableDrops = why("cable-drops", "the drop is over the tractor's cable: the converter's input falls under load")
	idleLow    = why("input-idle-low", "the converter's input is low already without a load: the tractor's engine and alternator "+
		"first")
	inputHolds = why("input-holds", "the converter's input holds up under load, and nothing is lost after it")
	idleUnseen = why("input-sags", "the converter's input is low under load")

	cableDrop = finding.NewLabel("cable-drop", "drop over the tractor's cable", "V")

	dropAfter  = why("drop-after-converter", "the drop is between converter and posts")
	sagsBefore = why("sags-before-converter", "the converter's output sags, and nothing is lost after it")
	tapsUnseen = why("taps-unseen", "the voltage taps of feed and battery have not been seen to agree yet: the next "+
		"rest or three lifts without a feed will show")
	canUnknown = why("converter-unknown", "what the converter can give is not known: set feed.rated_a")

	canGive     = finding.NewLabel("converter-can", "converter can give", "A")
	bankVoltage = finding.NewLabel("bank-voltage", "bank voltage", "V")
	dropToPosts = finding.NewLabel("drop-to-posts", "drop, converter to posts", "V")
)

func judgeWeak(v view.View, l *weakLimits, _ *None) finding.Verdict {
	amps, ok := v.Feed().CurrentA()
	can, known := v.Feed().CanGive()
	switch {
	case v.Bank().CurrentA().Faulty():
		return finding.Unjudged(view.CurrentUnread)
	case !known:
		return finding.Unjudged(canUnknown)
	case !ok:
		return unchanged
	case !v.Wiring().DropKnown():
		return finding.Unjudged(tapsUnseen)
	}
	post, out, temp := v.Bank().HighestPost(), v.Feed().VoltageV(), v.Bank().TempOr25()
	var drop unit.Reading
	if out.OK() {
		drop = unit.Reading{Value: out.Value - v.Bank().HighestPositive(), Quality: unit.Good}
	}
	set := v.Settings()
	little := amps < l.PartPct/100*can
	dropped := drop.Value > l.DropV && amps >= weakMinA && post.Value < v.Volts(leadacid.ChargeLimitV(heldV, temp))
	// In the cold a bank takes less, and not every converter is compensated: only heat moves the limit.
	takes := post.Value < v.Volts(leadacid.ChargeLimitV(takesAllV, max(temp, leadacid.ReferenceC))) &&
		post.Value < set.FeedPresentV+v.Volts(takesAllOverV) && amps >= set.FeedPresentA
	switch {
	case little && (dropped || takes):
		verdict := v.Holds(
			currentIn.Is(amps),
			canGive.Is(can),
			bankVoltage.Reads(post),
			feedVoltage.Reads(out),
			dropToPosts.Reads(drop),
			inputIs.Reads(v.Feed().InputV()),
			overCable(v),
		)
		if dropped {
			return verdict.Suspect(weakLead, dropAfter)
		}
		return whoseSag(v, verdict)
	case amps >= weakClearPart*can:
		return absent
	}
	return unchanged
}

// whoseSag says whether the tractor's side or the converter makes the output sag.
func whoseSag(v view.View, verdict finding.Verdict) finding.Verdict {
	in := v.Feed().InputV()
	if !in.OK() {
		return verdict.Suspect(weakCable, sagsBefore)
	}
	least := v.Settings().FeedInputMinV
	idle, seen := v.Feed().IdleInputV()
	switch {
	case in.Value >= least+inputHoldsV:
		return verdict.Suspect(weakConverter, inputHolds)
	case seen && idle-in.Value > cableDropV && idle >= idleGoodV:
		return verdict.Suspect(weakCable, cableDrops)
	case seen && idle < idleGoodV:
		return verdict.Suspect(weakAlternator, idleLow).Suspect(weakCable, idleUnseen)
	}
	return verdict.Suspect(weakCable, idleUnseen)
}

// overCable returns the evidence of what the tractor's cable drops; none where that is not known.
func overCable(v view.View) finding.Evidence {
	idle, seen := v.Feed().IdleInputV()
	in := v.Feed().InputV()
	if !seen || !in.OK() {
		return finding.Evidence{}
	}
	return cableDrop.Is(idle - in.Value)
}
