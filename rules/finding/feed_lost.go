package finding

// Causes of feed-lost, in the order of its catalogue entry.
const (
	FeedLostBreaker = iota
	FeedLostPlug
	FeedLostConverter
	FeedLostEarth
	FeedLostLead
)

// FeedLost is a feed that does not come although it is asked for.
var FeedLost = Definition{
	Name:     "feed-lost",
	Severity: Urgent,
	Summary:  "The wake line is on, but no charge reaches the bank.",
	Detected: "The wake line is on, and for longer than the converter may take to come up neither a charger's voltage stands on the bank nor current flows into it. A charger's voltage ahead of the charge breaker counts for nothing while the bank stays well under it and takes no current: then it does not arrive. Nothing is judged while the motor runs.",
	Causes: []string{
		FeedLostBreaker:   "charge breaker or fuse open, at the tractor or in the battery box",
		FeedLostPlug:      "plug between tractor and trailer not seated, pin corroded or cable broken",
		FeedLostConverter: "converter without input, or failed",
		FeedLostEarth:     "converter's earth (ground) lead loose",
		FeedLostLead:      "lead from the converter to the bank off or broken",
	},
	NextCheck:  "With the wake line on, measure at the converter's input, then at its output. Input missing: go back towards the tractor, breaker and plug first. Input there and no output: check its wake terminal and earth lead, then the converter. Output there: charge breaker and leads to the bank.",
	Clears:     "A charger's voltage on the bank, or current into it, for a minute. With the wake line off it stays as it was: nothing says that it is mended.",
	Hysteresis: "Raised after feed.allowance and feed_lost_after, clears after one minute of feed.",
	Bound:      "10 min with the wake line on",
	Settings:   []string{"feed.allowance", "findings.feed_lost_after", "feed.present_v", "feed.present_a"},
	Under:      []string{"series-wired", "reversed"},
}
