package detect

import (
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/pump"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// MotorStuck is motor current without a command.
var MotorStuck = Finding[None, None]{
	Definition: finding.Definition{
		Name:     "motor-stuck",
		Severity: finding.Urgent,
		Title:    "Motor runs without a command",
		Summary:  "The pump motor draws current without a command.",
		Detected: "The contactor coil is off, and for 2 s the bank gives the current of a running motor. The voltage at " +
			"the motor terminal, where fitted, must agree.",
		Causes: []*unit.Text{
			cause("motor-stuck.contacts", "motor contactor's contacts welded"),
			cause("motor-stuck.coil", "coil held on behind the measuring point: a second switch, or a short in the harness"),
			cause("motor-stuck.other", "another large load on the bank: jump lead, inverter"),
		},
		NextCheck: []string{
			"Get everybody clear of the platform.",
			"Open the disconnect. Stay clear until the platform has stopped.",
			"Lock out.",
			"Coil off, disconnect open: measure the resistance across the contactor's main contacts. Near 0 Ω: welded. Open: " +
				"look for a second switch, a short in the harness, or another load.",
			"Do not close the disconnect again before the fault is fixed.",
		},
		Clears:       "No such current for 10 s.",
		Steady:       "Raised after 2 s; clears after 10 s.",
		RaisedWithin: "10 s",
		Settings:     []string{"motor.min_current_a"},
		ExplainedBy:  []string{"series-wired", "parallel-wired"},
	},
	Pace:  Swift,
	Times: after(stuckHold, stuckRelease),
	Needs: view.Parallel | view.CommandWired | view.CommandRead | view.Currents,
	Judge: judgeStuck,
}

const (
	stuckHold    = 2 * time.Second  // before it is raised; our choice
	stuckRelease = 10 * time.Second // before it clears; our choice
	eachGivesA   = 5.0              // A: from every battery, confirms a motor without a tap; our choice
)

var commandIs = finding.NewLabel("command", "command", "")

// judgeStuck wants two witnesses: current, and the motor's terminal or every battery.
func judgeStuck(v view.View, _, _ *None) finding.Verdict {
	m := v.Motor()
	switch {
	case m.Command() == unit.ContactOn:
		return unchanged
	case m.Flows() && motorConfirmed(v):
		return v.Holds(currentOut.Is(-v.Bank().CurrentA().Value), terminal.Is(m.TerminalV().Value), commandIs.Says(off))
	}
	return absent
}

// motorConfirmed reports whether a second witness says that the motor has current.
func motorConfirmed(v view.View) bool {
	if t := v.Motor().TerminalV(); t.OK() {
		return t.Value > pump.MotorOnV
	}
	for i := range v.Batteries() {
		if -v.Battery(i).CurrentA().Value < eachGivesA {
			return false
		}
	}
	return v.Batteries() > 1
}
