package detect

import (
	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/pump"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// MotorDrop is too much lost between bank and motor terminal.
var MotorDrop = Finding[dropLimits, None]{
	Definition: finding.Definition{
		Name:     "motor-drop",
		Severity: finding.Repair,
		Title:    "Voltage lost before the motor",
		Summary:  "Too much voltage is lost between the bank and the pump motor.",
		Detected: "In motor runs, the voltage at the bank's positive post less that at the motor terminal, at this motor's " +
			"usual current, is above the limit over three runs (starting circuit, positive side 0.3 V: voltage drop guide, " +
			"2024), by more than two voltage channels may err; or by more than a quarter, by how much more is lost at the " +
			"start, which draws more, where that is read every 50 ms. With the feed on, what the feed can give counts as " +
			"drawn too. The negative lead is not included.",
		Causes: []*unit.Text{
			cause("motor-drop.contactor", "contactor's main contacts burnt"),
			cause("motor-drop.lug", "lug loose or corroded at breaker, disconnect, contactor or motor"),
			cause("motor-drop.lead", "lead too thin, too long, or strands broken"),
		},
		NextCheck: []string{
			"Have a second person run the lift. Nobody on, under or beside the platform.",
			"With the motor running, measure the drop across each part in turn: post to lug, lead, disconnect, breaker, " +
				"contactor, lug at the motor. The part that drops more than 0.1 V is the one.",
			"Also measure from the bank's negative post to the motor's ground: the monitor can't see that side.",
			"Lock out before you take a joint apart.",
		},
		Clears:       "Below 5/6 of the limit over three runs.",
		Steady:       "Average of three runs; clears below 5/6 of the limit.",
		RaisedWithin: "10 motor runs",
		Settings:     []string{"motor.run_a"},
		ExplainedBy:  []string{"series-wired", "parallel-wired", "link-resistive"},
	},
	Limits: func(l *dropLimits) []limit.Limit {
		return []limit.Limit{limit.Number{To: &l.V, Default: 0.3, Min: 0.05, Max: 5, Unit: "V", About: limit.About{
			Path: "findings.motor_drop_v", Origin: limit.Published, OfBank: true,
			Doc: "motor-drop: bank's positive post to the motor terminal at its usual current. Starting circuit, positive " +
				"side: 0.3 V (voltage drop guide, 2024)",
		}}}
	},
	Needs: view.Parallel,
	Ends:  []Work{NewBattery, Joints},
	Judge: judgeDrop,
}

type dropLimits struct{ V float64 }

// Two voltage channels leave a drop between them unsure: gains at opposite ends of ±1 %, of the
// voltage in the run, and the post's ±10 mV; the motor channel's own zero shows while the motor is
// stopped.
const (
	dropGains  = 0.02 // ratio: gains of two voltage channels at opposite ends; physical
	dropZeroV  = 0.01 // V: zero error of the post's channel; physical
	startSure  = 0.75 // ratio: of a drop by starts, for channels that are read up to a scan apart; our choice
	usualPostV = 11.5 // V: of a post in a run without a feed, the least that is allowed for; our choice
)

var (
	terminalNotWired = why("motor-terminal-not-wired", "the motor terminal is not wired to the monitor")
	terminalUnread   = why("motor-terminal-unread", "the motor terminal can't be read")
	threeRuns        = why("three-runs", "three motor runs of 3 s or longer")

	dropToMotor = finding.NewLabel("drop-to-motor", "drop, bank to motor terminal", "V")
	atCurrent   = finding.NewLabel("at-current", "at current", "A")
)

func judgeDrop(v view.View, l *dropLimits, _ *None) finding.Verdict {
	t, drops := v.Motor().TerminalV(), v.Motor().Drops()
	switch {
	case t.Quality == unit.NotFitted:
		return finding.Unjudged(terminalNotWired)
	case t.Faulty():
		return finding.Unjudged(terminalUnread)
	case !drops.Known():
		return finding.Unjudged(threeRuns).Having(drops.Count, pump.DropRuns)
	}
	mohm, amps, postV := drops.Mean()
	unsureV := dropGains*max(postV, v.Volts(usualPostV)) + dropZeroV
	switch {
	case v.Settings().MotorUsualA > 0:
		amps = v.Settings().MotorUsualA
	case v.Motor().Usual().Mean[0] > 0:
		amps = v.Motor().Usual().Mean[0]
	}
	drop := mohm * amps / 1000
	least := drop - unsureV
	if start, ok := drops.ByStart(); ok {
		least = min(max(least, startSure*start*amps/1000), drop+unsureV)
	}
	switch {
	case least > l.V:
		return v.Holds(dropToMotor.Is(drop), limitV.Is(l.V), resistance.Is(mohm), atCurrent.Is(amps))
	case least < fixedPart*l.V:
		return absent
	}
	return unchanged
}
