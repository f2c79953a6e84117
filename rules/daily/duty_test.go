package daily_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/rules/daily"
)

// A week of days makes the duty known; after four weeks the older days count less and less, and days on
// which nobody watched count as parked.
func TestDuty(t *testing.T) {
	var d daily.Duty
	runs, motor := uint64(400), 10*time.Hour
	day := func(days int64, n uint64) {
		runs, motor = runs+n, motor+time.Duration(n)*10*time.Second
		d.Over(days, runs, motor)
	}
	day(1, 50) // only its end was seen
	assert.Zero(t, d.RunsPerDay)
	for range 6 {
		day(1, 20)
	}
	assert.False(t, d.Known())
	day(1, 20)
	require.True(t, d.Known())
	assert.InDelta(t, 20, d.RunsPerDay, 1e-9)
	assert.InDelta(t, 200, d.MotorS, 1e-9)
	day(7, 0)
	assert.InDelta(t, 10, d.RunsPerDay, 1e-9, "parked for a week")
	for range 28 * 5 {
		day(1, 30)
	}
	assert.InDelta(t, 30, d.RunsPerDay, 0.3)
	kept := d
	d.Over(1, 3, motor)
	assert.InDelta(t, kept.RunsPerDay, d.RunsPerDay, 0, "a count that went back says nothing")
	require.NoError(t, d.Check())
	for _, bad := range []daily.Duty{{Days: 29}, {Days: -1}, {RunsPerDay: math.NaN()}, {MotorS: -1}} {
		require.Error(t, bad.Check())
	}
}

// Whatever days are played, the mean lies between the least and the most of a day.
func TestDutyIsAMean(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var d daily.Duty
		runs, low, high := uint64(0), math.Inf(1), 0.0
		d.Over(1, 0, 0)
		for range rapid.IntRange(1, 60).Draw(rt, "days") {
			days := rapid.Int64Range(1, 90).Draw(rt, "length")
			n := rapid.Uint64Range(0, 300).Draw(rt, "runs")
			runs += n
			d.Over(days, runs, time.Duration(runs)*time.Second)
			low, high = min(low, float64(n)/float64(days)), max(high, float64(n)/float64(days))
			require.NoError(rt, d.Check())
			require.GreaterOrEqual(rt, d.RunsPerDay, low-1e-9)
			require.LessOrEqual(rt, d.RunsPerDay, high+1e-9)
			require.InDelta(rt, d.RunsPerDay, d.MotorS, 1e-6)
		}
	})
}
