package board_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/sim/board"
)

func TestDivider(t *testing.T) {
	// 12.65 V * 10/66, by hand.
	assert.InDelta(t, 1.916667, board.Divider{TopOhm: 56e3, BottomOhm: 10e3}.PinV(12.65), 5e-7)
}

// TI TMCS1101 data sheet SBOS825D, device comparison: zero output, sensitivity and the range they
// give, at which the output is 0.2 V from the supply or GND at 5 V (50 mV/A: ±46 A; 0.1 Vs: -9 to
// 86 A at 50 mV/A, read as 0.05 V and 4.8 V).
func TestHall(t *testing.T) {
	both := board.Hall{ZeroV: 2.5, VPerA: 0.05}
	assert.InDelta(t, 4.8, both.PinV(46), 1e-12)
	assert.InDelta(t, 0.2, both.PinV(-46), 1e-12)
	one := board.Hall{ZeroV: 0.5, VPerA: 0.05}
	assert.InDelta(t, 4.8, one.PinV(86), 1e-12)
	assert.InDelta(t, 0.05, one.PinV(-9), 1e-12)
}

// A 50 mV, 200 A shunt (0.25 mΩ) drops 32.5 mV at 130 A: Ohm's law.
func TestShunt(t *testing.T) {
	s := board.Shunt{ShuntOhm: 0.00025, Gain: 50, ZeroV: 1.65}
	assert.InDelta(t, 1.65+0.0325*50, s.PinV(130), 1e-12)
	assert.InDelta(t, 1.65-0.0325*50, s.PinV(-130), 1e-12)
}

// Values computed from the beta equation R = R25 exp(B (1/T - 1/298.15)), T in K, a form that
// thermistor data sheets print for a 10 kΩ, B = 3380 K part.
func TestNTC(t *testing.T) {
	tests := []struct{ betaK, tempC, ohm float64 }{
		{3380, -40, 235830.76}, {3380, 0, 28223.73}, {3380, 25, 10000}, {3380, 60, 3039.19},
		{3435, -18, 69700.51}, {3435, 40, 5758.76}, {3950, -40, 401859.72}, {3950, 10, 20174.58}, {3950, 85, 1086.67},
	}
	for _, tt := range tests {
		t.Run(fmt.Sprintf("B %g K at %g °C", tt.betaK, tt.tempC), func(t *testing.T) {
			n := board.NTC{R25Ohm: 10e3, BetaK: tt.betaK, PullupOhm: 10e3, SupplyV: 3.3}
			assert.InDelta(t, tt.ohm, n.Ohm(tt.tempC), 0.006)
			assert.InDelta(t, 3.3*tt.ohm/(tt.ohm+10e3), n.PinV(tt.tempC), 1e-6)
		})
	}
}

func TestDirectWiring(t *testing.T) { assert.Equal(t, 1.25, board.Direct{}.PinV(1.25)) }

func TestSensorWithoutErrorIsItsFrontEnd(t *testing.T) {
	s := board.Sensor{True: func(at time.Duration) float64 { return at.Seconds() },
		Front: board.Divider{TopOhm: 3, BottomOhm: 1}}
	assert.Equal(t, 2.5, s.Analog()(10*time.Second))
}

func TestSensorErrorTerms(t *testing.T) {
	tests := []struct {
		name  string
		e     board.SensorError
		at    time.Duration
		value float64
		want  float64
	}{
		{"none", board.SensorError{}, time.Hour, 12.5, 12.5},
		{"offset", board.SensorError{Offset: -0.25}, time.Hour, 12.5, 12.25},
		{"gain", board.SensorError{Gain: 1.02}, time.Hour, 100, 102},
		{"gain before offset", board.SensorError{Gain: 2, Offset: 1}, 0, 10, 21},
		{"drift", board.SensorError{DriftPerDay: 0.5}, 36 * time.Hour, 10, 10.75},
		{"offset over temperature", board.SensorError{OffsetPerK: 0.02}, time.Hour, 10, 10.1},
		{"gain over temperature", board.SensorError{GainPerK: -0.001}, time.Hour, 10, 9.95},
		{"always out", board.SensorError{DropoutShare: 1}, time.Hour, 10, math.NaN()},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			assert.InDelta(t, tt.want, tt.e.Apply(tt.value, tt.at, 30), 1e-12)
		})
	}
}

// Moments of a normal distribution: mean 0, variance 1, and kurtosis 3 less 0.1 for a sum of twelve
// uniform draws (kurtosis 3 - 6/(5 n)); and no correlation from one instant to the next.
func TestNoiseIsNormal(t *testing.T) {
	const n = 400_000
	e := board.SensorError{NoiseRMS: 1, Seed: 7}
	var sum, squares, fourths, products, last float64
	for i := range n {
		x := e.Apply(0, time.Duration(i)*time.Millisecond, 25)
		sum += x
		squares += x * x
		fourths += x * x * x * x
		products += x * last
		last = x
	}
	assert.InDelta(t, 0, sum/n, 5/math.Sqrt(n), "mean, five standard errors")
	assert.InDelta(t, 1, squares/n, 5*math.Sqrt(2.0/n), "variance")
	assert.InDelta(t, 2.9, fourths/n, 0.1, "kurtosis")
	assert.InDelta(t, 0, products/n, 5/math.Sqrt(n), "correlation")
}

// The wander has the stated deviation over weeks, and doesn't leap from one minute to the next.
func TestWanderIsSlow(t *testing.T) {
	e := board.SensorError{WanderRMS: 0.3, Seed: 11}
	const n = 60 * 24 * 400
	var sum, squares, leap float64
	last := e.Apply(0, 0, 25)
	for i := range n {
		x := e.Apply(0, time.Duration(i)*time.Minute, 25)
		sum += x
		squares += x * x
		leap = max(leap, math.Abs(x-last))
		last = x
	}
	const independent = 400 * 3
	assert.InDelta(t, 0, sum/n, 5*0.3/math.Sqrt(independent), "mean, five standard errors")
	assert.InDelta(t, 0.09, squares/n, 0.09*5*math.Sqrt(2.0/independent), "variance")
	assert.Less(t, leap, 0.3*6*2*1.23/480, "an hour's eighth of the way between the largest values")
}

func TestNoiseDependsOnSeedAndInstantOnly(t *testing.T) {
	a, b := board.SensorError{NoiseRMS: 1, Seed: 1}, board.SensorError{NoiseRMS: 1, Seed: 2}
	first := a.Apply(0, time.Second, 25)
	assert.NotEqual(t, first, b.Apply(0, time.Second, 25), "another seed")
	assert.NotEqual(t, first, a.Apply(0, time.Second+1, 25), "another instant")
	assert.Equal(t, first, a.Apply(0, time.Second, 25), "the same again")
}

func TestDropoutsTakeTheirShareInWholeStretches(t *testing.T) {
	e := board.SensorError{DropoutShare: 0.1, DropoutFor: time.Second, Seed: 3}
	const seconds = 20_000
	out := 0
	for s := range seconds {
		begin := time.Duration(s) * time.Second
		gone := math.IsNaN(e.Apply(1, begin, 25))
		assert.Equal(t, gone, math.IsNaN(e.Apply(1, begin+999*time.Millisecond, 25)), "one stretch")
		if gone {
			out++
		}
	}
	assert.InDelta(t, 0.1*seconds, out, 5*math.Sqrt(0.1*0.9*seconds))
}

// A dropout floats the chip's input.
func TestDropoutReadsAsAnOpenInput(t *testing.T) {
	r := newRig(t, board.Options{})
	s := board.Sensor{True: constant(1), Front: board.Hall{ZeroV: 2.5, VPerA: 0.05},
		Error: board.SensorError{DropoutShare: 1}}
	r.chip.Connect(0, s.Analog())
	assert.Zero(t, r.convert(ain0At4V096SPS128))
	s.Error.DropoutShare = 0
	assert.Equal(t, int16(2.55*8000), r.convert(ain0At4V096SPS128), "later changes act")
}

func BenchmarkSensor(b *testing.B) {
	s := board.Sensor{
		True: constant(12.5), Front: board.Divider{TopOhm: 56e3, BottomOhm: 10e3},
		Error: board.SensorError{Offset: 0.01, Gain: 1.001, NoiseRMS: 0.002, DriftPerDay: 1e-5, Seed: 9},
	}
	a, at := s.Analog(), time.Duration(0)
	for b.Loop() {
		a(at)
		at += time.Millisecond
	}
}
