package finding

// Causes of motor-dead, in the order of its catalogue entry.
const (
	MotorDeadBreaker = iota
	MotorDeadDisconnect
	MotorDeadContactor
	MotorDeadLead
)

// MotorDead is a command that draws no current.
var MotorDead = Definition{
	Name:     "motor-dead",
	Severity: Urgent,
	Summary:  "The lift is commanded, but the motor draws no current.",
	Detected: "The contactor coil is on for half a second or more, no current of a running motor flows, and the bank's voltage does not move.",
	Causes: []string{
		MotorDeadBreaker:    "motor breaker open",
		MotorDeadDisconnect: "disconnect open",
		MotorDeadContactor:  "contactor does not close: coil, its fuse, its earth, or burnt contacts",
		MotorDeadLead:       "motor lead off, or brushes worn out",
	},
	NextCheck:  "Look at the disconnect and the breaker first. Then, with the button pressed, measure from the contactor's battery side to its motor side and to the motor terminal: where the voltage stops is the fault. Find out why a breaker tripped before you reset it.",
	Clears:     "A command that draws a running motor's current.",
	Hysteresis: "One dead command of half a second is enough; one good run clears it.",
	Bound:      "at the first command",
	Settings:   []string{"motor.min_current_a"},
	Under:      []string{"reversed", "battery-failed", "series-wired", "motor-overrun", "motor-hungry"},
}
