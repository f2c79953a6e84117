package ads1115_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/sensors"
	"liftbank/sensors/ads1115"
	"liftbank/sim/board"
)

// Through the port: each input at its own range and rates, in volts.
func TestPort(t *testing.T) {
	b := newBench(board.Options{})
	chip := ads1115.Over(b.dev)
	inputs := []sensors.Input{
		&ads1115.Input{
			Mux:       ads1115.AIN1,
			FullScale: ads1115.Range0V256,
			RestRate:  ads1115.SPS8,
			RunRate:   ads1115.SPS860,
		},
		&ads1115.Input{
			Mux:       ads1115.AIN0AIN3,
			FullScale: ads1115.Range4V096,
			RestRate:  ads1115.SPS128,
			RunRate:   ads1115.SPS250,
		},
		&ads1115.Input{
			Mux:       ads1115.AIN3,
			FullScale: ads1115.Range0V256,
			RestRate:  ads1115.SPS128,
			RunRate:   ads1115.SPS250,
		},
	}
	require.NoError(t, chip.Use(inputs))
	want := []sensors.Sample{{PinV: 0.2}, {PinV: -0.3}, {PinV: 0.256, Fault: sensors.Saturated}} // AIN3 has 0.4 V
	for i, in := range inputs {
		for _, m := range []sensors.Mode{sensors.AtRest, sensors.InRun} {
			begin := b.clock.now
			require.NoError(t, chip.Start(i, m))
			got, err := chip.Read(t.Context())
			require.NoError(t, err)
			assert.InDelta(t, want[i].PinV, got.PinV, 63e-6)
			assert.Equal(t, want[i].Fault, got.Fault)
			nominal, longest := in.Time(m)
			assert.Equal(t, longest, b.clock.now-begin)
			assert.Greater(t, longest, nominal)
		}
	}
	nominal, _ := inputs[0].Time(sensors.AtRest)
	assert.Equal(t, 125*time.Millisecond, nominal)
}

type foreign struct{ sensors.Input }

func (foreign) Name() string { return "in0" }

func TestInputOfAnotherChip(t *testing.T) {
	err := ads1115.Over(newBench(board.Options{}).dev).Use([]sensors.Input{foreign{}})
	assert.EqualError(t, err, "ads1115: input in0: ads1115_test.foreign: want an input of this chip")
}

// The ends of what can be at a pin, with a supply of 5.5 V at the most.
func TestRange(t *testing.T) {
	for _, tt := range []struct {
		mux       ads1115.Mux
		fs        ads1115.FullScale
		low, high float64
	}{
		{ads1115.AIN0, ads1115.Range4V096, 0, 4.096}, {ads1115.AIN2AIN3, ads1115.Range0V256, -0.256, 0.256},
		{ads1115.AIN3, ads1115.Range6V144, 0, 5.5}, {ads1115.AIN0AIN1, ads1115.Range6V144, -5.5, 5.5},
	} {
		low, high := (&ads1115.Input{Mux: tt.mux, FullScale: tt.fs}).Range()
		assert.Equal(t, []float64{tt.low, tt.high}, []float64{low, high}, "%v %v", tt.mux, tt.fs)
	}
}

// By hand from the data sheet's table of noise (peak to peak over 6.6) and its limits: 3 steps,
// 0.15 % at 2.048 V, 0.1 % more between ranges.
func TestClass(t *testing.T) {
	in := &ads1115.Input{
		Mux:       ads1115.AIN0,
		FullScale: ads1115.Range4V096,
		RestRate:  ads1115.SPS128,
		RunRate:   ads1115.SPS860,
	}
	want := func(stepUV, noiseUV, zeroUV, gain float64, got sensors.Class) {
		t.Helper()
		assert.InDelta(t, stepUV, got.StepSize*1e6, 1e-6)
		assert.InDelta(t, noiseUV, got.Noise*1e6, 0.005)
		assert.InDelta(t, zeroUV, got.ZeroError*1e6, 1e-6)
		assert.InDelta(t, gain, got.GainError, 1e-9)
	}
	want(125, 18.94, 375, 0.0025, in.Class(sensors.AtRest))
	want(125, 40.44, 375, 0.0025, in.Class(sensors.InRun))
	in.FullScale = ads1115.Range2V048
	want(62.5, 9.47, 187.5, 0.0015, in.Class(sensors.AtRest))
	in.FullScale = ads1115.Range0V256
	want(7.8125, 1.87, 23.4375, 0.0025, in.Class(sensors.AtRest))
	want(7.8125, 5.43, 23.4375, 0.0025, in.Class(sensors.InRun))
}
