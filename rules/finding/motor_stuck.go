package finding

// Causes of motor-stuck, in the order of its catalogue entry.
const (
	MotorStuckContacts = iota
	MotorStuckCoil
	MotorStuckOther
)

// MotorStuck is motor current with no command.
var MotorStuck = Definition{
	Name:     "motor-stuck",
	Severity: Urgent,
	Summary:  "The pump motor draws current although nobody commands it.",
	Detected: "The contactor coil is off, and for two seconds the bank gives a running motor's current; the voltage at the motor terminal, where fitted, must agree.",
	Causes: []string{
		MotorStuckContacts: "contacts of the motor contactor welded",
		MotorStuckCoil:     "coil held on behind the measuring point: a second switch, a short in the harness",
		MotorStuckOther:    "another large load on the bank: a jump lead, an inverter",
	},
	NextCheck:  "Open the disconnect. Keep everybody clear of the platform. Measure across the contactor's main contacts with the coil off: no volts across them with the battery connected means they are welded. Lock out before you work on it.",
	Clears:     "No such current for ten seconds.",
	Hysteresis: "Two seconds before it is raised, ten before it clears.",
	Bound:      "10 s",
	Settings:   []string{"motor.min_current_a"},
	Under:      []string{"series-wired"},
}
