package finding

// Causes of series-wired, in the order of its catalogue entry.
const (
	SeriesWiredCable = iota
	SeriesWiredCharger
)

// SeriesWired is a 12 V bank that shows the voltage of two batteries in series.
var SeriesWired = Definition{
	Name:     "series-wired",
	Severity: Urgent,
	Summary:  "More than 18 V on a 12 V bank: batteries are connected in series.",
	Detected: "A battery post, the feed or the motor terminal stands above the limit (18 V: no charger of a 12 V bank reaches it, two batteries in series always do) for three seconds.",
	Causes: []string{
		SeriesWiredCable:   "a patch cable from the positive post of one battery to the negative post of the next",
		SeriesWiredCharger: "a 24 V charger or jump source connected",
	},
	NextCheck:  "Do not run the lift. Open the disconnect, then follow each patch cable: positive to positive, negative to negative.",
	Clears:     "All voltages under the limit for ten seconds.",
	Hysteresis: "Three seconds over before it is raised, ten seconds under before it clears.",
	Bound:      "10 s",
	Settings:   []string{"findings.series_v"},
}
