package finding

// FeedLost is a feed that does not come although it is asked for.
var FeedLost = Definition{
	Name:     "feed-lost",
	Severity: Urgent,
	Summary:  "The wake line is on, but no charge reaches the bank.",
	Detected: "The wake line is on, and for longer than the converter may take to come up there is neither a charger's voltage ahead of the charge breaker nor current into the bank. Nothing is judged while the motor runs.",
	Causes: []string{
		"charge breaker or fuse open, at the tractor or in the battery box",
		"plug between tractor and trailer not seated, pin corroded or cable broken",
		"converter without input, or failed",
		"converter's earth (ground) lead loose",
	},
	NextCheck: "With the wake line on, measure at the converter's input, then at its output. Input missing: go back towards the tractor, breaker and plug first. Input there and no output: check its wake terminal and earth lead, then the converter.",
	Clears:    "A charger's voltage ahead of the charge breaker, or current into the bank, for a minute. With the wake line off it stays as it was: nothing says that it is mended.",
}
