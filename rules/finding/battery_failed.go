package finding

// Causes of battery-failed, in the order of its catalogue entry.
const (
	BatteryFailedAge = iota
	BatteryFailedCell
	BatteryFailedSulphation
)

// BatteryFailed is a battery under the replacement limit, or with a dead cell.
var BatteryFailed = Definition{
	Name:     "battery-failed",
	Severity: Urgent,
	Summary:  "This battery is done: it no longer gives what it must, or a cell is dead.",
	Detected: "Cold cranking capability or capacity under 60 % of rated beyond its uncertainty over 20 motor runs or more (about there a battery no longer passes the half-CCA load test of vehicle service manuals), or the signs of a dead cell: it points 2 V low, or takes current while the motor pulls its posts down.",
	Causes: []string{
		BatteryFailedAge:        "worn out: plates shed or corroded",
		BatteryFailedCell:       "a cell shorted or open",
		BatteryFailedSulphation: "hard sulphation after standing discharged",
	},
	NextCheck:  "Charge the bank, let it rest, then test this battery alone, its cables off (lock out first). Flooded: measure every cell; one that stands 0.050 or more under the others is dead. Replace it; a new battery beside a much older one wears out early.",
	Clears:     "The battery's figures back over the limit, as after a replacement.",
	Hysteresis: "20 runs, and one standard uncertainty under the limit before it is raised, one over it before it clears.",
	Bound:      "30 motor runs; a dead cell 3 runs on a charged bank",
	Under:      []string{"series-wired", "reversed"},
}
