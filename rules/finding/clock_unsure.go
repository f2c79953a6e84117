package finding

// Causes of clock-unsure, in the order of its catalogue entry.
const (
	ClockUnsureNetwork = iota
	ClockUnsureBattery
	ClockUnsureSource
)

// ClockUnsure is a wall time that is not trusted.
var ClockUnsure = Definition{
	Name:     "clock-unsure",
	Severity: Note,
	Summary:  "The board does not know the time of day; intervals are still counted.",
	Detected: "The wall clock has not been set from a source that can be trusted for the set time.",
	Causes: []string{
		ClockUnsureNetwork: "no network to set the clock from",
		ClockUnsureBattery: "clock's own cell empty, or no clock chip",
		ClockUnsureSource:  "time source wrong or out of reach",
	},
	NextCheck:  "Give the board network for some minutes, or set its clock. Times of past findings are put right by themselves once it is set.",
	Clears:     "The clock set, for a minute.",
	Hysteresis: "The set time before it is raised, a minute before it clears.",
	Bound:      "clock_unsure_after",
	Settings:   []string{"findings.clock_unsure_after"},
}
