package finding

// Causes of circulating, in the order of its catalogue entry.
const (
	CirculatingCell = iota
	CirculatingMixed
	CirculatingSulphation
)

// Circulating is one battery that drains into another at rest.
var Circulating = Definition{
	Name:     "circulating",
	Severity: Service,
	Summary:  "At rest, one battery drains into another.",
	Detected: "Two hours after the last lift and feed, one battery still gives and another still takes more than the limit.",
	Causes: []string{
		CirculatingCell:       "a dead or leaking cell in the battery that takes",
		CirculatingMixed:      "batteries of different age, kind or charge put together",
		CirculatingSulphation: "a battery that never keeps its charge",
	},
	NextCheck:  "Part the batteries, charge each by itself, let both rest for a day and measure: the one that falls is the one to replace. Never put a full battery beside an empty one.",
	Clears:     "Under the clearing limit for an hour, at rest.",
	Hysteresis: "Half an hour over the limit before it is raised; clears at the lower limit.",
	Bound:      "3 h of rest",
	Settings:   []string{"findings.circulating_a", "findings.circulating_clear_a"},
	Under:      []string{"battery-failed", "battery-tired", "series-wired"},
}
