package detect

import (
	"time"

	"liftbank/rules/finding"
	"liftbank/rules/limit"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// ControlDead is a lift whose controls have no voltage: its button does nothing.
var ControlDead = Finding[controlLimits, None]{
	Definition: finding.Definition{
		Name:     "control-dead",
		Severity: finding.Urgent,
		Title:    "Controls have no voltage",
		Summary:  "The lift's controls have no voltage, although the bank has: the button does nothing.",
		Detected: "The voltage behind the breaker of the controls is below the set part of the bank's for 30 s. Nothing is " +
			"judged while the disconnect is open, as the controls may be behind it, or while the bank is below 9 V. Only on " +
			"units whose monitor measures it (control_voltage).",
		Causes: []*unit.Text{
			controlBreaker,
			controlWire,
			cause("control-dead.disconnect", "disconnect open, where the monitor does not see its contact"),
			cause("control-dead.key", "no fault: a key switch is off, and the monitor is wired behind it"),
		},
		NextCheck: []string{
			"The platform may move when the controls come back: keep off the button, nobody on, under or beside the platform.",
			"Check the breaker of the controls, 15 or 20 A. Find out why it tripped before you reset it: a chafed control cable " +
				"or a shorted coil.",
			"Breaker closed: measure ahead of it, then follow the wire back to the bank and its fuse.",
			"Wired behind a key switch: move the monitor's wire ahead of it, or take this finding out of service.",
		},
		Clears:       "The controls have 80 % of the bank's voltage for 10 s.",
		Steady:       "Raised after 30 s; clears at 80 % of the bank's voltage.",
		RaisedWithin: "1 min",
		ExplainedBy:  []string{"series-wired", "parallel-wired", "reversed", "bank-flat"},
		Optional:     true,
	},
	Limits: func(l *controlLimits) []limit.Limit {
		return []limit.Limit{limit.Number{To: &l.PartPct, Default: 50, Min: 10, Max: 79, Unit: "%", About: limit.About{
			Path: "findings.control_dead_pct", Origin: limit.Choice,
			Doc: "control-dead: voltage behind the controls' breaker below this part of the bank's. Half of it closes no " +
				"contactor",
		}}}
	},
	On:    func(f *view.Frame, _ *controlLimits) bool { return f.Fitted.Control },
	Pace:  Swift,
	Times: func(*controlLimits) (Times, Times) { return controlHold, controlRelease },
	Needs: view.Parallel | view.OnePost,
	Judge: judgeControl,
}

type controlLimits struct{ PartPct float64 }

const (
	controlHold      = 30 * time.Second // before it is raised; our choice
	controlRelease   = 10 * time.Second // before it clears; our choice
	controlClearPart = 0.8              // ratio: of the bank's voltage, with which the controls are alive; our choice
	controlBankV     = 9.0              // V: of a bank that has something to give; our choice
	controlAliveV    = 8.0              // V: a 12 V contactor's coil closes with more, one of 24 V with twice that; trade practice
)

var (
	controlBreaker = cause("control-dead.breaker", "breaker of the controls open")
	controlWire    = cause("control-dead.wire", "wire from the bank to the controls, or its fuse, open")

	controlUnread    = why("control-unread", "the voltage of the controls can't be read")
	disconnectIsOpen = why("disconnect-open", "the disconnect is open: the controls may be behind it")

	controlIs = finding.NewLabel("control-voltage", "voltage of the controls", "V")
	bankIs    = finding.NewLabel("bank-posts", "bank voltage at the posts", "V")
)

func judgeControl(v view.View, l *controlLimits, _ *None) finding.Verdict {
	c, post := v.Motor().ControlV(), v.Bank().HighestPost()
	switch {
	case v.Disconnect() == unit.ContactOff:
		return finding.Unjudged(disconnectIsOpen)
	case c.Faulty():
		return finding.Unjudged(controlUnread)
	case !c.OK() || post.Value < v.Volts(controlBankV):
		return unchanged
	case c.Value < l.PartPct/100*post.Value:
		state := notWired
		if v.Disconnect() == unit.ContactOn {
			state = closed
		}
		verdict := v.Holds(controlIs.Is(c.Value), bankIs.Is(post.Value), disconnectIs.Says(state))
		if v.Disconnect() == unit.ContactOn {
			return verdict.Suspect(controlBreaker, closedDisconnect).Suspect(controlWire, closedDisconnect)
		}
		return verdict
	case c.Value >= controlClearPart*post.Value:
		return absent
	}
	return unchanged
}
