package finding

// Causes of link-resistive, in the order of its catalogue entry.
const (
	LinkResistiveJoint = iota
	LinkResistiveCable
	LinkResistiveOff
)

// LinkResistive is a link or joint over its limit.
var LinkResistive = Definition{
	Name:     "link-resistive",
	Severity: Service,
	Summary:  "A link or joint between the batteries has too much resistance.",
	Detected: "Worked out from how currents and voltages split in motor runs and charges: a link with its lugs is over its limit by three times the uncertainty of the figure (or, off, ten times over it by one), or a joint at a post over its own.",
	Causes: []string{
		LinkResistiveJoint: "clamp or lug loose or corroded",
		LinkResistiveCable: "cable corroded under its insulation, strands broken, or too thin",
		LinkResistiveOff:   "link off",
	},
	NextCheck:  "With the motor running, measure from post to post along the named link: over 0.1 V at one joint is too much. Lock out, take the joint apart, clean post and lug bright, tighten to the torque on the battery, protect it. Then watch a few lifts: the figure must fall.",
	Clears:     "The figure under five sixths of the limit by its uncertainty.",
	Hysteresis: "Figure less three times its standard uncertainty over the limit before it is raised; under five sixths, uncertainty added, before it clears.",
	Bound:      "10 motor runs",
	Settings:   []string{"findings.link_mohm", "findings.post_mohm"},
	Under:      []string{"series-wired"},
}
