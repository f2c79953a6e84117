package finding

// Causes of motor-drop, in the order of its catalogue entry.
const (
	MotorDropContactor = iota
	MotorDropLug
	MotorDropLead
)

// MotorDrop is too much lost between bank and motor terminal.
var MotorDrop = Definition{
	Name:     "motor-drop",
	Severity: Service,
	Summary:  "Too much voltage is lost between the bank and the pump motor.",
	Detected: "In motor runs, the voltage at the bank's positive post less that at the motor terminal, brought to this motor's usual current, is over the limit over three runs (starting circuit, positive side 0.3 V: voltage drop guide, 2024), by more than two voltage channels may err. With the feed on, what it can give counts as drawn too. The negative lead is not in it.",
	Causes: []string{
		MotorDropContactor: "contactor's main contacts burnt",
		MotorDropLug:       "lug loose or corroded at breaker, disconnect, contactor or motor",
		MotorDropLead:      "lead too thin, too long, or strands broken",
	},
	NextCheck:  "With the motor running, measure the drop across each part in turn: post to lug, lead, disconnect, breaker, contactor, lug at the motor. Whichever takes more than 0.1 V is the one.",
	Clears:     "Under five sixths of the limit over three runs.",
	Hysteresis: "Mean of three runs; clears under five sixths of the limit.",
	Bound:      "10 motor runs",
	Settings:   []string{"findings.motor_drop_v", "motor.run_a"},
	Under:      []string{"series-wired", "link-resistive"},
}
