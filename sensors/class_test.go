package sensors_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/sensors"
	"liftbank/sensors/ads1115"
	"liftbank/sensors/calibration"
)

// All by hand. The chip: steps of 125 µV, 125 µV and 266.93 µV peak to peak of noise over 6.6, 3
// steps of offset, 0.15 % and 0.1 % of gain error (data sheet, 4.096 V, 128 and 860 SPS).
func TestClassOfAChannel(t *testing.T) {
	const noise, gain = 125e-6 / 6.6, 0.0025
	for _, tt := range []struct {
		name       string
		scale      calibration.Scale
		correction calibration.Correction
		want       sensors.Class
	}{
		{
			"divider by 11", calibration.Divider{TopOhm: 100e3, BottomOhm: 10e3}, calibration.Correction{},
			sensors.Class{StepSize: 1.375e-3, Noise: 11 * noise, ZeroError: 4.125e-3, GainError: gain},
		},
		{
			// 160 A/V around 1.65 V, which the gain error moves by 4.125 mV.
			"hall", calibration.Hall{ZeroV: 1.65, VPerA: -0.00625}, calibration.Correction{},
			sensors.Class{StepSize: 0.02, Noise: 160 * noise, ZeroError: 0.72, GainError: gain},
		},
		{
			// 0.25 mΩ with a gain of 20: 200 A/V.
			"shunt", calibration.Shunt{ShuntOhm: 0.00025, Gain: 20, ZeroV: 1.65}, calibration.Correction{},
			sensors.Class{StepSize: 0.025, Noise: 200 * noise, ZeroError: 0.9, GainError: gain},
		},
		{
			// 2 V of offset go through the chip with its gain error, and all is multiplied by 1.1.
			"divider with a correction", calibration.Divider{TopOhm: 100e3, BottomOhm: 10e3},
			calibration.Correction{OffsetAdd: -2, Gain: 1.1},
			sensors.Class{
				StepSize: 1.5125e-3, Noise: 12.1 * noise, ZeroError: 1.1 * (4.125e-3 + 0.005), GainError: gain,
			},
		},
		{
			// At 25 °C: 298.15² · 4 / (3950 · 3.3) = 27.2785 °C/V; 375 µV and 0.25 % of 1.65 V are
			// 4.5 mV.
			"thermistor", calibration.NTCBeta{R25Ohm: 10e3, BetaK: 3950, PullupOhm: 10e3, SupplyV: 3.3},
			calibration.Correction{},
			sensors.Class{StepSize: 27.2785 * 125e-6, Noise: 27.2785 * noise, ZeroError: 27.2785 * 4.5e-3},
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			cfg := sensors.Config{Schedule: sensors.DefaultSchedule(), Channels: []sensors.ChannelConfig{{
				Input: &ads1115.Input{
					Mux: ads1115.AIN0, FullScale: ads1115.Range4V096, RestRate: ads1115.SPS128, RunRate: ads1115.SPS860,
				},
				Scale: tt.scale, Correction: tt.correction,
			}}}
			b, err := sensors.New(cfg, []sensors.Chip{ads1115.New(nil, 0x48, nil)}, nil, &script{})
			require.NoError(t, err)
			got := b.Class(0, sensors.AtRest)
			assert.InEpsilon(t, tt.want.StepSize, got.StepSize, 1e-5)
			assert.InEpsilon(t, tt.want.Noise, got.Noise, 1e-5)
			assert.InEpsilon(t, tt.want.ZeroError, got.ZeroError, 1e-5)
			assert.InDelta(t, tt.want.GainError, got.GainError, 1e-12)
			assert.InEpsilon(
				t,
				266.93/125,
				b.Class(0, sensors.InRun).Noise/got.Noise,
				1e-9,
				"noise alone depends on the rate",
			)
			assert.Equal(t, got.StepSize, b.Class(0, sensors.InRun).StepSize)
		})
	}
}
