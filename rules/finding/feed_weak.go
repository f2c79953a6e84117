package finding

// Causes of feed-weak, in the order of its catalogue entry.
const (
	FeedWeakLead = iota
	FeedWeakCable
	FeedWeakConverter
	FeedWeakAlternator
)

// FeedWeak is a feed path that holds back what the bank wants.
var FeedWeak = Definition{
	Name:     "feed-weak",
	Severity: Service,
	Summary:  "The feed is there, but the bank gets far less than it would take.",
	Detected: "With the feed on, the current into the bank stays under the set part of what this converter can give (its rating, or the most it has been seen to give), and either more than the limit is lost between the converter and the bank's posts, or the bank stands under 13.3 V at 25 °C, where a charging bank takes all that comes.",
	Causes: []string{
		FeedWeakLead:       "lug, charge breaker or lead between converter and bank loose or corroded",
		FeedWeakCable:      "tractor's cable or plug: corroded pins, or a cable too thin, so that the converter pulls its input down",
		FeedWeakConverter:  "converter set too low, derating in heat, or one of its phases failed",
		FeedWeakAlternator: "tractor's own charging weak",
	},
	NextCheck:  "With a low bank and the feed on, measure at the converter's output and at the battery posts: more than half a volt between them is in breaker, lugs or leads. Nothing between them: measure the converter's input under load. If it falls towards 11 V, go back along the cable, plug first, and feel for warm joints.",
	Clears:     "The bank taking four fifths of what the converter can give, for a quarter of a minute.",
	Hysteresis: "Five minutes before it is raised; it clears only when the bank is seen to take what it should.",
	Bound:      "1 h of feed into a bank that is low",
	Settings:   []string{"feed.rated_a", "findings.feed_weak_drop_v", "findings.feed_weak_part_pct"},
	Under:      []string{"series-wired", "reversed"},
}
