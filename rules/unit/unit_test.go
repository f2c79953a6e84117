package unit_test

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/unit"
)

func TestEveryChannelHasItsOwnReading(t *testing.T) {
	var s unit.Scan
	seen := map[*unit.Reading]unit.Channel{}
	for c := range unit.Channel(unit.Channels) {
		r := s.Reading(c)
		_, twice := seen[r]
		assert.False(t, twice, c)
		seen[r] = c
		assert.Equal(t, c, unit.ChannelOf(c.Signal(), max(c.Battery(), 0)))
	}
	assert.Same(t, &s.Battery[2].CurrentA, s.Reading(unit.ChannelOf(unit.BatteryCurrent, 2)))
	assert.Equal(t, -1, unit.Motor.Battery())
}

func TestTextsAreSavedByTheirID(t *testing.T) {
	text, err := json.Marshal(unit.Saved{Text: unit.BusStuck.Text()})
	require.NoError(t, err)
	assert.JSONEq(t, `"quality.bus-stuck"`, string(text))
	var back unit.Saved
	require.NoError(t, json.Unmarshal(text, &back))
	assert.Same(t, unit.BusStuck.Text(), back.Text)
	require.NoError(t, json.Unmarshal([]byte(`"quality.that-was"`), &back))
	assert.Nil(t, back.Text)
	require.NoError(t, json.Unmarshal([]byte(`""`), &back))
	assert.Empty(t, back.Said())
	assert.Error(t, json.Unmarshal([]byte(`7`), &back))
	assert.Panics(t, func() { unit.Says("quality.bus-stuck", "another") })
}

func TestOwnVoltage(t *testing.T) {
	good := func(v float64) unit.Reading { return unit.Reading{Value: v, Quality: unit.Good} }
	b := unit.Battery{VoltageV: good(12.5), NegativeV: good(0.1)}
	assert.InDelta(t, 12.4, b.OwnV().Value, 1e-12)
	b.NegativeV.Quality = unit.BusStuck
	assert.InDelta(t, 12.5, b.OwnV().Value, 1e-12)
}

func TestClasses(t *testing.T) {
	c := unit.DefaultClasses()
	assert.Equal(t, unit.DefaultClass(unit.BatteryCurrent), c.Of(unit.BatteryCurrent, 3))
	assert.Equal(t, unit.DefaultClass(unit.MotorVoltage), c[unit.Motor])
	fine := unit.SensorClass{Step: 0.0001, Noise: 0.0002, Zero: 0.001, Gain: 0.001}
	var own unit.Classes
	own[unit.ChannelOf(unit.BatteryVoltage, 1)] = fine
	own = own.OrDefault()
	assert.Equal(t, fine, own.Of(unit.BatteryVoltage, 1))
	assert.Equal(t, c.Of(unit.BatteryVoltage, 0), own.Of(unit.BatteryVoltage, 0))
	assert.Equal(t, c.Of(unit.BatteryVoltage, 0), own.Worst(unit.BatteryVoltage, 2))
	assert.InDelta(t, 0.15, unit.SensorClass{Zero: 0.01, Gain: 0.01}.ReadLow(-14), 1e-12)
}

// What a unit is taken to have that does not say the class of its sensors: a thermistor right within 1 °C, a
// transducer of 250 bar within 1 % (common practice, no source).
func TestUsualClassesOfWhatIsNoTap(t *testing.T) {
	for _, s := range []unit.Signal{unit.BatteryTemp, unit.AmbientTemp} {
		assert.Equal(t, unit.SensorClass{Noise: 0.1, Zero: 1}, unit.DefaultClass(s))
	}
	assert.Equal(t, unit.SensorClass{Step: 0.02, Noise: 0.5, Zero: 2.5, Gain: 0.02}, unit.DefaultClass(unit.OilPressure))
}
