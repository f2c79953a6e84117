package draw_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/draw"
	"liftbank/sim/scenario"
)

func errorsOf(style draw.Style, seed uint64) map[string]scenario.SensorError {
	sc := scenario.Default()
	draw.Sensors(&sc, style, seed, rand.New(rand.NewPCG(seed, 1)))
	all := map[string]scenario.SensorError{}
	for _, e := range sc.Sensors.Errors {
		all[e.Channel] = e
	}
	return all
}

// Every error of a style at limits is as large as the class allows, with both signs.
func TestSensorsAreAtTheLimitsOfTheirClass(t *testing.T) {
	limits := map[string][2]float64{
		"voltage-a": {0.010, 1}, "voltage-b": {0.010, 1}, "current-a": {0.2, 1}, "current-b": {0.2, 1},
		"negative-b": {0.010, 1},
		"feed":       {0.010, 1}, "motor": {0.010, 1}, "temperature-a": {1, 0}, "temperature-b": {1, 0},
	}
	for style, without := range map[draw.Style][]string{
		draw.FullLimits: {"temperature-a", "temperature-b"}, draw.LibraryThenFull: nil,
	} {
		positive := map[string]int{}
		for seed := range uint64(40) {
			got := errorsOf(style, seed)
			require.Len(t, got, len(limits)-len(without), style)
			for channel, e := range got {
				assert.Equal(t, limits[channel], [2]float64{math.Abs(e.Offset), math.Abs(e.GainPct)}, "%s %s", style,
					channel)
				assert.Positive(t, e.NoiseRMS)
				if e.Offset > 0 {
					positive[channel]++
				}
			}
		}
		for channel, n := range positive {
			assert.True(t, n > 5 && n < 35, "%s %s: %d of 40 positive", style, channel, n)
		}
	}
}

// Published results are quoted with their seeds: a seed's draw never changes. These are the signs
// that the table of the estimator was made with.
func TestADrawNeverChanges(t *testing.T) {
	got := errorsOf(draw.LibraryLimits, 1)
	for channel, want := range map[string][2]float64{
		"voltage-a":     {0.01, 0},
		"current-a":     {0.2, 1},
		"temperature-a": {-1, 0},
		"voltage-b":     {-0.01, 0},
		"current-b":     {-0.2, -1},
		"temperature-b": {1, 0},
		"feed":          {0.01, 0},
		"motor":         {0.01, 0},
	} {
		assert.Equal(t, want, [2]float64{got[channel].Offset, got[channel].GainPct}, channel)
	}
	assert.Empty(t, errorsOf(draw.Ideal, 1))
}
