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
