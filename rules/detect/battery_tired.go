package detect

import (
	"liftbank/rules/finding"
	"liftbank/rules/loadtest"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// BatteryTired is a battery below the service limit.
var BatteryTired = Finding[None, None]{
	Definition: finding.Definition{
		Name:     "battery-tired",
		Severity: finding.Repair,
		About:    finding.Battery,
		Title:    "{subject} is weak",
		Summary:  "{subject} gives less than 80 % of its rating.",
		Detected: "Cold cranking capability, calculated from the battery's resistance in 20 motor runs or more, or " +
			"capacity learned from deep swings, is below 80 % of rating by more than its uncertainty (replace at 80 % of " +
			"capacity: US Bureau of Reclamation storage battery guide, IEEE Std 450).",
		Causes: []*unit.Text{
			cause("battery-tired.worn", "worn: end of its years and cycles"),
			tiredSulfation,
			cause("battery-tired.level", "electrolyte low (flooded), or dried out (valve-regulated)"),
			tiredSensor,
			tiredJoint,
		},
		NextCheck: []string{
			"Check the sensor first: have a second person run the lift, nobody on, under or beside the platform, and put a DC " +
				"clamp meter on this battery's cable. The amperes must match the monitor. If not, fix the sensor and wait for 20 " +
				"runs.",
			"Flooded: check the level first. Plates exposed: cover them with distilled water before charging; top up after.",
			"Charge the battery fully with a charger set for its chemistry, let it rest and test it alone.",
			"Still below 80 %: plan its replacement. Check whether its neighbor is as old.",
		},
		Clears:          "The battery's figures are above the limit by their uncertainty.",
		Steady:          "Needs 20 runs; clears one standard uncertainty above the limit.",
		RaisedWithin:    "30 motor runs",
		ExplainedBy:     []string{"battery-failed"},
		SameSubjectOnly: true,
	},
	Of:    []view.Kind{view.OfBattery},
	Needs: view.Parallel,
	Ends:  []Work{NewBattery, RightCCA},
	Judge: func(v view.View, _, _ *None) finding.Verdict {
		return judgeBattery(v, loadtest.Tired, tiredSensor, tiredSulfation, tiredJoint)
	},
}

var (
	tiredSulfation = cause("battery-tired.sulfation", "sulfation from being left short of charge")
	tiredSensor    = cause("battery-tired.sensor", "no fault of the battery: current sensor with a wrong scale")
	tiredJoint     = cause("battery-tired.joint", "no fault of the battery: bad joint in the middle of its string, below it")
)
