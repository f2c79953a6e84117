package calibration_test

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/sensors/calibration"
)

func physical(t *testing.T, s calibration.Scale, pinV float64) float64 {
	t.Helper()
	value, ok := s.Physical(pinV)
	require.True(t, ok, "%+v at %g V", s, pinV)
	return value
}

// Expected values worked out by hand from the circuits.
func TestLinearScales(t *testing.T) {
	for _, tt := range []struct {
		name  string
		scale calibration.Scale
		pinV  float64
		want  float64
		unit  string
	}{
		{
			"12.65 V through 56 kΩ and 10 kΩ",
			calibration.Divider{TopOhm: 56e3, BottomOhm: 10e3}, 12.65 * 10 / 66, 12.65,
			"V",
		},
		{"wired straight", calibration.Divider{BottomOhm: 10e3}, 1.5, 1.5, "V"},
		{"no current", calibration.Hall{ZeroV: 2.5, VPerA: 0.01}, 2.5, 0, "A"},
		{"120 A out of the battery", calibration.Hall{ZeroV: 2.5, VPerA: 0.01}, 1.3, -120, "A"},
		{"the same, mounted the other way round", calibration.Hall{ZeroV: 2.5, VPerA: -0.01}, 3.7, -120, "A"},
		{
			"shunt of 0.5 mΩ, gain 20, raised zero",
			calibration.Shunt{ShuntOhm: 0.5e-3, Gain: 20, ZeroV: 1.65}, 0.35, -130,
			"A",
		},
		// 0.5 to 4.5 V is 10 to 90 % of a supply of 5 V (a maker's description of ratiometric outputs).
		{"transducer of 250 bar at half its scale", calibration.Pressure{ZeroV: 0.5, FullScaleV: 4.5, FullScaleBar: 250}, 2.5, 125, "bar"},
		{"the same behind 10 kΩ over 15 kΩ", calibration.Pressure{ZeroV: 0.3, FullScaleV: 2.7, FullScaleBar: 250}, 2.22, 200, "bar"},
		{"shunt at a differential input", calibration.Shunt{ShuntOhm: 0.5e-3, Gain: 1}, 0.01, 20, "A"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			assert.InDelta(t, tt.want, physical(t, tt.scale, tt.pinV), 1e-9)
			assert.Equal(t, tt.unit, tt.scale.Unit())
			assert.NoError(t, tt.scale.Validate())
		})
	}
}

// TI device comparison SBOS825D: zero at half the supply, sensitivity 50, 100, 200 mV/A, and the
// range that fits a 5 V supply.
func TestHallEndsOfRange(t *testing.T) {
	for _, tt := range []struct{ mvPerA, rangeA float64 }{{50, 46}, {100, 23}, {200, 11.5}} {
		h := calibration.Hall{ZeroV: 2.5, VPerA: tt.mvPerA / 1000}
		assert.InDelta(t, tt.rangeA, physical(t, h, 4.8), 0.001)
		assert.InDelta(t, -tt.rangeA, physical(t, h, 0.2), 0.001)
	}
}

// Resistances computed from R = R25 exp(beta (1/T - 1/298.15)), the beta law of thermistor data
// sheets, outside of this code.
func TestNTCBeta(t *testing.T) {
	for _, tt := range []struct{ betaK, tempC, ohm float64 }{
		{3380, -40, 235830.76}, {3380, 0, 28223.73}, {3380, 25, 10000}, {3380, 60, 3039.19}, {3380, 85, 1496.90},
		{3435, -18, 69700.51}, {3435, 26.7, 9367.69}, {3435, 40, 5758.76},
		{3950, -40, 401859.72}, {3950, -10, 58245.71}, {3950, 10, 20174.58}, {3950, 85, 1086.67},
	} {
		t.Run(fmt.Sprintf("beta %g at %g °C", tt.betaK, tt.tempC), func(t *testing.T) {
			n := calibration.NTCBeta{R25Ohm: 10e3, BetaK: tt.betaK, PullupOhm: 10e3, SupplyV: 3.3}
			assert.InDelta(t, tt.tempC, physical(t, n, 3.3*tt.ohm/(tt.ohm+10e3)), 0.001)
			assert.Equal(t, "°C", n.Unit())
		})
	}
}

// A widely used 10 kΩ thermistor: coefficients and resistance table of its data sheet, from memory;
// the table is to 0.1 Ω and the fit to 0.1 K.
func TestNTCSteinhartHart(t *testing.T) {
	n := calibration.NTCSteinhartHart{A: 1.129241e-3, B: 2.341077e-4, C: 8.775468e-8, PullupOhm: 10e3, SupplyV: 3.3}
	require.NoError(t, n.Validate())
	for _, tt := range []struct{ tempC, ohm float64 }{{0, 32650.8}, {25, 10000}, {50, 3602.9}, {80, 1255.5}} {
		assert.InDelta(t, tt.tempC, physical(t, n, 3.3*tt.ohm/(tt.ohm+10e3)), 0.1)
	}
	assert.Equal(t, "°C", n.Unit())
}

// A cut or shorted thermistor, and voltages from outside, have no temperature.
func TestThermistorCutOrShorted(t *testing.T) {
	for _, n := range []calibration.Scale{
		calibration.NTCBeta{R25Ohm: 10e3, BetaK: 3950, PullupOhm: 10e3, SupplyV: 3.3},
		calibration.NTCSteinhartHart{A: 1.129241e-3, B: 2.341077e-4, C: 8.775468e-8, PullupOhm: 10e3, SupplyV: 3.3},
	} {
		for _, pinV := range []float64{0, 0.005, -0.1, 3.3, 3.295, 4.096, math.NaN(), math.Inf(1)} {
			value, ok := n.Physical(pinV)
			assert.False(t, ok, "%g V", pinV)
			assert.Zero(t, value)
		}
	}
}

// An output below 4 % or above 96 % of the supply is a broken wire or a short (data of the Allegro
// A17700 sensor interface); between that and the ends of the scale it still means a pressure.
func TestTransducerCutOrShorted(t *testing.T) {
	p := calibration.Pressure{ZeroV: 0.5, FullScaleV: 4.5, FullScaleBar: 250}
	for _, pinV := range []float64{0, 0.19, 4.81, 5, -0.1, math.NaN(), math.Inf(1)} {
		value, ok := p.Physical(pinV)
		assert.False(t, ok, "%g V", pinV)
		assert.Zero(t, value)
	}
	for pinV, bar := range map[float64]float64{0.21: -18.125, 4.79: 268.125} {
		assert.InDelta(t, bar, physical(t, p, pinV), 1e-9)
	}
}

func TestThermistorIsFiniteAndFallsWithVoltage(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := calibration.NTCBeta{
			R25Ohm:    rapid.Float64Range(100, 1e6).Draw(t, "r25"),
			BetaK:     rapid.Float64Range(2000, 5000).Draw(t, "beta"),
			PullupOhm: rapid.Float64Range(100, 1e6).Draw(t, "pullup"),
			SupplyV:   rapid.Float64Range(1, 6).Draw(t, "supply"),
		}
		low := rapid.Float64Range(0, n.SupplyV).Draw(t, "low")
		high := rapid.Float64Range(low, n.SupplyV).Draw(t, "high")
		warm, ok1 := n.Physical(low)
		cool, ok2 := n.Physical(high)
		if !ok1 || !ok2 {
			return
		}
		if math.IsNaN(warm) || math.IsInf(warm, 0) || warm < cool {
			t.Fatalf("%+v: got %g °C at %g V, %g °C at %g V: want it finite and falling", n, warm, low, cool, high)
		}
	})
}

func TestCorrection(t *testing.T) {
	assert.Equal(t, 12.5, calibration.Correction{}.Apply(12.5), "none")
	assert.InDelta(t, 12.3, calibration.Correction{OffsetAdd: -0.2}.Apply(12.5), 1e-12)
	rapid.Check(t, func(t *rapid.T) {
		c := calibration.Correction{
			OffsetAdd: rapid.Float64Range(-20, 20).Draw(t, "offset"), Gain: rapid.SampledFrom([]float64{0, 0.5, 1.013, 2}).Draw(t, "gain"),
		}
		x := rapid.Float64Range(-220, 220).Draw(t, "x")
		if back := c.Undo(c.Apply(x)); math.Abs(back-x) > 1e-9 {
			t.Fatalf("%+v: %g: back %g", c, x, back)
		}
	})
	// Zero first: with no current the corrected value is 0 whatever the gain.
	c := calibration.Correction{OffsetAdd: -1.5, Gain: 1.02}
	assert.Zero(t, c.Apply(1.5))
	assert.InDelta(t, 102, c.Apply(101.5), 1e-9)
}

func TestValidate(t *testing.T) {
	for _, tt := range []struct {
		scale interface{ Validate() error }
		want  string
	}{
		{calibration.Divider{TopOhm: -1}, "top_ohm: negative: want 0 or more\nbottom_ohm: 0: want more than 0"},
		{calibration.Divider{TopOhm: math.Inf(1), BottomOhm: 1}, "top_ohm: +Inf: want a finite number"},
		{
			calibration.Hall{ZeroV: math.NaN()},
			"zero_v: NaN: want a finite number\nv_per_a: 0: want a number other than 0",
		},
		{
			calibration.Shunt{ShuntOhm: -1e-3, ZeroV: 1},
			"shunt_ohm: -0.001: want more than 0\ngain: 0: want a number other than 0",
		},
		{
			calibration.NTCBeta{R25Ohm: 1e4, PullupOhm: 1e4},
			"beta_k: 0: want more than 0\nsupply_v: 0: want more than 0",
		},
		{calibration.Pressure{ZeroV: 0.5, FullScaleV: 0.5}, "full_scale_v: 0.5: want more than zero_v: 0.5\nfull_scale_bar: 0: want more than 0"},
		{calibration.Pressure{ZeroV: math.NaN(), FullScaleBar: 250}, "zero_v: NaN: want a finite number\nfull_scale_v: 0: want more than 0"},
		{calibration.NTCSteinhartHart{B: 1, C: -1, PullupOhm: 1, SupplyV: 1}, "c: negative: want 0 or more"},
		{calibration.Correction{Gain: -1}, "gain: -1: want 0.5 to 2"},
		{
			calibration.Correction{Gain: math.NaN(), OffsetAdd: math.Inf(-1)},
			"offset: -Inf: want a finite number\ngain: NaN: want 0.5 to 2",
		},
	} {
		assert.EqualError(t, tt.scale.Validate(), tt.want, "%+v", tt.scale)
	}
}

// The slope is what a small step at the pin makes of the quantity, and a linear scale has its zero
// there.
func TestSlope(t *testing.T) {
	for _, scale := range []calibration.Scale{
		calibration.Divider{TopOhm: 100e3, BottomOhm: 10e3},
		calibration.Hall{ZeroV: 1.65, VPerA: -0.00625},
		calibration.Shunt{ShuntOhm: 0.00025, Gain: 20, ZeroV: 1.65},
		calibration.Pressure{ZeroV: 0.3, FullScaleV: 2.7, FullScaleBar: 250},
		calibration.NTCBeta{R25Ohm: 10e3, BetaK: 3950, PullupOhm: 10e3, SupplyV: 3.3},
		calibration.NTCBeta{R25Ohm: 10e3, BetaK: 3435, PullupOhm: 4700, SupplyV: 5},
		// Coefficients of a common 10 kΩ thermistor (from memory).
		calibration.NTCSteinhartHart{A: 0.001129, B: 0.000234108, C: 8.7755e-8, PullupOhm: 10e3, SupplyV: 3.3},
	} {
		s := scale.Slope()
		const step = 1e-5
		low, ok := scale.Physical(s.AtV - step)
		assert.True(t, ok)
		high, ok := scale.Physical(s.AtV + step)
		assert.True(t, ok)
		assert.InEpsilon(t, (high-low)/(2*step), s.PerVolt, 1e-6, "%+v", scale)
		if s.Linear {
			zero, _ := scale.Physical(s.AtV)
			assert.InDelta(t, 0, zero, 1e-12, "%+v", scale)
		}
	}
	// At 25 °C by hand: -298.15² · 4 / (3950 · 3.3).
	ntc := calibration.NTCBeta{R25Ohm: 10e3, BetaK: 3950, PullupOhm: 10e3, SupplyV: 3.3}
	assert.InDelta(t, -27.2785, ntc.Slope().PerVolt, 1e-3)
	assert.Equal(t, 1.65, ntc.Slope().AtV)
}
