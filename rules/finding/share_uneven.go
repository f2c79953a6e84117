package finding

// Causes of share-uneven, in the order of its catalogue entry.
const (
	ShareUnevenLeads = iota
	ShareUnevenLink
	ShareUnevenBattery
)

// ShareUneven is one battery that works more than the others.
var ShareUneven = Definition{
	Name:     "share-uneven",
	Severity: Note,
	Summary:  "One battery works more than the others.",
	Detected: "In the motor runs of two days in a row this battery gave the set ratio over an even share or more, of at least 1 Ah a day in all. Same-post leads with links of half a milliohm give 1.10.",
	Causes: []string{
		ShareUnevenLeads:   "both leads of the load sit on this battery: the others work through the links",
		ShareUnevenLink:    "a link or joint to another battery holds its share back",
		ShareUnevenBattery: "another battery has more resistance: older, colder or tired",
	},
	NextCheck:  "Look where the two load leads sit: plus on one end battery, minus on the other. Then compare the links' figures and the batteries' resistances on this sheet.",
	Clears:     "A day's runs with a share under the clearing ratio.",
	Hysteresis: "A whole day's runs each time; clears at the lower ratio.",
	Bound:      "7 days",
	Settings:   []string{"findings.share_ratio", "findings.share_clear_ratio"},
	Under:      []string{"link-resistive", "battery-failed", "battery-tired", "series-wired"},
}
