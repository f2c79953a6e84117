package detect

import (
	"time"

	"liftbank/rules/feed"
	"liftbank/rules/finding"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// IndicatorDead is a charging lamp that stays dark while the converter charges.
var IndicatorDead = Finding[None, None]{
	Definition: finding.Definition{
		Name:     "indicator-dead",
		Severity: finding.Note,
		Title:    "Charging lamp is dark",
		Summary:  "The bank is charged, but the line of the charging lamp is dead: the driver sees no charge.",
		Detected: "With the wake line on, current flows into the bank for 5 min, and the line of the lamp that shows charging " +
			"is off behind its fuse. Only on units whose monitor has that line (indicator_line).",
		Causes: []*unit.Text{
			indicatorFuse,
			cause("indicator-dead.wire", "wire from the converter's output to the lamp's fuse open"),
			cause("indicator-dead.relay", "converter's own contact for the lamp failed"),
			cause("indicator-dead.past", "no fault: something else than the converter charges the bank"),
		},
		NextCheck: []string{
			"Feed on: measure on both sides of the lamp's fuse, 2 A. Voltage on one side only: the fuse. Look for a chafed lamp " +
				"wire before you replace it.",
			"No voltage on either side: follow the wire back to the converter's output.",
			"Voltage on both sides: check the wire to the monitor's input.",
		},
		Clears:       "The line is on while the bank is charged, for 1 min.",
		Steady:       "Raised after 5 min of charge; stays as it is without a charge.",
		RaisedWithin: "10 min of charge with current into the bank",
		Settings:     []string{"feed.present_a"},
		ExplainedBy:  []string{"series-wired", "parallel-wired", "reversed"},
		Optional:     true,
	},
	On:    func(f *view.Frame, _ *None) bool { return f.Fitted.Indicator },
	Times: after(indicatorHold, feedRelease),
	Needs: view.Parallel | view.WakeWired | view.WakeRead,
	Judge: judgeIndicator,
}

const indicatorHold = 5 * time.Minute // of charge, before it is raised; our choice

var (
	indicatorFuse   = cause("indicator-dead.fuse", "fuse of the charging lamp blown, 2 A")
	indicatorUnread = why("indicator-unread", "the charging lamp's line can't be read")
	outputLive      = why("output-live", "the converter charges the bank, so that its output is live")
)

func judgeIndicator(v view.View, _ *None, _ *None) finding.Verdict {
	status, _ := v.Feed().Status()
	amps, ok := v.Feed().CurrentA()
	switch lit := v.Feed().Lamp(); {
	case lit == unit.ContactUnknown:
		return finding.Unjudged(indicatorUnread)
	case status != feed.Present || v.Feed().Wake() != unit.ContactOn || !ok || amps < v.Settings().FeedPresentA:
		return unchanged
	case lit == unit.ContactOn:
		return absent
	}
	return v.Holds(currentIn.Is(amps), feedVoltage.Reads(v.Feed().VoltageV()), lampIs.Says(off),
		inputIs.Reads(v.Feed().InputV())).Suspect(indicatorFuse, outputLive)
}
