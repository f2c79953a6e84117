package config_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config"
	"liftbank/rules"
	"liftbank/rules/detect"
	"liftbank/rules/leadacid"
)

// The names that a file may take out of service are those of the catalog.
func TestNamesOfFindings(t *testing.T) {
	for _, d := range detect.Catalog() {
		c, err := config.Parse("x.yaml", []byte(small(t)+"findings: {out_of_service: ["+d.Name+"]}\n"))
		require.NoError(t, err)
		assert.Equal(t, []string{d.Name}, c.OutOfService)
		for _, setting := range d.Settings {
			_, ok := config.Describe(setting)
			assert.True(t, ok, "%s: %s", d.Name, setting)
		}
	}
	_, err := config.Parse("x.yaml", []byte(small(t)+"findings:\n  out_of_service:\n    - feed-lots\n"))
	require.Error(t, err)
	assert.Contains(t, err.Error(), "findings.out_of_service[0]: feed-lots: want the name of a finding")
}

// Every limit of the rules is a field of the file with the default that the rules have, and no two
// have one path.
func TestEveryLimitIsAField(t *testing.T) {
	seen := map[string]bool{}
	for _, l := range rules.Limits() {
		a := l.Describe()
		assert.False(t, seen[a.Path], a.Path)
		seen[a.Path] = true
		d, ok := config.Describe(a.Path)
		require.True(t, ok, a.Path)
		assert.Contains(t, d.Doc, a.Origin.String(), a.Path)
		c := config.Default()
		assert.Equal(t, l.Value(), c.Limits.Of(a.Path), a.Path)
		assert.Empty(t, c.Limits.Values())
	}
}

// What the file accepts at its extremes, the rules must accept too.
func TestExtremesPassTheRules(t *testing.T) {
	for _, extreme := range []string{
		`feed: {allowance: 0s, present_v: 12.9, present_a: 0.1}
findings: {feed_lost_after: 1s, bank_low_v: 11.5, rest_time: 10m, undercharged_after: 1h, undercharged_soc_pct: 10,
  undercharged_soc_time: 1h, series_v: 16.5, sense_fault_after: 1s,
  feed_weak_drop_v: 0.1, feed_weak_part_pct: 10, feed_high_margin_v: 0, balance_fall_pct: 1, balance_under_pct: 20,
  share_ratio: 1.03,
  share_clear_ratio: 1, link_mohm: 0.2, post_mohm: 0.2, circulating_a: 0.1, circulating_clear_a: 0.01,
  motor_drop_v: 0.05, hungry_ratio: 1.05,
  starved_ratio: 0.2, overrun_relief: 1s, overrun_run: 2s, parked_part_pct: 2, parked_time: 24h, freeze_margin_c: 0,
  hot_c: 30, hot_clear_c: 20,
  clock_unsure_after: 1s, max_shelving: 1m}
`, `feed: {allowance: 1h, present_v: 15, present_a: 20}
findings: {feed_lost_after: 24h, bank_low_v: 12.9, bank_low_clear_v: 13, rest_time: 24h, undercharged_after: 90d,
  undercharged_soc_pct: 95,
  undercharged_soc_time: 90d, series_v: 23, sense_fault_after: 1h,
  feed_weak_drop_v: 3, feed_weak_part_pct: 79, feed_high_margin_v: 2, balance_fall_pct: 50, balance_under_pct: 100,
  share_ratio: 4,
  share_clear_ratio: 3.9, link_mohm: 20, post_mohm: 20, circulating_a: 50, circulating_clear_a: 49, motor_drop_v: 5,
  hungry_ratio: 3,
  starved_ratio: 0.95, overrun_relief: 59m, overrun_run: 1h, parked_part_pct: 100, parked_time: 365d,
  freeze_margin_c: 20, hot_c: 80,
  hot_clear_c: 79, clock_unsure_after: 30d, max_shelving: 366d}
service: {lift_cycles: 1000000, motor_time: 10000h}
motor: {run_a: 500}
`} {
		c, err := config.Parse("x.yaml", []byte(small(t)+extreme))
		require.NoError(t, err)
		of := rules.Config{
			Batteries: []rules.BatteryConfig{
				{ID: "a", Chemistry: leadacid.Flooded, RatedAh: 100, RatedCCA: 900},
			}, Limits: c.Limits.Values(),
		}
		assert.NoError(t, of.Validate())
	}
}
