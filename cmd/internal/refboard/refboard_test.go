package refboard_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config"
	"liftbank/cmd/internal/refboard"
	"liftbank/cmd/internal/rig"
	"liftbank/cmd/scenariofile"
	"liftbank/rules/unit"
	"liftbank/sensors/ads1115"
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

// On strings the posts stand at up to 33 V, as a cold charger holds them; each tap, the feed's and the
// motor's stay in their input's range and under the chip's supply there. A string has one current sensor.
func TestTapsOfStringsReachTheirPosts(t *testing.T) {
	const mostV, supplyV, groundV = 33.0, 3.3, 2.5
	for layout, upper := range map[string][]string{scenario.Series: {"b"}, scenario.SeriesPairs: {"b", "d"}} {
		sc := scenario.DefaultFor(layout)
		sc.Complete()
		c, err := refboard.Config(&sc, "one", refboard.Options{})
		require.NoError(t, err)
		assert.Equal(t, layout, string(c.Bank.Layout))
		var sensors []string
		middles := 0
		for _, ch := range c.Board.Channels {
			switch ch.Signal {
			case config.BatteryCurrent:
				sensors = append(sensors, ch.Battery)
			case config.BatteryVoltage, config.FeedVoltage, config.MotorVoltage, config.BatteryNegative:
				front, err := rig.FrontEnd(&ch.Scale)
				require.NoError(t, err)
				v := mostV
				if ch.Signal == config.BatteryNegative {
					if v = groundV; slices.Contains(upper, ch.Battery) {
						v = mostV / 2
						middles++
					}
				}
				pin := front.PinV(v)
				assert.Less(t, pin, supplyV-0.1, ch.Name())
				assert.Less(t, pin, ch.Input.(*ads1115.Input).FullScale.MaxV(), ch.Name())
			}
		}
		assert.Equal(t, []string{"a", "c"}[:len(upper)], sensors)
		assert.Len(t, upper, middles)
	}
}

// What is written of a simulated unit passes the check of who writes a configuration: batteries of different
// kinds are said to be known.
func TestEachScenarioPassesTheCheck(t *testing.T) {
	files, err := scenario.Library.ReadDir("library")
	require.NoError(t, err)
	mixed := 0
	for _, f := range files {
		name := strings.TrimSuffix(f.Name(), ".yaml")
		sc, err := scenariofile.Load(name)
		require.NoError(t, err, name)
		c, err := config.Check(name, []byte(refboard.YAML(&sc, "one", refboard.Options{})))
		require.NoError(t, err, name)
		assert.Equal(t, len(c.Bank.Unlike()) > 0, c.Bank.Mixed, name)
		if c.Bank.Mixed {
			mixed++
		}
	}
	assert.Positive(t, mixed)
}
