package detect

import (
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/trust"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// Reversed is a battery clamped the wrong way around.
var Reversed = Finding[None, None]{
	Definition: finding.Definition{
		Name:     "reversed",
		Severity: finding.Urgent,
		About:    finding.Battery,
		Title:    "{subject} reversed",
		Summary:  "{subject} is connected the wrong way around.",
		Detected: "For 3 s, the voltage across a battery's posts is negative or near zero, and the feed terminal or " +
			"another battery shows the same through the cables (a sense wire that has come off shows on one channel only). " +
			"Near zero counts only while the motor does not run: it pulls a flat bank down as far. " +
			"Or: a battery's current is at the end of its sensor's range with the motor off and the bank voltage pulled down.",
		Causes: []*unit.Text{
			cause("reversed.installed", "battery installed the wrong way around: its terminals are mirrored, or the cables "+
				"were swapped"),
			cause("reversed.charged", "battery charged in reverse after it was deeply discharged together with the others"),
		},
		NextCheck: []string{
			"Do not run the lift and do not charge.",
			"Stay back until cables and batteries are cool: a reversed battery beside others is a short circuit through " +
				"the links. No flames, no sparks, ventilate.",
			"Turn the feed off and open the disconnect. This does not stop current between the batteries.",
			"Eye and face protection on. Measure each battery at its posts with your own meter.",
			"Look at the markings beside the posts. Do not go by cable color.",
			"Take the grounded lead off first.",
		},
		Clears:       "The battery's voltage has the right polarity for 1 min.",
		Steady:       "Raised after 3 s; clears after 1 min.",
		RaisedWithin: "10 s",
		ExplainedBy:  []string{"series-wired", "parallel-wired"},
	},
	Of:    []view.Kind{view.OfBattery},
	Pace:  First,
	Clean: noneReversed,
	Times: after(reversedHold, reversedRelease),
	Judge: judgeReversed,
}

const (
	reversedHold    = 3 * time.Second // before it is raised; our choice
	reversedRelease = time.Minute     // before it clears; our choice
	nothingV        = 1.0             // V: a post that shows less shows nothing; our choice
	wrongWayV       = -0.5            // V: a battery below it is the wrong way around; our choice
)

var postsV = finding.NewLabel("posts-v", "voltage at its posts", "V")

// noneReversed reports whether every battery shows a voltage that one the right way around has.
func noneReversed(f *view.Frame) bool {
	for i := range f.Spec {
		if v := f.Raw.Battery[i].VoltageV; !v.OK() || v.Value <= trust.DeadPostV {
			return false
		}
	}
	return true
}

// judgeReversed looks at what was read, believed or not: an input chip that reads from zero up
// shows a battery the wrong way around as next to nothing.
func judgeReversed(v view.View, _, _ *None) finding.Verdict {
	own, feed := v.Own().Raw(), v.Feed().RawV()
	r := own.VoltageV
	if !r.Shown() {
		return finding.Unjudged(ownVUnread)
	}
	running, _ := v.Motor().Running()
	if runs := running || v.Motor().Flows(); runs && (r.Value > wrongWayV || v.Layout().Blocks() > 1) {
		return unchanged // the motor may pull a flat bank down to nothing, or a battery of a string past it
	}
	if v.Miswired() != nil || v.Layout() != unit.Parallel && tapsOdd(v) {
		return unchanged // what lies between its posts is not known
	}
	witness := feed.Shown() && feed.Value < nothingV
	for k := range v.Batteries() {
		o := v.Battery(k).Raw().VoltageV
		witness = witness ||
			k != v.Subject().Index && o.Shown() && o.Value < nothingV && own.CurrentA.Quality == unit.Saturated
	}
	switch {
	case r.Value < wrongWayV || r.Value < nothingV && witness:
		return v.Holds(postsV.Is(r.Value), feedVoltage.Is(feed.Value))
	case r.OK() && r.Value > trust.DeadPostV:
		return absent
	}
	return unchanged
}

// tapsOdd reports whether a battery seems to have the voltage of a whole string: a tap in the wrong place makes
// another one seem reversed.
func tapsOdd(v view.View) bool {
	for i := range v.Batteries() {
		if r := v.Battery(i).Raw().VoltageV; r.Shown() && r.Value > trust.MostV {
			return true
		}
	}
	return false
}

var ownVUnread = why("own-voltage-unread", "its voltage can't be read")
