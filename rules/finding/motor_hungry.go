package finding

// Causes of motor-hungry, in the order of its catalogue entry.
const (
	MotorHungryPump = iota
	MotorHungryOil
	MotorHungryLoad
	MotorHungryMotor
)

// MotorHungry is current above what this motor draws.
var MotorHungry = Definition{
	Name:     "motor-hungry",
	Severity: Service,
	Summary:  "The motor draws more than this motor does.",
	Detected: "The current while lifting, mean of the last twelve runs of three seconds or more, is over what this motor has learnt to draw at this temperature (or the configured current) by more than the limit. Oil drag in the cold is taken out; current does not depend on the bank's voltage, torque does it.",
	Causes: []string{
		MotorHungryPump:  "pump worn or seized in part, or its bearings",
		MotorHungryOil:   "wrong or old oil, blocked strainer or filter",
		MotorHungryLoad:  "overloaded platform, guides dry or bent",
		MotorHungryMotor: "motor's bearings or brushes",
	},
	NextCheck:  "Lift the empty platform and compare the current with earlier figures. High empty as well: oil and strainer first, then pump. High only when loaded: weigh the load, look at guides and cylinder.",
	Clears:     "Mean of twelve runs within three fifths of the limit.",
	Hysteresis: "Twelve runs; clears at three fifths of what raises it.",
	Bound:      "20 motor runs of three seconds or more",
	Settings:   []string{"findings.hungry_ratio", "motor.run_a"},
	Under:      []string{"series-wired"},
}
