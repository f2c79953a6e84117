package refboard_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config"
	"liftbank/cmd/internal/refboard"
	"liftbank/rules/unit"
	"liftbank/sim/scenario"
)

// The current sensors take the largest inrush of the motors in use: 363 A, all of it from one
// battery, with a sensor that errs by its class. Their pin stays on 3.3 V and in the chip's range.
func TestCurrentSensorsTakeTheInrush(t *testing.T) {
	const inrushA, supplyV = 363.0, 3.3
	class := unit.DefaultClass(unit.BatteryCurrent)
	sc := scenario.Default()
	sc.Complete()
	c, err := refboard.Config(&sc, "one", refboard.Options{})
	require.NoError(t, err)
	seen := 0
	for _, ch := range c.Board.Channels {
		if ch.Signal != config.BatteryCurrent {
			continue
		}
		seen++
		most := inrushA*(1+class.Gain) + class.Zero
		assert.Greater(t, -ch.Min, most)
		assert.Greater(t, ch.Max, most)
		for _, a := range []float64{-most, most} {
			v := 1.65 + 0.0025*a
			assert.True(t, v > 0.1 && v < supplyV-0.1, "%g A: %g V at the pin", a, v)
		}
	}
	assert.Equal(t, len(sc.Bank.Batteries), seen)
	assert.InDelta(t, sc.BoardA, c.Limits.Of("board.own_draw_a"), 0)
}

// The error budget of README: what remains of a ±500 A Hall sensor of 2.5 mV/A on 3.3 V once its
// zero was read in at rest.
func TestErrorBudgetOfTheCurrentSensors(t *testing.T) {
	const (
		vPerA  = 0.0025
		lsbV   = 4.096 / 32768 // ADS1115, ±4.096 V (data sheet)
		driftA = 0.020         // A/K, of such sensors
		spanK  = 10            // between two looks at the zero, day and night
	)
	step := lsbV / vPerA
	assert.InDelta(t, 0.05, step, 1e-6)
	drift := driftA * spanK
	zero := math.Hypot(step/2, drift)
	class := unit.DefaultClass(unit.BatteryCurrent)
	assert.InDelta(t, class.Zero, zero, 0.01, "the class is what the budget gives")
}
