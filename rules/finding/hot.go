package finding

// Causes of hot, in the order of its catalogue entry.
const (
	HotSun = iota
	HotCharge
	HotCell
)

// Hot is a battery too hot.
var Hot = Definition{
	Name:     "hot",
	Severity: Service,
	Summary:  "A battery is too hot.",
	Detected: "Its temperature is over the limit (50 °C: charging is stopped there, common practice, no source) for two minutes.",
	Causes: []string{
		HotSun:    "heat of the place: sun on the box, exhaust, no air",
		HotCharge: "overcharging: charge voltage too high, or a battery that takes current without filling",
		HotCell:   "a shorted cell that turns charge into heat",
	},
	NextCheck:  "Take the feed off and let it cool. Look at the charge voltage and at whether one battery is hotter than the other. Heat halves a battery's life for each 10 °C: give the box shade and air.",
	Clears:     "Under the clearing limit for ten minutes.",
	Hysteresis: "Two minutes before it is raised; clears at the lower limit.",
	Bound:      "5 min",
	Settings:   []string{"findings.hot_c", "findings.hot_clear_c"},
	Under:      []string{"feed-high", "battery-failed"},
	Own:        true,
}
