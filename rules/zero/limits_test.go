package zero_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// clean returns two batteries whose zeros are known of a night's rest.
func clean() *bench {
	b := newBench(2)
	b.rests(14 * time.Hour)
	b.wakes()
	b.now += 10 * time.Hour
	return b
}

// Half an ampere is told as a fault of the sensor, after some hours, and is over below 0.4: a zero
// that wanders about the limit is not told each night.
func TestWhenAZeroIsToldAndOver(t *testing.T) {
	for off, want := range map[float64]bool{0.49: false, 0.68: true} {
		b := newBench(2)
		b.errA = only(0, off)
		b.rests(14 * time.Hour)
		assert.Equal(t, want, b.l.Off(0), "%g A", off)
	}
	b := newBench(2)
	b.errA = only(0, 0.9)
	b.rests(3*time.Hour + 50*time.Minute)
	assert.False(t, b.l.Off(0), "neighbors may still even out")
	b.goesOn(time.Hour)
	assert.True(t, b.l.Off(0))
	for _, next := range []struct {
		errA float64
		told bool
	}{{0.46, true}, {0.34, false}} {
		b.errA = only(0, next.errA)
		for range 4 {
			b.wakes()
			b.now += 12 * time.Hour
			b.rests(10 * time.Hour)
		}
		require.InDelta(t, next.errA, b.zero(0).Value, 0.03)
		assert.Equal(t, next.told, b.l.Off(0), "%g A", next.errA)
	}
}

// A solar panel of a few watts holds a bank up by 15 mV in half an hour; what a rest still rises
// after a load is less.
func TestAVoltageThatRises(t *testing.T) {
	for mv, learns := range map[float64]bool{11.7: true, 18: false} {
		b := newBench(2)
		b.volts, b.fallPerH = 12, -2*mv/1000
		b.errA = only(0, 0.6)
		b.rests(12 * time.Hour)
		assert.Equal(t, learns, b.zero(0).Value > 0.3, "%g mV: %+v", mv, b.zero(0))
	}
}

// Where sensors were sound last night, and one shows what the other takes, that flows: above 0.3 A for
// days, as into a leaking cell. What two sensors of ±0.2 A and some warmth can show may be either.
func TestWhatBeginsBetweenNeighbors(t *testing.T) {
	for amps, follows := range map[float64]bool{0.24: true, 0.36: false, 0.44: false} {
		b := clean()
		b.flow = func(i int) float64 { return []float64{-1, 1}[i]*amps - 0.025 }
		b.rests(72 * time.Hour)
		assert.Equal(t, follows, b.zero(1).Value > 0.1, "%g A: %+v", amps, b.zero(1))
	}
}

// Two errors against each other whose sum is less than half of the larger flow from one to the other;
// else the larger is one sensor's. What both show alike, the smaller more than 0.4 of the larger, is a
// drain or of both sensors.
func TestWhichSensorItIs(t *testing.T) {
	after := func(first, second float64) *bench {
		b := clean()
		b.errA = func(i int) float64 { return []float64{first, second}[i] }
		b.rests(12 * time.Hour)
		return b
	}
	flows, one := after(1.6, -0.9), after(1.6, -0.65)
	assert.Less(t, flows.zero(0).Value, 0.9)
	assert.Greater(t, one.zero(0).Value, 1.1)

	alone, alike := after(-1.6, -0.6), after(-1.6, -0.68)
	assert.Greater(t, alone.zero(1).Value, -0.2)
	assert.Less(t, alike.zero(1).Value, -0.5)
}

// What a sensor shows at the most without being broken is six amperes, three of them taken off; with
// temperature 50 mA a degree, over twice what already is a fault.
func TestTheLargestZeroAndItsDrift(t *testing.T) {
	for off, learns := range map[float64]bool{5.4: true, 6.6: false} {
		b := newBench(2)
		b.errA = only(0, off)
		b.rests(30 * time.Hour)
		assert.Equal(t, learns, b.zero(0).Value > 2, "%g A: %+v", off, b.zero(0))
		assert.LessOrEqual(t, b.zero(0).Value, 3.0)
	}
	drifting := func(perK float64) float64 { // what is believed of ten degrees
		b := newBench(2)
		b.errA = func(i int) float64 { return only(0, perK*(b.tempC-25))(i) }
		for k := range 24 {
			b.tempC = float64(5 + 10*(k%5))
			b.rests(12 * time.Hour)
			b.wakes()
			b.now += 12 * time.Hour
		}
		return b.l.ZeroA(0, good(35)).Value - b.l.ZeroA(0, good(25)).Value
	}
	assert.InDelta(t, 0.45, drifting(0.045), 0.05)
	assert.InDelta(t, 0.5, drifting(0.06), 0.05)
}
