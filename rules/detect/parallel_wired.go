package detect

import (
	"math"
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// ParallelWired is a bank of 24 V, by its configuration, whose posts show batteries in parallel.
var ParallelWired = Finding[None, None]{
	Definition: finding.Definition{
		Name:     "parallel-wired",
		Severity: finding.Urgent,
		Title:    "Bank wired in parallel",
		Summary:  "12 V where the configuration says 24 V: batteries in parallel, or the wrong configuration.",
		Detected: "For 10 s with the motor stopped, every positive post that should have two batteries below it shows the " +
			"voltage of one (9 to 16.5 V), and no more than 0.6 V from the post that should be one battery lower.",
		Causes: []*unit.Text{
			parallelLinks,
			parallelConfig,
		},
		NextCheck: []string{
			"Do not run the lift. Turn the feed off (ignition off) and switch off any charger: 24 V on batteries in " +
				"parallel overcharges them, and they gas.",
			"Look at the lift's nameplate and at the motor's: 12 V or 24 V?",
			"24 V: open the disconnect and the charge breaker. Eye and face protection on, insulated tools, grounded lead off " +
				"first. Follow each cable: the positive post of one battery goes to the negative post of the next, once in " +
				"each string.",
			"12 V: the wiring is right, and bank.layout in the configuration is wrong. Set it to parallel.",
		},
		Clears:       "Each of those posts is at least 5 V above the one below it for 10 s.",
		Steady:       "Raised after 10 s; clears after 10 s. Motor runs change nothing.",
		RaisedWithin: "1 min",
		Optional:     true,
	},
	On:    func(f *view.Frame, _ *None) bool { return f.Layout.Blocks() > 1 },
	Pace:  First,
	Times: after(parallelHold, parallelHold),
	Judge: judgeParallel,
}

const (
	parallelHold = 10 * time.Second // before it is raised or clears; our choice
	oneBlockMinV = 9.0              // V: a post of one battery at rest or in charge has more; our choice
	oneBlockMaxV = 16.5             // V: and less: no charger for 12 V reaches it; trade practice
	sameLevelV   = 0.6              // V: posts that batteries in parallel share are no further apart: two taps of 1 % and links; our choice
)

var (
	parallelLinks = cause("parallel-wired.links", "cables from positive to positive post and from negative to negative, "+
		"where they should go from positive to negative")
	parallelConfig = cause("parallel-wired.configuration", "no fault of the wiring: a 12 V unit that is configured as 24 V")

	feedIsOne    = why("feed-is-12", "the feed holds 12 V, too")
	feedIsDouble = why("feed-is-24", "the feed holds 24 V")

	lowerPost = finding.NewLabel("lower-post", "post that should be at 12 V", "V")
	upperPost = finding.NewLabel("upper-post", "post that should be at 24 V", "V")
)

// judgeParallel looks at what was read. A string of which nothing is read says nothing, and one that is
// right is enough to say no.
func judgeParallel(v view.View, _, _ *None) finding.Verdict {
	if running, _ := v.Motor().Running(); running || v.Motor().Flows() {
		return unchanged
	}
	l, judged := v.Layout(), false
	var low, high unit.Reading
	for k := range v.Strings() {
		a, b := v.Battery(l.Lowest(k)).Measured().VoltageV, v.Battery(l.Highest(k)).Measured().VoltageV
		if !a.OK() || !b.Shown() {
			continue
		}
		judged = true
		if !oneBlock(a.Value) || !oneBlock(b.Value) || !b.OK() || math.Abs(b.Value-a.Value) > sameLevelV {
			if b.Value-a.Value > ownBlockV {
				return absent
			}
			return unchanged
		}
		low, high = a, b
	}
	if !judged {
		return finding.Unjudged(noVoltage)
	}
	verdict := v.Holds(lowerPost.Is(low.Value), upperPost.Is(high.Value), feedVoltage.Reads(v.Feed().RawV()))
	switch f := v.Feed().RawV(); {
	case f.OK() && oneBlock(f.Value):
		return verdict.Suspect(parallelConfig, feedIsOne)
	case f.OK() && f.Value > oneBlockMaxV:
		return verdict.Suspect(parallelLinks, feedIsDouble)
	}
	return verdict
}

const ownBlockV = 5.0 // V: a battery has more between its own posts; our choice

// oneBlock reports whether a voltage over the bank's minus is that of one battery.
func oneBlock(v float64) bool { return v >= oneBlockMinV && v <= oneBlockMaxV }
