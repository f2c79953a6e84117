package finding

// BankUndercharged is a bank that does not get full for days.
var BankUndercharged = Definition{
	Name:     "bank-undercharged",
	Severity: Service,
	Summary:  "The bank has not been fully charged for days; lead-acid batteries sulphate when left short of charge.",
	Detected: "No charge was seen to its end (charge voltage held for half an hour, and a current fallen so far that at most 3 % can be missing: about a fortieth of the capacity at 14.4 V) for the set number of days (7: published advice for partial charge is a full one every 7 to 14 days, from memory), or the state of charge, its uncertainty added, stayed under the set percentage for days.",
	Causes: []string{
		"drives too short for the lifts made",
		"a feed that delivers less than it should: drop in the cable, plug or breaker, charge voltage set low",
		"a battery that no longer takes a full charge",
	},
	NextCheck: "Put a charger on until the current stays under 2 A for a 100 Ah battery, and see whether the finding clears. Then compare hours of feed with lifts a day.",
	Clears:    "A charge seen to its end.",
}
