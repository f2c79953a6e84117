package metrics_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/agent/snapshot"
)

// What a channel has moved by since its calibration has a name with its unit, and none without one.
func TestMovedSinceCalibration(t *testing.T) {
	s := sample(t, "healthy")
	amps, volts := 0.12, -0.03
	at := time.Date(2026, 3, 9, 10, 0, 0, 0, time.UTC)
	s.Channels = []snapshot.Channel{
		{Name: "battery_current_a", Unit: "A", Calibration: &snapshot.Calibration{At: &at, Moved: snapshot.Estimate{Value: &amps}}},
		{Name: "battery_voltage_a", Unit: "V", Calibration: &snapshot.Calibration{At: &at, Moved: snapshot.Estimate{Value: &volts}}},
		{Name: "battery_voltage_b", Unit: "V", Calibration: &snapshot.Calibration{}},
		{Name: "feed_voltage", Unit: "V"},
	}
	text := ours(t, expositionOf(s, &clock{}))
	assert.Contains(t, text, `liftbank_channel_moved_amperes{channel="battery_current_a"} 0.12`)
	assert.Contains(t, text, `liftbank_channel_moved_volts{channel="battery_voltage_a"} -0.03`)
	for _, none := range []string{`moved_volts{channel="battery_voltage_b"}`, `moved_volts{channel="feed`, `moved_volts{channel="battery_current`} {
		assert.NotContains(t, text, none)
	}
}
