package finding

// Causes of freeze-risk, in the order of its catalogue entry.
const (
	FreezeRiskLow = iota
	FreezeRiskCell
)

// FreezeRisk is electrolyte near its freezing point at this charge.
var FreezeRisk = Definition{
	Name:     "freeze-risk",
	Severity: Urgent,
	Summary:  "A battery may freeze: its acid is too weak for this cold.",
	Detected: "The battery's temperature is within the margin of the freezing point of its electrolyte at the charge worked out (specific gravity by charge: Battery Council table; freezing points: storage table of a vehicle manual and US Army TM-5-1185, the warmer of the published sets). A battery with a dead cell counts as empty.",
	Causes: []string{
		FreezeRiskLow:  "too little charge left for the weather",
		FreezeRiskCell: "a dead cell",
	},
	NextCheck:  "Charge it now, if it is not frozen already. A bulged case or ice inside: do not charge it, do not jump it; let it thaw and scrap it. A full battery does not freeze.",
	Clears:     "Two degrees more than the margin, by warmth or by charge, for half an hour.",
	Hysteresis: "Five minutes before it is raised; clears two degrees further off.",
	Bound:      "10 min",
	Settings:   []string{"findings.freeze_margin_c"},
	Under:      []string{"battery-failed", "bank-low", "bank-undercharged", "feed-lost", "feed-weak", "parked-drain", "balance-negative"},
	Own:        true,
}
