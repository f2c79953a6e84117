package detect

import (
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// MotorOverrun is a motor held on too long.
var MotorOverrun = Finding[overrunLimits, overrunMemory]{
	Definition: finding.Definition{
		Name:     "motor-overrun",
		Severity: finding.Repair,
		Title:    "Motor held on too long",
		Summary:  "The motor runs too long: held on at the end of travel, or without a break.",
		Detected: "In a run, the current rises to the relief valve's level, 20 % above what lifting took, and stays there " +
			"for 5 s. Or the run lasts longer than the limit.",
		Causes: []*unit.Text{
			overrunHeld,
			cause("motor-overrun.switch", "limit switch or its setting: the pump does not stop at the end of travel"),
			overrunJammed,
		},
		NextCheck: []string{
			"Watch a lift from where the platform cannot reach you.",
			"The platform has stopped and the pump still strains: tell the operator, and look for a limit switch that does " +
				"not work.",
			"The pump strains before the end of travel: check load, guides and oil.",
		},
		Clears:       "Three ordinary runs of 5 s or longer.",
		Steady:       "Raised after 5 s on the relief valve; clears after three clean runs.",
		RaisedWithin: "within the run",
		ExplainedBy:  []string{"series-wired", "parallel-wired", "motor-stuck"},
	},
	Limits: func(l *overrunLimits) []limit.Limit {
		return []limit.Limit{
			limit.Span{To: &l.Relief, Default: 5 * time.Second, Min: time.Second, Max: time.Hour, About: limit.About{
				Path: "findings.overrun_relief", Origin: limit.Choice, Below: "findings.overrun_run",
				Doc: "motor-overrun: held against the relief valve; less than overrun_run. An operator lets go when the " +
					"platform stops",
			}},
			limit.Span{To: &l.Run, Default: 45 * time.Second, Min: 2 * time.Second, Max: time.Hour, About: limit.About{
				Path: "findings.overrun_run", Origin: limit.Practice,
				Doc: "motor-overrun: a run in all. Common practice, no source: a lift takes 8 to 14 s",
			}},
		}
	},
	Pace:  Swift,
	Sane:  func(m *overrunMemory) error { return within("clean runs", float64(m.Clean), 0, cleanRuns) },
	Judge: judgeOverrun,
}

type overrunLimits struct{ Relief, Run time.Duration }

// overrunMemory is what motor-overrun remembers. What belongs to the run under way is not saved.
type overrunMemory struct {
	Clean uint8 // runs in a row without overrun
	over  bool  // the run under way is too long
}

const (
	cleanRuns  = 3   // count: ordinary runs that clear it; our choice
	nearRelief = 0.9 // ratio: of the relief valve's setting, from which the oil is at the valve; our choice
)

var (
	overrunHeld   = cause("motor-overrun.held", "button held after the platform has stopped")
	overrunJammed = cause("motor-overrun.jammed", "platform jammed or overloaded, so that the pump works against the relief valve")
	heldAtRelief  = why("held-at-relief", "the oil pressure stepped up after the lift and stayed at the relief valve's")
	reliefAtOnce  = why("relief-at-once", "the oil pressure was that of the relief valve from the start")
	roseToRelief  = why("rose-to-relief", "the current rose to the relief valve's level after the lift")
	runLength     = finding.NewLabel("run", "run", "s")
	againstRelief = finding.NewLabel("against-relief", "against the relief valve", "s")
	liftingA      = finding.NewLabel("lifting-a", "current while lifting", "A")
	currentNow    = finding.NewLabel("current-now", "current now", "A")
)

// judgeOverrun is prompt: the run that is too long may still be on.
func judgeOverrun(v view.View, l *overrunLimits, m *overrunMemory) finding.Verdict {
	for _, length := range v.Motor().Ended() {
		if m.over {
			m.Clean = 0
		} else if length >= l.Relief {
			m.Clean = min(m.Clean+1, cleanRuns)
		}
		m.over = false
	}
	if why := v.Lacks(view.Parallel); why != nil {
		return finding.Unjudged(why)
	}
	running, since := v.Motor().Running()
	if !running {
		m.over = false
		if m.Clean >= cleanRuns {
			return absent
		}
		return unchanged
	}
	relief, level := v.Motor().Relief()
	bar, held := v.Motor().Held()
	relief = max(relief, held)
	length := v.Now() - since
	if relief < l.Relief && length < l.Run || v.Active("motor-stuck", true) {
		return unchanged
	}
	m.over, m.Clean = true, 0
	verdict := v.Holds(runLength.Is(length.Seconds()), againstRelief.Is(relief.Seconds()), liftingA.Is(level),
		currentNow.Is(-v.Bank().CurrentA().Value), oilIs.Reads(v.Motor().OilBar()))
	oil, set := v.Motor().OilBar(), v.Settings().ReliefUpBar
	switch {
	case bar > 0 && held >= l.Relief:
		return verdict.Suspect(overrunHeld, heldAtRelief)
	case set > 0 && bar == 0 && oil.OK() && oil.Value >= nearRelief*set:
		return verdict.Suspect(overrunJammed, reliefAtOnce)
	}
	if relief >= l.Relief {
		return verdict.Suspect(overrunHeld, roseToRelief)
	}
	return verdict
}
