package finding

// Causes of motor-starved, in the order of its catalogue entry.
const (
	MotorStarvedPump = iota
	MotorStarvedRelief
	MotorStarvedOil
)

// MotorStarved is current below what this motor draws.
var MotorStarved = Definition{
	Name:     "motor-starved",
	Severity: Service,
	Summary:  "The motor draws less than this motor does: the pump does not do its work.",
	Detected: "As motor-hungry, the other way: the mean of the last twelve runs is under the limit.",
	Causes: []string{
		MotorStarvedPump:   "pump worn inside: it slips",
		MotorStarvedRelief: "relief valve set low or leaking",
		MotorStarvedOil:    "oil low, foaming, or air drawn in on the suction side",
	},
	NextCheck:  "Time a lift with a known load. Slow: check oil level and foam first, then the relief valve's pressure with a gauge, then the pump.",
	Clears:     "Mean of twelve runs within three fifths of the limit.",
	Hysteresis: "Twelve runs; clears at three fifths of what raises it.",
	Bound:      "20 motor runs of three seconds or more",
	Settings:   []string{"findings.starved_ratio", "motor.run_a"},
	Under:      []string{"series-wired"},
}
