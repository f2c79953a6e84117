package finding

// Causes of feed-high, in the order of its catalogue entry.
const (
	FeedHighRegulator = iota
	FeedHighSetting
	FeedHighCompensation
)

// FeedHigh is a charge voltage above the temperature-corrected limit.
var FeedHigh = Definition{
	Name:     "feed-high",
	Severity: Urgent,
	Summary:  "The charge voltage is too high for these batteries at this temperature.",
	Detected: "With current flowing in, the lowest of the readings at the posts is over the upper absorption voltage of the chemistry (flooded and AGM 14.8 V, gel 14.4 V at 25 °C, handbooks, from memory), brought to the battery's temperature, by more than the margin for a minute.",
	Causes: []string{
		FeedHighRegulator:    "converter's regulator failed: it stays high whatever the bank does",
		FeedHighSetting:      "charge voltage set for another chemistry, or for equalising",
		FeedHighCompensation: "temperature compensation missing, or its sensor off: high in the heat",
	},
	NextCheck:  "Measure at the posts with the feed on. Over 15 V in warm weather: take the feed off (wake line or charge breaker) and keep sparks away: the batteries give off hydrogen. Then look at the converter's setting and temperature sensor. Check the level of flooded batteries.",
	Clears:     "Charge voltage back under the limit for two minutes with current flowing.",
	Hysteresis: "One minute over before it is raised, two under before it clears.",
	Bound:      "10 s after the minute over the limit",
	Settings:   []string{"findings.feed_high_margin_v"},
	Under:      []string{"series-wired"},
}
