package finding

// Causes of balance-negative, in the order of its catalogue entry.
const (
	BalanceNegativeIdle = iota
	BalanceNegativeWake
	BalanceNegativeFeed
	BalanceNegativeDuty
)

// BalanceNegative is a duty that takes more than the feed gives.
var BalanceNegative = Definition{
	Name:     "balance-negative",
	Severity: Service,
	Summary:  "On this duty the bank loses charge day by day.",
	Detected: "From midnight to midnight of working days the charge, each night known to 4 %, fell by the set amount or more over three of them, to under the set level. What lifts took and the feed brought, as counted, must not speak against it. Parked days and the first days after a full charge do not count. The day on which it falls under the voltage for service, and how many more hours of charge a day would hold it, follow from the same figures.",
	Causes: []string{
		BalanceNegativeIdle: "tractor runs too short for the lifts made",
		BalanceNegativeWake: "wake line does not come on although the unit works",
		BalanceNegativeFeed: "feed weaker than it should be",
		BalanceNegativeDuty: "more lifts than the unit was fitted for",
	},
	NextCheck:  "Compare hours of charge with lifts a day. Short of charge: leave the tractor running at stops, or put the unit on a charger overnight. No wake line at all on working days: follow the ignition wire to the converter.",
	Clears:     "A working day without loss, or charge back over 95 %.",
	Hysteresis: "Three working days before it is raised.",
	Bound:      "4 working days",
	Settings:   []string{"findings.balance_fall_pct", "findings.balance_under_pct"},
	Under:      []string{"feed-lost", "feed-weak", "battery-failed", "motor-stuck", "series-wired"},
}
