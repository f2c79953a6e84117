package detect

import (
	"time"

	"liftbank/rules/feed"
	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// FeedLost is a feed that does not come although it is asked for.
var FeedLost = Finding[lostLimits, None]{
	Definition: finding.Definition{
		Name:     "feed-lost",
		Severity: finding.Urgent,
		Title:    "No charge reaches the bank",
		Summary:  "The wake line is on, but no charge reaches the bank.",
		Detected: "The wake line has been on for longer than the converter may take to start, and there is neither a " +
			"charger's voltage on the bank nor current into it. A charger's voltage ahead of the charge breaker does not " +
			"count while the bank stays well below it and takes no current: that charge does not arrive. Nothing is judged " +
			"while the motor runs.",
		Causes: []*unit.Text{
			lostBreaker,
			lostPlug,
			lostConverter,
			lostGround,
			lostLead,
		},
		NextCheck: []string{
			"Turn the wake line on (ignition).",
			"Measure at the converter's input. No voltage: work back toward the tractor, breaker and plug first.",
			"Measure at the converter's output. Input but no output: check its wake terminal and its ground lead, then the " +
				"converter.",
			"Output present: check the charge breaker and the leads to the bank. Find out why a breaker tripped before you " +
				"reset it.",
		},
		Clears: "A charger's voltage on the bank, or current into it, for 1 min. While the wake line is off the finding " +
			"stays as it is: nothing shows that it is fixed.",
		Steady:       "Raised after feed.allowance plus findings.feed_lost_after; clears after 1 min of feed.",
		RaisedWithin: "10 min with the wake line on",
		Settings:     []string{"feed.allowance", "feed.present_v", "feed.present_a"},
		ExplainedBy:  []string{"series-wired", "parallel-wired", "reversed"},
	},
	Limits: func(l *lostLimits) []limit.Limit {
		return []limit.Limit{
			limit.Span{To: &l.After, Default: 3 * time.Minute, Min: time.Second, Max: day, About: limit.About{
				Path: "findings.feed_lost_after", Origin: limit.Choice,
				Doc: "feed-lost: no feed this long after feed.allowance. With the allowance, found within 5 min of the wake line",
			}},
		}
	},
	Pace:  Swift,
	Times: func(l *lostLimits) (Times, Times) { return l.After, feedRelease },
	Needs: view.WakeWired | view.WakeRead,
	Judge: judgeLost,
}

type lostLimits struct{ After time.Duration }

const (
	feedRelease = time.Minute // of feed, before feed-lost clears; our choice
	arrivesV    = 0.3         // V: the converter's output above the bank by more does not arrive; our choice
	noReachV    = 5.0         // V: with less at the converter, the bank's own voltage does not reach it; our choice
)

var (
	lostBreaker   = cause("feed-lost.breaker", "charge breaker or fuse open, at the tractor or in the battery box")
	lostPlug      = cause("feed-lost.plug", "plug between tractor and trailer not seated, pin corroded, or cable broken")
	lostConverter = cause("feed-lost.converter", "converter has no input, or has failed")
	lostGround    = cause("feed-lost.ground", "converter's ground lead loose")
	lostLead      = cause("feed-lost.lead", "lead from the converter to the bank off or broken")

	noArrival = why("does-not-arrive", "the converter has output voltage, but none of it arrives")
	noReach   = why("does-not-reach-back", "the bank's own voltage does not reach the converter's output")
	awakeOpen = why("whole-but-silent", "breaker and leads are good: the bank's voltage shows at the converter, which "+
		"is awake and gives nothing")
	awakeDead = why("awake", "awake, but gives nothing")

	noInputFuse = why("no-input-fuse", "next to no voltage at the converter's input: look at the tractor's fuse or breaker "+
		"first")
	noInputPlug = why("no-input-plug", "then at the cable and the plug")
	inputLow    = why("input-low", "too little voltage at the converter's input, although nothing is drawn")
	inputGood   = why("input-good", "its input has voltage and its output gives nothing: its wake terminal first, then the "+
		"converter")
	inputGround = why("input-good-ground", "its input has voltage, and a loose ground stops it, too")
	lampLive    = why("lamp-live", "the charging lamp's line shows that the converter's output is live, and no current "+
		"arrives")

	inputIs = finding.NewLabel("feed-input", "converter's input", "V")
	lampIs  = finding.NewLabel("charging-lamp", "charging lamp's line", "")

	wakeIs     = finding.NewLabel("wake-line", "wake line", "")
	withoutFor = finding.NewLabel("without-feed", "without feed for", "min")
)

func judgeLost(v view.View, _ *lostLimits, _ *None) finding.Verdict {
	switch status, since := v.Feed().Status(); status {
	case feed.Present, feed.Unasked:
		return absent
	case feed.Unknown:
		return finding.Unjudged(feedUnread)
	case feed.Missing:
		if !v.Wiring().DropKnown() && v.Feed().VoltageV().Value > v.Bank().HighestPost().Value+v.Volts(arrivesV) {
			return finding.Unjudged(tapsUnseen)
		}
		return whereLost(
			v,
			v.Holds(feedVoltage.Reads(v.Feed().VoltageV()), bankCurrent.Reads(v.Bank().CurrentA()), wakeIs.Says(on),
				withoutFor.Is((v.Now()-since+v.Settings().FeedAllowance).Minutes()), inputIs.Reads(v.Feed().InputV()),
				lamp(v)),
		)
	}
	return unchanged
}

// whereLost says where on its path the feed is lost.
func whereLost(v view.View, verdict finding.Verdict) finding.Verdict {
	bank, f, in := v.Bank().HighestPost(), v.Feed().VoltageV(), v.Feed().InputV()
	arrives := bank.OK() && f.OK() && f.Value > bank.Value+v.Volts(arrivesV)
	switch {
	case arrives:
		return verdict.Suspect(lostBreaker, noArrival).Suspect(lostLead, noArrival)
	case v.Feed().Lamp() == unit.ContactOn:
		return verdict.Suspect(lostBreaker, lampLive).Suspect(lostLead, lampLive)
	case in.OK() && in.Value < noReachV:
		return verdict.Suspect(lostBreaker, noInputFuse).Suspect(lostPlug, noInputPlug)
	case in.OK() && in.Value < v.Settings().FeedInputMinV:
		return verdict.Suspect(lostPlug, inputLow)
	case in.OK():
		verdict = verdict.Suspect(lostConverter, inputGood).Suspect(lostGround, inputGround)
		if bank.OK() && f.OK() && f.Value < noReachV {
			return verdict.Suspect(lostBreaker, noReach)
		}
		return verdict
	case !bank.OK() || !f.OK():
		return verdict
	case f.Value < noReachV:
		return verdict.Suspect(lostBreaker, noReach).Suspect(lostLead, noReach)
	}
	return verdict.Suspect(lostPlug, awakeOpen).Suspect(lostConverter, awakeDead)
}

// lamp returns the evidence of the charging lamp's line; none where there is no such line.
func lamp(v view.View) finding.Evidence {
	switch v.Feed().Lamp() {
	case unit.ContactOn:
		return lampIs.Says(on)
	case unit.ContactOff:
		return lampIs.Says(off)
	}
	return finding.Evidence{}
}
