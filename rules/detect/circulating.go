package detect

import (
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// Circulating is a battery that drains into another at rest.
var Circulating = Finding[circulatingLimits, circulatingMemory]{
	Definition: finding.Definition{
		Name:     "circulating",
		Severity: finding.Repair,
		Title:    "One battery drains into another",
		Summary:  "At rest, one battery drains into another.",
		Detected: "Two hours after the last lift and feed, one battery still gives and another still takes more than the " +
			"limit. An exchange of 0.4 A mostly can't be told from the current sensors' zeros: two that are both off by as " +
			"much as their class allows look like 0.2 A, and zeros that were learned are good to 0.085 A.",
		Causes: []*unit.Text{
			circulatingCell,
			circulatingMixed,
			cause("circulating.leaks", "battery that never keeps its charge"),
		},
		NextCheck: []string{
			"Feed off, ventilate, lock out. A link that carries current sparks: grounded lead off first, no flames.",
			"Disconnect the batteries from each other and charge each alone. One hot or swollen: do not charge it.",
			"Let them rest for a day and measure. The one that falls is the one to replace.",
			"Never put a full battery beside an empty one.",
		},
		Clears:       "Below the clearing limit for an hour, at rest.",
		Steady:       "Raised after 30 min above the limit; clears at the lower limit.",
		RaisedWithin: "3 h of rest",
		ExplainedBy:  []string{"battery-failed", "battery-tired", "series-wired", "parallel-wired"},
	},
	Limits: func(l *circulatingLimits) []limit.Limit {
		return []limit.Limit{
			limit.Number{To: &l.A, Default: 0.5, Min: 0.1, Max: 50, Unit: "A", About: limit.About{
				Path: "findings.circulating_a", Origin: limit.Choice,
				Doc: "circulating: from one battery into another, two hours into a rest. 0.3 A, 7 Ah a day, and the zero error " +
					"of a ±200 A sensor on top",
			}},
			limit.Number{To: &l.ClearA, Default: 0.3, Min: 0.01, Max: 50, Unit: "A", About: limit.About{
				Path: "findings.circulating_clear_a", Origin: limit.Choice, Below: "findings.circulating_a",
				Doc: "circulating clears under it; less than circulating_a",
			}},
		}
	},
	On:    func(f *view.Frame, _ *circulatingLimits) bool { return f.Layout.Strings(len(f.Spec)) > 1 },
	Times: func(*circulatingLimits) (Times, Times) { return circulatingHold, circulatingRelease },
	Needs: view.Parallel,
	Lapse: func(m *circulatingMemory) { m.Have = false },
	Gap:   func(m *circulatingMemory) { m.Have = false },
	Ends:  []Work{NewBattery},
	Sane: func(m *circulatingMemory) error {
		for _, a := range m.Amps {
			if err := within("current at rest", a, -1e4, 1e4); err != nil {
				return err
			}
		}
		return nil
	},
	Judge: judgeCirculating,
}

type circulatingLimits struct{ A, ClearA float64 }

// circulatingMemory smooths the currents of a bank at rest.
type circulatingMemory struct {
	Amps [unit.MaxBatteries]float64
	Have bool
	At   time.Duration
}

const (
	circulatingAfter   = 2 * time.Hour    // of rest; our choice
	circulatingHold    = 30 * time.Minute // before it is raised; our choice
	circulatingRelease = time.Hour        // before it clears; our choice
	restSmoothing      = 10 * time.Minute // of a battery's current at rest; our choice
	farApartPct        = 15.0             // %: spread of the batteries' charge that explains it; our choice
)

var (
	circulatingCell  = cause("circulating.cell", "dead or leaking cell in the battery that takes")
	circulatingMixed = cause("circulating.mixed", "batteries of different age, type or charge put together")

	takerDead  = why("taker-dead", "the battery that takes has a dead cell")
	chargesFar = why("charges-far-apart", "the batteries' charges are far apart")

	outOf        = finding.NewLabel("out-of", "out of battery", "")
	into         = finding.NewLabel("into", "into battery", "")
	flowA        = finding.NewLabel("flow", "current", "A")
	nothingOnFor = finding.NewLabel("nothing-on-for", "nothing on for", "h")
)

// Two zeros of ±0.2 A against each other look like 0.2 A that flow, and banks exchange 0.1 A hours after a charge:
// below some 0.5 A an exchange can't be told from them, and is not said. The zeros' learner takes none above
// 0.3 A for two zeros, so that one of 0.4 A counts in the batteries' charges.
//
// judgeCirculating wants one battery that gives and one that takes: a wrong zero of one sensor
// alone accuses nobody.
func judgeCirculating(v view.View, l *circulatingLimits, m *circulatingMemory) finding.Verdict {
	for k := range v.Strings() {
		if !v.StringA(k).OK() {
			m.Have = false
			return finding.Unjudged(view.CurrentUnread)
		}
	}
	if v.QuietFor() < circulatingAfter {
		m.Have = false
		return unchanged
	}
	x := float64(v.Now()-m.At) / float64(restSmoothing)
	from, to := 0, 0
	for i := range v.Strings() {
		if a := v.StringA(i).Value; m.Have {
			m.Amps[i] += (a - m.Amps[i]) * x / (1 + x)
		} else {
			m.Amps[i] = a
		}
		if m.Amps[i] < m.Amps[from] {
			from = i
		}
		if m.Amps[i] > m.Amps[to] {
			to = i
		}
	}
	m.Have, m.At = true, v.Now()
	flow := min(-m.Amps[from], m.Amps[to])
	switch {
	case flow >= l.A:
		verdict := v.Holds(outOf.Names(v.StringName(from)), into.Names(v.StringName(to)), flowA.Is(flow),
			nothingOnFor.Is(v.QuietFor().Hours()))
		if v.StringDead(to) {
			return verdict.Suspect(circulatingCell, takerDead)
		}
		if s := v.Bank().State().SpreadPct; s.Known && s.Value > farApartPct {
			return verdict.Suspect(circulatingMixed, chargesFar)
		}
		return verdict
	case flow < l.ClearA:
		return absent
	}
	return unchanged
}
