package finding

// Causes of parked-drain, in the order of its catalogue entry.
const (
	ParkedDrainLeft = iota
	ParkedDrainShort
	ParkedDrainConverter
	ParkedDrainOld
)

// ParkedDrain is a drain while parked that the bank cannot bear.
var ParkedDrain = Definition{
	Name:     "parked-drain",
	Severity: Service,
	Summary:  "Something drains the bank while it is parked.",
	Detected: "Standing for four days or more with nothing on, the bank loses charge at a rate that would take the set part of its capacity in the set number of days. The rate is taken from the fall of the charge, by rested voltage and counted current together, after the first day.",
	Causes: []string{
		ParkedDrainLeft:      "lamp, radio or tool left on",
		ParkedDrainShort:     "harness chafed, water in a plug: a leak to earth",
		ParkedDrainConverter: "converter or control that does not go to sleep",
		ParkedDrainOld:       "battery that discharges itself quickly",
	},
	NextCheck:  "With everything off, put a clamp meter on the bank's negative lead, then pull fuses one by one until the current falls. Nothing there: part the batteries, charge them, and see which one falls by itself.",
	Clears:     "A stand of four days without such a loss, or a loss under two thirds of it.",
	Hysteresis: "Two days of standing; clears under two thirds of the rate.",
	Bound:      "5 days of standing",
	Settings:   []string{"findings.parked_part_pct", "findings.parked_days"},
	Under:      []string{"battery-failed", "motor-stuck", "series-wired"},
}
