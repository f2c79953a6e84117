package draw_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/draw"
	"liftbank/sim/scenario"
)

func errorsOf(style draw.Style, seed uint64) map[string]scenario.SensorError {
	sc := scenario.Default()
	draw.Sensors(&sc, style, seed)
	all := map[string]scenario.SensorError{}
	for _, e := range sc.Sensors.Errors {
		all[e.Channel] = e
	}
	return all
}

// limits are the classes of all channels of a unit with two batteries: offset and gain.
var limits = map[string][2]float64{
	"voltage-a": {0.010, 1}, "voltage-b": {0.010, 1}, "current-a": {0.2, 1}, "current-b": {0.2, 1},
	"negative-b": {0.010, 1},
	"feed":       {0.010, 1}, "motor": {0.010, 1}, "temperature-a": {1, 0}, "temperature-b": {1, 0},
}

// Every error at limits is as large as the class allows, with both signs.
func TestSensorsAreAtTheLimitsOfTheirClass(t *testing.T) {
	positive := map[string]int{}
	for seed := range uint64(40) {
		got := errorsOf(draw.Limits, seed)
		require.Len(t, got, len(limits))
		for channel, e := range got {
			assert.Equal(t, limits[channel], [2]float64{math.Abs(e.Offset), math.Abs(e.GainPct)}, channel)
			assert.Positive(t, e.NoiseRMS)
			if e.Offset > 0 {
				positive[channel]++
			}
		}
	}
	for channel, n := range positive {
		assert.True(t, n > 5 && n < 35, "%s: %d of 40 positive", channel, n)
	}
}

// Random errors fill the class, evenly.
func TestRandomSensorsFillTheirClass(t *testing.T) {
	const n = 500
	for channel, limit := range limits {
		var sum, squares, most float64
		for seed := range uint64(n) {
			x := errorsOf(draw.Random, seed)[channel].Offset / limit[0]
			sum, squares, most = sum+x, squares+x*x, max(most, math.Abs(x))
		}
		assert.InDelta(t, 0, sum/n, 5/math.Sqrt(3*n), channel)
		assert.InDelta(t, 1.0/3, squares/n, 5*math.Sqrt(4.0/45/n), channel) // variance of a uniform square: 4/45
		assert.True(t, most > 0.97 && most <= 1, "%s: %g", channel, most)
	}
}

func TestStyles(t *testing.T) {
	assert.Empty(t, errorsOf(draw.Ideal, 1))
	drifting, wandering := errorsOf(draw.Drifting, 1)["current-a"], errorsOf(draw.Wandering, 1)["current-a"]
	assert.NotZero(t, drifting.OffsetPerK)
	assert.NotZero(t, drifting.GainPctPerK)
	assert.Zero(t, drifting.WanderRMS)
	assert.Equal(t, 0.05, wandering.WanderRMS)
	assert.Zero(t, wandering.OffsetPerK)
	for k, style := range draw.Styles[:len(draw.Styles)-1] {
		assert.Equal(t, errorsOf(style, 10+uint64(k)), errorsOf(draw.Each, 10+uint64(k)), style)
	}
	_, err := draw.StyleNamed("perfect")
	require.EqualError(t, err, `sensors "perfect": want ideal, random, limits, drifting, wandering, each`)
	style, err := draw.StyleNamed("limits")
	require.NoError(t, err)
	assert.Equal(t, draw.Limits, style)
}

// Published results are quoted with their seeds: a seed's draw never changes.
func TestADrawNeverChanges(t *testing.T) {
	got := errorsOf(draw.Random, 1)
	for channel, want := range map[string][2]float64{
		"voltage-a": {0.0080620, -0.95539}, "current-a": {0.0375466, -0.78727}, "temperature-b": {-0.6394059, 0},
		"motor": {0.0042518, -0.43703},
	} {
		assert.InDeltaSlice(t, want[:], []float64{got[channel].Offset, got[channel].GainPct}, 1e-5, channel)
	}
}
