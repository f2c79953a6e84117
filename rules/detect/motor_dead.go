package detect

import (
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/pump"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// MotorDead is a command without current.
var MotorDead = Finding[None, deadMemory]{
	Definition: finding.Definition{
		Name:     "motor-dead",
		Severity: finding.Urgent,
		Title:    "Motor does not run",
		Summary:  "The lift is commanded, but the motor draws no current.",
		Detected: "The contactor coil is on for 0.5 s or longer, no current of a running motor flows, and the bank's " +
			"voltage does not move.",
		Causes: []*unit.Text{
			deadBreaker,
			deadDisconnect,
			deadContactor,
			deadLead,
		},
		NextCheck: []string{
			"Check the disconnect and the breaker first. Find out why a breaker tripped before you reset it.",
			"When a contact makes, the platform moves: second person at the button, nobody on, under or beside the platform.",
			"With the button pressed, measure from the contactor's battery side to its motor side and on to the motor " +
				"terminal. Where the voltage stops is the fault.",
		},
		Clears:       "A command that draws the current of a running motor.",
		Steady:       "One dead command of 0.5 s is enough; one good run clears it.",
		RaisedWithin: "at the first command",
		Settings:     []string{"motor.min_current_a"},
		ExplainedBy:  []string{"reversed", "battery-failed", "series-wired", "parallel-wired", "bank-flat", "control-dead", "motor-overrun", "motor-hungry"},
	},
	Pace:  Swift,
	Needs: view.Parallel,
	Lapse: func(m *deadMemory) { *m = deadMemory{Commands: m.Commands} }, // a command that was not watched from its start
	Judge: judgeDead,
}

const (
	deadAfter = 500 * time.Millisecond // of a command without current; our choice
	deadDipV  = 0.1                    // V: a fall of a bank of 12 V: the motor draws current after all; our choice
)

// deadMemory is what motor-dead remembers. What belongs to the command under way is not saved.
type deadMemory struct {
	Commands uint64        // dead commands seen
	since    time.Duration // last instant of current, or without a command
	bankV    unit.Reading  // then
	dipped   bool          // it fell in the command under way
}

var (
	deadBreaker    = cause("motor-dead.breaker", "motor breaker open")
	deadDisconnect = cause("motor-dead.disconnect", "disconnect open")
	deadContactor  = cause("motor-dead.contactor", "contactor does not close: coil, its fuse, its ground, or burnt "+
		"contacts")
	deadLead = cause("motor-dead.lead", "motor lead off, or brushes worn out")

	controlsLow  = why("controls-low", "the controls have too little voltage to close it: their breaker and its supply first")
	controlsLive = why("controls-live", "the controls have voltage")

	readsOpen = why("contact-reads-open", "its contact reads open")
	noCurrent = why("voltage-no-current", "voltage at the motor terminal, but no current")

	disconnectIs = finding.NewLabel("disconnect", "disconnect", "")
	deadCommands = finding.NewLabel("dead-commands", "commands without current, total", "")

	notWired = word("not-wired", "not wired to the monitor")
	closed   = word("closed", "closed")
	open     = word("open", "open")
)

func judgeDead(v view.View, _ *None, m *deadMemory) finding.Verdict {
	dead := v.Motor().DeadCommands()
	if v.Motor().Command() == unit.ContactNotFitted {
		return finding.Unjudged(v.Lacks(view.CommandWired))
	}
	if why := v.Lacks(view.Currents); why != nil {
		*m = deadMemory{Commands: dead}
		return finding.Unjudged(why)
	}
	running, since := v.Motor().Running()
	flows := v.Motor().Flows()
	if flows || !running {
		m.since, m.bankV = v.Now(), v.Bank().HighestPost()
	}
	if !running && m.Commands == dead {
		m.dipped = false
	}
	verdict := unchanged
	switch {
	case m.Commands != dead:
		m.Commands = dead
		if !m.dipped {
			verdict = holdsDead(v)
		}
		m.dipped = false
	case running && v.Motor().Command() == unit.ContactOn && !flows && v.Now()-max(since, m.since) >= deadAfter &&
		!m.dips(v):
		verdict = holdsDead(v)
	case running && flows:
		verdict = absent
	}
	if running {
		m.dipped = m.dipped || m.dips(v)
	}
	return verdict
}

// dips reports whether the bank's voltage says that the motor draws current after all.
func (m *deadMemory) dips(v view.View) bool {
	if v.Motor().Energized() {
		return true
	}
	now := v.Bank().HighestPost()
	if !now.OK() || !m.bankV.OK() {
		return v.Feed().Carries() // nobody can tell
	}
	return now.Value < m.bankV.Value-v.Volts(deadDipV)
}

func holdsDead(v view.View) finding.Verdict {
	state := notWired
	switch v.Disconnect() {
	case unit.ContactOn:
		state = closed
	case unit.ContactOff:
		state = open
	}
	t := v.Motor().TerminalV()
	verdict := v.Holds(currentOut.Is(-v.Bank().CurrentA().Value), terminal.Is(t.Value), disconnectIs.Says(state),
		deadCommands.Is(float64(v.Motor().DeadCommands())), controlIs.Reads(v.Motor().ControlV()))
	c := v.Motor().ControlV()
	switch {
	case v.Disconnect() == unit.ContactOff:
		return verdict.Suspect(deadDisconnect, readsOpen)
	case t.OK() && t.Value > pump.MotorOnV:
		return verdict.Suspect(deadLead, noCurrent)
	case c.OK() && c.Value < v.Volts(controlAliveV):
		return verdict.Suspect(deadContactor, controlsLow)
	case v.Active("motor-overrun", true) || v.Active("motor-hungry", true):
		return verdict.Suspect(deadBreaker, overloaded)
	case v.Disconnect() == unit.ContactOn:
		return verdict.Suspect(deadContactor, closedDisconnect).Suspect(deadBreaker, closedDisconnect)
	case c.OK():
		return verdict.Suspect(deadContactor, controlsLive).Suspect(deadBreaker, controlsLive)
	}
	return verdict
}
