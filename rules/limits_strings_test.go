package rules_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"

	"liftbank/rules"
	"liftbank/rules/limit"
)

// Volts are of the bank, its feed or its motor, and so many times as much in a string, or they are not: a new
// limit in V has to say.
func TestLimitsInVolts(t *testing.T) {
	ofBank := []string{
		"motor.least_v", "feed.present_v", "findings.bank_low_v", "findings.bank_low_clear_v", "findings.feed_low_margin_v",
		"findings.feed_high_margin_v", "findings.feed_weak_drop_v", "findings.motor_drop_v", "findings.series_v",
	}
	others := []string{
		"feed.least_input_v",  // the tractor's, whatever the bank
		"findings.reversal_v", // of one battery of a string
	}
	var got []string
	for _, l := range rules.Limits() {
		a := l.Describe()
		volts := slices.Contains(ofBank, a.Path) || slices.Contains(others, a.Path)
		assert.Equal(t, slices.Contains(ofBank, a.Path), a.OfBank, a.Path)
		if n, ok := l.(limit.Number); ok {
			assert.Equal(t, volts, n.Unit == "V", a.Path)
		}
		if a.OfBank {
			got = append(got, a.Path)
		}
	}
	assert.ElementsMatch(t, ofBank, got)
}
