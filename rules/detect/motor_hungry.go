package detect

import (
	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/pump"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// MotorHungry is a motor that draws more than it usually does.
var MotorHungry = Finding[hungryLimits, None]{
	Definition: finding.Definition{
		Name:     "motor-hungry",
		Severity: finding.Repair,
		Title:    "Motor draws too much",
		Summary:  "The motor draws more current than it usually does.",
		Detected: "The current while lifting, averaged over the last 12 runs of 3 s or longer, is above what this motor " +
			"has been learned to draw at this temperature (or above the configured current) by more than the limit. Oil drag " +
			"in the cold is taken out. The current does not depend on the bank's voltage: it follows torque.",
		Causes: []*unit.Text{
			hungryPump,
			cause("motor-hungry.oil", "wrong or old oil, blocked pressure or return filter"),
			hungryLoad,
			hungryMotor,
		},
		NextCheck: []string{
			"Raise the empty platform and compare the current with earlier figures. Nobody on, under or beside it.",
			"High when empty too: check oil and filter first, then the pump. Lower the platform and release the pressure " +
				"before you open anything.",
			"High only when loaded: weigh the load; check guides and cylinder.",
		},
		Clears:       "The average of 12 runs is within 60 % of the limit.",
		Steady:       "12 runs; clears at 60 % of what raises it.",
		RaisedWithin: "20 motor runs of 3 s or longer",
		Settings:     []string{"motor.run_a"},
		ExplainedBy:  []string{"series-wired", "parallel-wired"},
	},
	Limits: func(l *hungryLimits) []limit.Limit {
		return []limit.Limit{limit.Number{To: &l.Ratio, Default: 1.2, Min: 1.05, Max: 3, About: limit.About{
			Path: "findings.hungry_ratio", Origin: limit.Choice,
			Doc: "motor-hungry: average of twelve runs over what is usual. The load on the platform moves that average by a " +
				"twentieth",
		}}}
	},
	Needs: view.Parallel,
	Judge: func(v view.View, l *hungryLimits, _ *None) finding.Verdict {
		over := v.Motor().Usual().MeanRatio() - 1
		verdict := judgeUsual(v, over, l.Ratio-1)
		ratio, ok := v.Motor().Oil().Ratio()
		switch {
		case verdict.Opinion != finding.Present || !ok:
			return verdict
		case ratio-1 >= over/2:
			return verdict.Suspect(hungryLoad, pressureUp)
		}
		return verdict.Suspect(hungryPump, pressureUsual).Suspect(hungryMotor, pressureUsual)
	},
}

type hungryLimits struct{ Ratio float64 }

const usualClears = 0.6 // ratio: of what raises it, below which a motor's current counts as usual again; our choice

var (
	hungryPump  = cause("motor-hungry.pump", "pump worn or partly seized, or its bearings")
	hungryLoad  = cause("motor-hungry.load", "overloaded platform, guides dry or bent")
	hungryMotor = cause("motor-hungry.motor", "motor bearings or brushes")

	pressureUp    = why("pressure-up", "the oil pressure is up with the current: the platform asks for more")
	pressureUsual = why("pressure-usual", "the oil pressure is not up with the current: pump or motor turn it into heat")
	pressureDown  = why("pressure-down", "the oil pressure is down, too")

	pressureRatio = finding.NewLabel("pressure-ratio", "oil pressure over usual", "")

	usualUnknown = why(
		"usual-unknown",
		"what this motor usually draws is not learned yet: needs 30 runs of 3 s or longer with the feed off, "+
			"with current and temperature read",
	)
	usualFewRuns = why("usual-few-runs", "12 runs of 3 s or longer with current and temperature read")

	overUsual = finding.NewLabel("over-usual", "average of 12 runs over usual", "")
	lastRun   = finding.NewLabel("last-run", "last run", "A")
	usual25   = finding.NewLabel("usual-25", "usual at 25 °C", "A")
	usualNow  = finding.NewLabel("usual-now", "usual now", "A")
)

// judgeUsual compares by how much the motor's current is off, in the finding's direction, with the
// limit.
func judgeUsual(v view.View, by, most float64) finding.Verdict {
	u := v.Motor().Usual()
	switch {
	case !u.Learned() && v.Settings().MotorUsualA == 0:
		return finding.Unjudged(usualUnknown).Having(int(u.Count), pump.LearnRuns)
	case !u.Enough():
		return finding.Unjudged(usualFewRuns).Having(u.Ratios, pump.UsualRuns)
	case v.Bank().CurrentA().Faulty():
		return finding.Unjudged(view.CurrentUnread)
	case by > most:
		const smallest = 0.01 // ratio: so that nothing is divided by zero; our choice
		return v.Holds(overUsual.Is(u.MeanRatio()), lastRun.Is(u.LastA), usual25.Is(u.Mean[0]),
			usualNow.Is(u.LastA/max(u.Ratio[0], smallest)), temperature.Is(v.Bank().TempOr25()), overPressure(v))
	case by < usualClears*most:
		return absent
	}
	return unchanged
}

// overPressure returns the evidence of the last runs' oil pressure over the usual; none where it is not
// known.
func overPressure(v view.View) finding.Evidence {
	ratio, ok := v.Motor().Oil().Ratio()
	if !ok {
		return finding.Evidence{}
	}
	return pressureRatio.Is(ratio)
}
