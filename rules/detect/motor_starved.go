package detect

import (
	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// MotorStarved is a motor that draws less than it usually does.
var MotorStarved = Finding[starvedLimits, None]{
	Definition: finding.Definition{
		Name:     "motor-starved",
		Severity: finding.Repair,
		Title:    "Motor draws too little",
		Summary:  "The motor draws less current than it usually does: the pump is not doing its work.",
		Detected: "As motor-hungry, the other way: the average of the last 12 runs is below the limit.",
		Causes: []*unit.Text{
			starvedPump,
			starvedRelief,
			cause("motor-starved.oil", "oil low or foaming, or air drawn in on the suction side"),
			cause("motor-starved.strainer", "suction strainer blocked: noise and a slow lift"),
		},
		NextCheck: []string{
			"Time a lift with a known load. Nobody on, under or beside the platform.",
			"Slow: check oil level and foam first, then the suction strainer.",
			"Lower the platform and release the pressure, then fit a gauge. Check the relief valve's pressure, then the pump.",
		},
		Clears:       "The average of 12 runs is within 60 % of the limit.",
		Steady:       "12 runs; clears at 60 % of what raises it.",
		RaisedWithin: "20 motor runs of 3 s or longer",
		Settings:     []string{"motor.run_a"},
		ExplainedBy:  []string{"series-wired", "parallel-wired"},
	},
	Limits: func(l *starvedLimits) []limit.Limit {
		return []limit.Limit{limit.Number{To: &l.Ratio, Default: 0.8, Min: 0.2, Max: 0.95, About: limit.About{
			Path: "findings.starved_ratio", Origin: limit.Choice,
			Doc: "motor-starved: average of twelve runs under what is usual. Our choice, as hungry_ratio",
		}}}
	},
	Needs: view.Parallel,
	Judge: func(v view.View, l *starvedLimits, _ *None) finding.Verdict {
		verdict := judgeUsual(v, 1-v.Motor().Usual().MeanRatio(), 1-l.Ratio)
		if ratio, ok := v.Motor().Oil().Ratio(); verdict.Opinion == finding.Present && ok && ratio < pressureLow {
			if v.Active("relief-off", false) {
				return verdict.Suspect(starvedRelief, pressureDown)
			}
			return verdict.Suspect(starvedPump, pressureDown).Suspect(starvedRelief, pressureDown)
		}
		return verdict
	},
}

type starvedLimits struct{ Ratio float64 }

const pressureLow = 0.9 // ratio: of the usual oil pressure, below which it is down; our choice

var (
	starvedPump   = cause("motor-starved.pump", "pump worn inside: it bypasses")
	starvedRelief = cause("motor-starved.relief", "relief valve set low or leaking")
)
