package detect

import (
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// FeedMismatch is a feed for another voltage than that of a bank of batteries in series.
var FeedMismatch = Finding[None, None]{
	Definition: finding.Definition{
		Name:     "feed-mismatch",
		Severity: finding.Urgent,
		Title:    "Feed of the wrong voltage",
		Summary:  "The feed holds half or twice the voltage of this bank.",
		Detected: "For 10 s, the feed shows the voltage of one battery (9 to 16.5 V) while the bank shows that of two (21 to 33 V), " +
			"or the feed shows over 1.6 times the voltage of the bank. A 12 V converter that is joined to a 24 V bank has " +
			"the bank's own voltage at its output: then only the missing current shows, as feed-lost.",
		Causes: []*unit.Text{
			mismatchHalf,
			mismatchDouble,
			mismatchTap,
		},
		NextCheck: []string{
			"Turn the feed off (ignition off) and switch off any charger.",
			"The feed showed twice the bank's voltage: ventilate before you open the box. No flames, no sparks. A hot or swollen " +
				"battery: do not charge it.",
			"Read the nameplates of converter and charger: their output must be 24 V for two batteries in series.",
			"Fit a converter for this bank. Do not charge a 24 V bank from 12 V over one of its batteries.",
			"The nameplates are right: check which post or terminal the sense wire of the feed is on.",
		},
		Clears:       "The feed's voltage is the bank's, or gone, for 10 s.",
		Steady:       "Raised after 10 s; clears after 10 s.",
		RaisedWithin: "1 min of feed",
		ExplainedBy:  []string{"parallel-wired"},
		Optional:     true,
	},
	On:    func(f *view.Frame, _ *None) bool { return f.Layout.Blocks() > 1 },
	Pace:  First,
	Times: after(mismatchHold, mismatchHold),
	Judge: judgeMismatch,
}

const (
	mismatchHold = 10 * time.Second // before it is raised or clears; our choice
	mismatchFrom = 1.6              // ratio: to the bank's voltage, more than any charger for it has; our choice
)

var (
	mismatchHalf   = cause("feed-mismatch.half", "12 V converter or charger on a 24 V bank")
	mismatchDouble = cause("feed-mismatch.double", "converter or charger for twice this bank's voltage")
	mismatchTap    = cause("feed-mismatch.tap", "sense wire of the feed on another terminal")

	feedHalf   = why("feed-half", "the feed shows the voltage of one battery")
	feedDouble = why("feed-double", "the feed shows far more than the bank")

	bankTop      = finding.NewLabel("bank-top", "bank's plus", "V")
	noBankTop    = why("no-bank-top", "the voltage at the bank's plus can't be read")
	noFeedUnread = why("feed-voltage-unread", "the feed's voltage can't be read")
)

func judgeMismatch(v view.View, _, _ *None) finding.Verdict {
	top, f := rawPost(v), v.Feed().RawV()
	switch {
	case f.Faulty() && f.Quality != unit.Saturated:
		return finding.Unjudged(noFeedUnread)
	case !f.Shown():
		return absent
	case !top.OK():
		return finding.Unjudged(noBankTop)
	case top.Value < stringMinV || top.Value > stringMaxV: // not a bank of two: another finding's affair
		return unchanged
	case f.OK() && oneBlock(f.Value):
		return v.Holds(feedVoltage.Is(f.Value), bankTop.Is(top.Value)).Suspect(mismatchHalf, feedHalf)
	case f.Value > mismatchFrom*top.Value:
		return v.Holds(feedVoltage.Is(f.Value), bankTop.Is(top.Value)).Suspect(mismatchDouble, feedDouble)
	}
	return absent
}
