package finding

// Causes of reversed, in the order of its catalogue entry.
const (
	ReversedClamped = iota
	ReversedCharged
)

// Reversed is a battery the wrong way round.
var Reversed = Definition{
	Name:     "reversed",
	Severity: Urgent,
	Summary:  "A battery is clamped the wrong way round.",
	Detected: "For three seconds the voltage at a battery's posts is below zero or next to nothing while the feed terminal or another battery shows the same through the cables (a sense wire that came off shows at one channel alone), or a battery's current is at the end of its sensor's range with the motor off and the bank pulled down.",
	Causes: []string{
		ReversedClamped: "the battery was put in the wrong way round: its terminals are mirrored, or the cables were changed over",
		ReversedCharged: "a battery charged in reverse after a deep discharge with the others",
	},
	NextCheck:  "Do not run the lift and do not charge. Open the disconnect. Measure each battery with your own meter at its posts, then look at the marks by the posts, not at the cable colours.",
	Clears:     "The battery's voltage the right way round for a minute.",
	Hysteresis: "Three seconds before it is raised, one minute before it clears.",
	Bound:      "10 s",
	Under:      []string{"series-wired"},
}
