package detect

import (
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/leadacid"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// FeedHigh is a charge voltage above what these batteries bear at this temperature.
var FeedHigh = Finding[highLimits, None]{
	Definition: finding.Definition{
		Name:     "feed-high",
		Severity: finding.Urgent,
		Title:    "Charge voltage too high",
		Summary:  "The charge voltage is too high for these batteries at this temperature.",
		Detected: "While current flows into the bank, the lowest voltage read at the posts is above the upper absorption " +
			"voltage of the chemistry at the battery's temperature by more than the margin, for 1 min (at 25 °C: flooded and " +
			"AGM 14.8 V, gel 14.4 V; handbooks, from memory).",
		Causes: []*unit.Text{
			cause("feed-high.regulator", "converter's regulator failed: it stays high whatever the bank does"),
			cause("feed-high.setting", "charge voltage set for another chemistry, or for equalizing"),
			highCompensation,
		},
		NextCheck: []string{
			"Turn the feed off from outside the box: ignition off. Ventilate before you open the box. No flames, no sparks: " +
				"the batteries give off hydrogen.",
			"A battery hot or swollen: stay back and let it cool.",
			"Turn the feed on again only to measure at the posts. Over 15 V in warm weather: feed off at once.",
			"Check the converter's setting and its temperature sensor.",
			"Flooded batteries: check the level.",
		},
		Clears:       "Charge voltage below the limit for 2 min with current flowing.",
		Steady:       "Raised after 1 min above the limit; clears after 2 min below it.",
		RaisedWithin: "10 s after the minute above the limit",
		Episode:      sameEpisode,
		ExplainedBy:  []string{"series-wired", "parallel-wired"},
	},
	Limits: func(l *highLimits) []limit.Limit {
		return []limit.Limit{limit.Number{To: &l.MarginV, Default: 0.1, Min: 0, Max: 2, Unit: "V", About: limit.About{
			Path: "findings.feed_high_margin_v", Origin: limit.Choice, OfBank: true,
			Doc: "feed-high: over the upper absorption voltage (flooded and AGM 14.8 V, gel 14.4 V at 25 °C, -24 mV per °C: " +
				"handbooks, from memory). Ten times a tap's error",
		}}}
	},
	Pace:  Swift,
	Times: func(*highLimits) (Times, Times) { return highHold, highRelease },
	Needs: view.Parallel,
	Judge: judgeHigh,
}

type highLimits struct{ MarginV float64 }

const (
	highHold    = time.Minute     // before it is raised; our choice
	highRelease = 2 * time.Minute // before it clears; our choice
	highWarmC   = 30.0            // °C: above it a missing compensation shows; our choice
	highLittleV = 0.5             // V: above the limit by no more, where compensation is missing; our choice
)

var (
	highCompensation = cause("feed-high.compensation", "temperature compensation missing, or its sensor off: too high "+
		"in the heat")
	limitFell = why("limit-falls-in-heat", "the limit falls in the heat; the voltage did not")

	chargeVoltage = finding.NewLabel("charge-voltage", "charge voltage at the posts", "V")
	limitAtTemp   = finding.NewLabel("limit-at-temperature", "limit at this temperature", "V")
)

// judgeHigh takes the lowest of all readings: one channel that reads high accuses nobody.
func judgeHigh(v view.View, l *highLimits, _ *None) finding.Verdict {
	post, amps, feed := v.Bank().LowestPost(), v.Bank().CurrentA(), v.Feed().VoltageV()
	if v.Strings() == 1 && feed.OK() && post.OK() && feed.Value < post.Value {
		post = feed
	}
	switch {
	case !post.OK():
		return finding.Unjudged(view.NoPost)
	case !amps.OK():
		return finding.Unjudged(view.CurrentUnread)
	case amps.Value <= 0: // nothing flows in: nothing to say
		return unchanged
	}
	temp := v.Bank().TempOr25()
	most := v.Bank().Least(func(c *leadacid.Chemistry) float64 { return v.Volts(c.MaxChargeV(temp)) }) + l.MarginV
	if post.Value > most {
		verdict := v.Holds(chargeVoltage.Is(post.Value), limitAtTemp.Is(most), temperature.Is(temp), currentIn.Is(amps.Value))
		if temp > highWarmC && post.Value < most+v.Volts(highLittleV) {
			return verdict.Suspect(highCompensation, limitFell)
		}
		return verdict
	}
	return absent
}
