package detect

import (
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/trust"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// MiddleTapOpen is a tap at the middle of a string that shows nothing that can be, while the whole string's
// voltage is right.
var MiddleTapOpen = Finding[None, None]{
	Definition: finding.Definition{
		Name:     "middle-tap-open",
		Severity: finding.Repair,
		About:    finding.Battery,
		Title:    "{subject}: middle tap off",
		Summary: "{subject} gives no believable voltage at its positive post, the middle of its string. What its two " +
			"batteries have each is not known, and is not judged.",
		Detected: "For 10 s with the motor stopped, the string's plus shows 21 to 33 V and the tap at its middle what can't " +
			"be: so little that the upper battery would have over 18 V (in a charge, an unequal one may have 17), or so much that the upper one would have under 5 V.",
		Causes: []*unit.Text{
			middleWire,
			middleFuse,
			middleTap,
		},
		NextCheck: []string{
			"Measure with your own meter from this battery's positive post to its negative post: half the string's voltage, " +
				"about 12.5 V at rest.",
			"The meter sees it: follow the sense wire from that post to the board, its ring and its fuse.",
			"The meter sees it and the wire is whole: the divider or the input chip on the board.",
			"The meter sees nothing near 12 V: leave the lift switched off. One battery is empty or reversed, or the cable " +
				"between the two is off.",
		},
		Clears:       "The tap shows a voltage that leaves each battery 5 V to 18 V, for 10 s.",
		Steady:       "Raised after 10 s; clears after 10 s. Motor runs change nothing.",
		RaisedWithin: "1 min",
		ExplainedBy:  []string{"parallel-wired"},
		Optional:     true,
	},
	Of:    []view.Kind{view.OfLower},
	On:    func(f *view.Frame, _ *None) bool { return f.Layout.Blocks() > 1 },
	Pace:  First,
	Times: after(middleHold, middleHold),
	Judge: judgeMiddle,
}

const (
	middleHold = 10 * time.Second // before it is raised or clears; our choice
	stringMinV = 21.0             // V: two batteries in series have more without the motor: 1.75 V a cell, discharged; trade practice
	stringMaxV = 33.0             // V: and less: twice what no charger for 12 V reaches; trade practice
)

var (
	middleWire = cause("middle-tap-open.wire", "sense wire of the middle tap off or broken")
	middleFuse = cause("middle-tap-open.fuse", "its fuse blown")
	middleTap  = cause("middle-tap-open.divider", "its divider or its input chip failed")

	readsNothing = why("reads-nothing", "it shows next to nothing")
	readsTop     = why("reads-top", "it shows the string's plus")

	middleIs    = finding.NewLabel("middle-tap", "middle tap", "V")
	stringPlus  = finding.NewLabel("string-plus", "plus of its string", "V")
	noStringTop = why("no-string-top", "the voltage at its string's plus can't be read")
)

func judgeMiddle(v view.View, _, _ *None) finding.Verdict {
	if running, _ := v.Motor().Running(); running || v.Motor().Flows() {
		return unchanged
	}
	if v.Miswired() == view.TapsSwapped {
		return unchanged // the tap of another post is on it
	}
	middle, top := v.Own().Measured().VoltageV, v.Battery(v.Subject().Index+1).Measured().VoltageV
	switch {
	case !top.OK():
		return finding.Unjudged(noStringTop)
	case !middle.Shown():
		return unchanged // an input chip that does not answer is another matter
	case top.Value < stringMinV || top.Value > stringMaxV:
		return unchanged
	}
	switch upper := top.Value - middle.Value; {
	case upper > trust.MostV:
		verdict := v.Holds(middleIs.Is(middle.Value), stringPlus.Is(top.Value))
		if middle.Value < nothingV {
			return verdict.Suspect(middleWire, readsNothing).Suspect(middleFuse, readsNothing)
		}
		return verdict
	case upper < ownBlockV && (halfTop(v) || v.Active("parallel-wired", true)):
		return unchanged // the tap of another string's plus is in its place, or 24 V charge a bank in parallel
	case upper < ownBlockV:
		return v.Holds(middleIs.Is(middle.Value), stringPlus.Is(top.Value)).Suspect(middleTap, readsTop)
	}
	return absent
}

// halfTop reports whether the plus of a string shows the voltage of one battery.
func halfTop(v view.View) bool {
	for k := range v.Strings() {
		if r := v.Battery(v.Layout().Highest(k)).Measured().VoltageV; r.OK() && oneBlock(r.Value) {
			return true
		}
	}
	return false
}
