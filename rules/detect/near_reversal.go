package detect

import (
	"errors"
	"math"
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/pump"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// NearReversal is a battery of a string that the motor's current, kept up by the other, drives toward zero
// or past it.
var NearReversal = Finding[reversalLimits, reversalMemory]{
	Definition: finding.Definition{
		Name:     "near-reversal",
		Severity: finding.Urgent,
		About:    finding.Battery,
		Title:    "{subject} close to reversal",
		Summary: "{subject} breaks down under the motor while the other battery of its string holds: the string's current " +
			"drives it toward reversal, which destroys it.",
		Detected: "In a motor run, after the inrush and for 0.3 s, the battery is below the limit (9.0 V: 1.5 V a cell) and 1.5 V " +
			"or more below the other of its string; or, in the inrush too, below 3 V while the other holds 9.6 V. Below 0.5 V it " +
			"is as good as reversed, or is.",
		Causes: []*unit.Text{
			reversalLess,
			reversalBehind,
			reversalCell,
			reversalJoint,
		},
		NextCheck: []string{
			"Do not run the lift any more. Lower it by the maker's way without the motor.",
			"Do not charge the string as it is: 24 V would overcharge the good battery. A battery that was reversed may gas, " +
				"leak or burst: ventilate, no flames, no sparks, eye and face protection on.",
			"Feed off, disconnect open, grounded lead off first. Part the link between the two batteries of the string.",
			"Measure each battery at its own posts. Below 10.5 V at rest it is empty; below 0 V it has been reversed: replace " +
				"it.",
			"Charge each battery alone with a 12 V charger for its chemistry, let both rest and load-test both.",
			"Clean the middle joint, put the link back and look for what made this one weaker: its capacity, a 12 V load on " +
				"it, an open cell.",
		},
		Clears: "Three motor runs in a row in which the battery stays 0.6 V above the limit, or within 0.75 V of the other; or a " +
			"new battery.",
		Steady:       "Raised in the run itself; three good runs of 1 s or longer clear it.",
		RaisedWithin: "0.5 s of a motor run",
		ExplainedBy:  []string{"parallel-wired", "series-wired", "battery-failed", "blocks-unequal"}, SameSubjectOnly: true,
		Optional: true,
	},
	Limits: func(l *reversalLimits) []limit.Limit {
		return []limit.Limit{limit.Number{To: &l.V, Default: 9, Min: 3, Max: 10.5, Unit: "V", About: limit.About{
			Path: "findings.reversal_v", Origin: limit.Practice,
			Doc: "near-reversal: voltage of one 12 V battery of a string in a motor run below it, while the other holds. 1.5 V a " +
				"cell, an end of discharge at this rate (common practice, no source); a cell that goes on to be driven is " +
				"reversed and destroyed (US Bureau of Reclamation, storage battery maintenance, FIST 3-6)",
		}}}
	},
	Of:    []view.Kind{view.OfBattery},
	On:    func(f *view.Frame, _ *reversalLimits) bool { return f.Layout.Blocks() > 1 },
	Pace:  Swift,
	Needs: view.Parallel,
	Lapse: func(m *reversalMemory) { m.run = reversalRun{} },
	Gap:   func(m *reversalMemory) { m.run = reversalRun{} },
	Ends:  []Work{NewBattery},
	Sane: func(m *reversalMemory) error {
		return errors.Join(within("good runs", float64(m.Good), 0, reversalGood), within("lowest", m.Lowest, -100, 100),
			within("other", m.Other, -100, 100), within("current", m.Amps, -1e5, 1e5), within("charge", m.Charge, 0, 100))
	},
	Judge: judgeReversal,
}

type reversalLimits struct{ V float64 }

// reversalMemory is what near-reversal remembers. What belongs to the run under way is not saved.
type reversalMemory struct {
	Good          uint8   // runs in a row in which it held
	Lowest, Other float64 // V: in the run that raised it
	Amps          float64
	Charge        float64
	Early         bool // it was as low when the run began: no charge that runs out
	run           reversalRun
}

type reversalRun struct {
	lowAt   time.Duration // since when it is below; 0: it is not
	looked  bool
	lowest  float64 // of the run, past the inrush,
	other   float64 // and the other battery then
	firstV  float64 // when the inrush was over
	firstHi float64
	bad     bool
	gone    uint8 // scans in a row in which nothing was left of it, the inrush included
}

const (
	reversalHold    = 300 * time.Millisecond // in a run, below it; our choice
	reversalApartV  = 1.5                    // V: below the other of its string; our choice
	reversalClearV  = 0.6                    // V: above the limit, a battery holds; our choice
	reversalNearV   = 0.75                   // V: below the other, a battery is no worse; our choice
	reversalGood    = 3                      // count: good runs before it clears; our choice
	reversalRunMin  = time.Second            // shorter runs say nothing good; our choice
	reversalInrush  = 3.0                    // V: no inrush pulls a battery below it while the other holds; our choice
	reversalScans   = 2                      // count: scans in a row that show that; our choice
	reversalCharged = 40.0                   // %: charge, with which no battery breaks down unless a cell is dead; our choice
	reversalGoneV   = 0.5                    // V: below it nothing is left, whatever the taps err; our choice
	jointMaxV       = 4.0                    // V: over the middle joint with a motor running: more melts it; our choice
	reversalEarly   = 0.8                    // ratio: of what it is below the other, at the run's begin already; our choice
	othersHoldV     = 9.6                    // V: of the other: it holds; standard: SAE half-CCA load test
)

var (
	reversalLess   = cause("near-reversal.capacity", "battery with less capacity than the other: empty first")
	reversalBehind = cause("near-reversal.charge", "battery with less charge than the other: a 12 V load on it, a leak, or never "+
		"charged full")
	reversalCell  = cause("near-reversal.cell", "a cell that is open, dry or dead")
	reversalJoint = cause("near-reversal.joint", "bad joint in the middle of the string")

	goneUnderLoad = why("gone-under-load", "nothing is left of its voltage, although its charge is not low")
	lowAtOnce     = why("low-at-once", "it was as low when the run began, and its negative post is not measured")
	knownUnequal  = why("known-unequal", "it is known to be behind the other")

	otherV     = finding.NewLabel("other-v", "other battery of its string", "V")
	lowestOwnV = finding.NewLabel("lowest-own", "lowest between its posts in the run", "V")
	othersRead = why("string-unread", "the voltages of its string can't all be read")
)

// middleTapAway reports whether the two sides of a string's middle joint are further apart than current can
// flow over it: one of the two taps is off.
func middleTapAway(v view.View, k int) bool {
	drop := v.Battery(v.Layout().Highest(k)).Raw().NegativeV
	return drop.OK() && math.Abs(drop.Value) > jointMaxV
}

// judgeReversal looks at what was read: a battery that is driven to nothing shows what no battery should.
func judgeReversal(v view.View, l *reversalLimits, m *reversalMemory) finding.Verdict {
	k, other, ok := v.String()
	if !ok {
		return absent
	}
	running, since := v.Motor().Running()
	for _, length := range v.Motor().Ended() {
		m.end(length, l)
	}
	if !running {
		m.run = reversalRun{}
	}
	on := running && !pump.Inrush(running, since, v.Now())
	own, up := v.Own().Raw().OwnV(), v.Battery(other).Raw().OwnV()
	if !own.OK() || !up.OK() || v.PostDoubted(v.Subject().Index) || middleTapAway(v, k) {
		m.run.lowAt = 0
		if on {
			return finding.Unjudged(othersRead)
		}
		return m.verdict(v)
	}
	r := &m.run
	if running && own.Value < reversalInrush && up.Value > othersHoldV && up.Value < oneBlockMaxV && v.Motor().Flows() {
		if r.gone = min(r.gone+1, reversalScans); r.gone == reversalScans {
			r.bad = true
			m.Good, m.Lowest, m.Other, m.Early = 0, own.Value, up.Value, false
			m.Amps, m.Charge = -v.Bank().CurrentA().Value, min(max(v.Own().State().SoCPct.Value, 0), 100)
			return m.holds(v)
		}
	} else {
		r.gone = 0
	}
	if on {
		if !r.looked {
			r.looked, r.lowest, r.other, r.firstV, r.firstHi = true, own.Value, up.Value, own.Value, up.Value
		}
		if own.Value < r.lowest {
			r.lowest, r.other = own.Value, up.Value
		}
		low := own.Value < l.V && up.Value-own.Value >= reversalApartV && up.Value > othersHoldV-reversalApartV && up.Value < oneBlockMaxV
		switch {
		case !low:
			r.lowAt = 0
		case r.lowAt == 0:
			r.lowAt = v.Now()
		case v.Now()-r.lowAt >= reversalHold:
			r.bad = true
			m.Good, m.Lowest, m.Other = 0, r.lowest, r.other
			m.Amps, m.Early = -v.Bank().CurrentA().Value, r.firstHi-r.firstV >= reversalEarly*(r.other-r.lowest)
			m.Charge = min(max(v.Own().State().SoCPct.Value, 0), 100)
			return m.holds(v)
		}
	}
	return m.verdict(v)
}

// end counts a run that has ended.
func (m *reversalMemory) end(length time.Duration, l *reversalLimits) {
	r := &m.run
	if r.looked && !r.bad && length >= reversalRunMin && (r.lowest >= l.V+reversalClearV || r.other-r.lowest <= reversalNearV) {
		m.Good = min(m.Good+1, reversalGood)
	}
	*r = reversalRun{}
}

func (m *reversalMemory) verdict(v view.View) finding.Verdict {
	if m.Good >= reversalGood || !v.Active("near-reversal", false) {
		return absent
	}
	return unchanged
}

func (m *reversalMemory) holds(v view.View) finding.Verdict {
	verdict := v.Holds(lowestOwnV.Is(m.Lowest), otherV.Is(m.Other), currentOut.Is(m.Amps), charge.Is(m.Charge))
	if m.Early && v.JointUnknown(v.Subject().Index) && m.Lowest > reversalGoneV {
		verdict = verdict.Suspect(reversalJoint, lowAtOnce)
	}
	if v.Active("blocks-unequal", false) {
		verdict = verdict.Suspect(reversalLess, knownUnequal).Suspect(reversalBehind, knownUnequal)
	}
	if m.Lowest < reversalGoneV && m.Charge >= reversalCharged {
		verdict = verdict.Suspect(reversalCell, goneUnderLoad)
	}
	return verdict
}
