package config_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config"
	"liftbank/rules"
)

func thresholds(c config.Config) rules.Thresholds {
	return rules.Thresholds{
		FeedAllowance: c.Feed.Allowance, FeedLostAfter: c.Findings.FeedLostAfter, FeedPresentV: c.Feed.PresentV, FeedPresentA: c.Feed.PresentA,
		BankLowV: c.Findings.BankLowV, BankLowClearV: c.Findings.BankLowClearV, RestTime: c.Findings.RestTime,
		UnderchargedAfter: c.Findings.UnderchargedAfter, UnderchargedPct: c.Findings.UnderchargedSoCPct, UnderchargedHold: c.Findings.UnderchargedSoCTime,
		SeriesV: c.Findings.SeriesV, SenseFaultAfter: c.Findings.SenseFaultAfter,
	}
}

// The file's defaults and those of the rules are written in two places; they must not part.
func TestDefaultsAreThoseOfTheRules(t *testing.T) {
	assert.Equal(t, rules.DefaultThresholds(), thresholds(config.Default()))
}

func TestLeastMotorVoltageIsThatOfTheRules(t *testing.T) {
	assert.Equal(t, rules.DefaultLeastMotorV, config.Default().Motor.LeastV)
}

// What the file accepts at its extremes, the rules must accept too.
func TestExtremesPassTheRules(t *testing.T) {
	for _, extreme := range []string{
		`feed: {allowance: 0s, present_v: 12.9, present_a: 0.1}
findings: {feed_lost_after: 1s, bank_low_v: 11.5, rest_time: 10m, undercharged_after: 1h, undercharged_soc_pct: 10,
  undercharged_soc_time: 1h, series_v: 16.5, sense_fault_after: 1s}
`, `feed: {allowance: 1h, present_v: 15, present_a: 20}
findings: {feed_lost_after: 24h, bank_low_v: 12.9, bank_low_clear_v: 13, rest_time: 24h, undercharged_after: 90d, undercharged_soc_pct: 95,
  undercharged_soc_time: 90d, series_v: 23, sense_fault_after: 1h}
`} {
		c, err := config.Parse("x.yaml", []byte(small(t)+extreme))
		require.NoError(t, err)
		assert.NoError(t, thresholds(c).Validate())
	}
}
