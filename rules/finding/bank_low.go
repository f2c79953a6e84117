package finding

// Causes of bank-low, in the order of its catalogue entry.
const (
	BankLowShort = iota
	BankLowDrain
	BankLowBattery
)

// BankLow is a bank whose rested voltage is under the service threshold.
var BankLow = Definition{
	Name:     "bank-low",
	Severity: Service,
	Summary:  "The rested bank is under the voltage at which a battery should be charged before anything else.",
	Detected: "With the bank at rest for at least an hour and settled to within 50 mV, the mean voltage at the batteries' own posts, brought to 25 °C, is under the threshold (12.4 V, common practice); until a full charge was seen, 70 mV under it, half of what a tap may read too little.",
	Causes: []string{
		BankLowShort:   "less charge than the lifts take: short drives, or a feed that does not deliver",
		BankLowDrain:   "something left on that drains the parked bank",
		BankLowBattery: "a weak battery that pulls the other down",
	},
	NextCheck:  "Charge the bank fully, let it rest, and read again. If it is low again within days, look at the feed first, then for a drain with everything off.",
	Clears:     "A rested voltage 50 mV over the threshold, or a charge seen to its end.",
	Hysteresis: "Ten minutes at rest before it is raised; clears 50 mV higher.",
	Bound:      "10 min after the rest is long enough",
	Settings:   []string{"findings.bank_low_v", "findings.bank_low_clear_v", "findings.rest_time"},
	Under:      []string{"feed-lost", "feed-weak", "bank-undercharged", "balance-negative", "parked-drain", "battery-failed", "motor-stuck", "series-wired"},
}
