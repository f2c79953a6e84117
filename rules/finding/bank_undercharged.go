package finding

// Causes of bank-undercharged, in the order of its catalogue entry.
const (
	BankUnderchargedShort = iota
	BankUnderchargedWeak
	BankUnderchargedBattery
	BankUnderchargedParked
)

// BankUndercharged is a bank that does not get full for days.
var BankUndercharged = Definition{
	Name:     "bank-undercharged",
	Severity: Service,
	Summary:  "The bank has not been fully charged for days; lead-acid batteries sulphate when left short of charge.",
	Detected: "No charge was seen to its end (absorption held for a quarter of an hour or float for half an hour, and a current fallen so far that at most 3 % can be missing: about a fortieth of the capacity at 14.4 V in the warm), nor was the charge worked out to be 97 % or more (known to 3 % it counts as full; known to 4 %, or known to 2 % and within that of it, or with under a hundredth of the capacity taken an hour at absorption voltage or less yet in float, as perhaps full, of which nothing is said), for the set number of days (7: published advice for partial charge is a full one every 7 to 14 days, from memory), or the state of charge, its uncertainty added, stayed under the set percentage for days.",
	Causes: []string{
		BankUnderchargedShort:   "drives too short for the lifts made",
		BankUnderchargedWeak:    "a feed that delivers less than it should: drop in the cable, plug or breaker, charge voltage set low",
		BankUnderchargedBattery: "a battery that no longer takes a full charge",
		BankUnderchargedParked:  "parked for long without a charger",
	},
	NextCheck:  "Put a charger on until the current stays under 2 A for a 100 Ah battery, and see whether the finding clears. Then compare hours of feed with lifts a day.",
	Clears:     "A full charge, seen to its end or worked out.",
	Hysteresis: "Once raised, only a full charge clears it.",
	Bound:      "when due",
	Settings:   []string{"findings.undercharged_after", "findings.undercharged_soc_pct", "findings.undercharged_soc_time"},
	Under:      []string{"feed-lost", "feed-weak", "balance-negative", "parked-drain", "motor-stuck", "series-wired"},
}
