package finding

// Causes of motor-overrun, in the order of its catalogue entry.
const (
	MotorOverrunOperator = iota
	MotorOverrunLimit
	MotorOverrunJam
)

// MotorOverrun is a motor run too long.
var MotorOverrun = Definition{
	Name:     "motor-overrun",
	Severity: Service,
	Summary:  "The motor is run too long: held on at the end of travel, or without a break.",
	Detected: "In a run the current rises to the relief valve's level, a fifth over what lifting took, and stays there for five seconds; or the run lasts longer than the limit.",
	Causes: []string{
		MotorOverrunOperator: "button held on after the platform has stopped",
		MotorOverrunLimit:    "limit switch or its setting: the pump does not stop at the end of travel",
		MotorOverrunJam:      "platform jammed or overloaded, so that it works against the relief valve",
	},
	NextCheck:  "Watch a lift. If the platform has stopped and the pump still strains, let the operator know, and look for a limit switch that does not work. If it strains before the end, check load, guides and oil.",
	Clears:     "Three ordinary runs of five seconds or more.",
	Hysteresis: "Five seconds on the relief valve before it is raised, three clean runs before it clears.",
	Bound:      "within the run",
	Settings:   []string{"findings.overrun_relief", "findings.overrun_run"},
	Under:      []string{"series-wired", "motor-stuck"},
}
