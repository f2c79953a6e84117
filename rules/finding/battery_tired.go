package finding

// Causes of battery-tired, in the order of its catalogue entry.
const (
	BatteryTiredAge = iota
	BatteryTiredSulphation
	BatteryTiredLevel
)

// BatteryTired is a battery under the service limit.
var BatteryTired = Definition{
	Name:     "battery-tired",
	Severity: Service,
	Summary:  "This battery gives under four fifths of what it was rated.",
	Detected: "Cold cranking capability, worked out from its resistance in 20 motor runs or more, or capacity learnt from deep swings, is under 80 % of rated beyond its uncertainty (replace at 80 % of capacity: US Bureau of Reclamation storage battery guide, IEEE Std 450).",
	Causes: []string{
		BatteryTiredAge:        "worn: it has done its years and cycles",
		BatteryTiredSulphation: "sulphation from being left short of charge",
		BatteryTiredLevel:      "electrolyte low (flooded), or dried out (valve-regulated)",
	},
	NextCheck:  "Charge it fully, let it rest and test it by itself. Flooded: check the level first and fill after charging. Still under four fifths: plan its replacement; look whether its neighbour is as old.",
	Clears:     "The battery's figures back over the limit by their uncertainty.",
	Hysteresis: "20 runs before it is raised; it clears one standard uncertainty over the limit.",
	Bound:      "30 motor runs",
	Under:      []string{"battery-failed"},
	Own:        true,
}
