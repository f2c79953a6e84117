package ads1115

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"
)

// Words calculated by hand from the fields of the data sheet's config register page (SBAS444).
func TestSingleShotWords(t *testing.T) {
	for _, tt := range []struct {
		name string
		mux  Mux
		fs   FullScale
		rate Rate
		want Config
	}{
		{"AIN0 over ground, 4.096 V, 128 SPS", AIN0, Range4V096, SPS128, 0xC383},
		{"AIN1 over ground, 4.096 V, 860 SPS", AIN1, Range4V096, SPS860, 0xD3E3},
		{"the power-on settings, started", AIN0AIN1, Range2V048, SPS128, 0x8583},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got := SingleShot(tt.mux, tt.fs, tt.rate)
			assert.Equal(t, tt.want, got, "got %v", got)
			assert.Equal(t, tt.mux, got.Mux())
			assert.Equal(t, tt.fs, got.FullScale())
			assert.Equal(t, tt.rate, got.Rate())
		})
	}
}

// Data sheet SBASAV5 table 8-1: size of one step and the voltages of the end codes.
func TestVolts(t *testing.T) {
	for _, tt := range []struct {
		fs                 FullScale
		lsbUV, top, bottom float64
	}{
		{Range6V144, 187.5, 6.143813, -6.144},
		{Range4V096, 125, 4.095875, -4.096},
		{Range2V048, 62.5, 2.047938, -2.048},
		{Range1V024, 31.25, 1.023969, -1.024},
		{Range0V512, 15.625, 0.511984, -0.512},
		{Range0V256, 7.8125, 0.255992, -0.256},
	} {
		t.Run(tt.fs.String(), func(t *testing.T) {
			assert.InDelta(t, tt.lsbUV*1e-6, tt.fs.Volts(1), 1e-15)
			assert.InDelta(t, tt.top, tt.fs.Volts(0x7FFF), 0.6e-6, "the table rounds to 1 µV")
			assert.InDelta(t, tt.bottom, tt.fs.Volts(-0x8000), 1e-12)
		})
	}
	// Computed from the step size.
	assert.InDelta(t, 1.024, Range2V048.Volts(0x4000), 1e-12)
	assert.InDelta(t, -1.024, Range2V048.Volts(-0x4000), 1e-12)
	assert.InDelta(t, 2.8875, Range4V096.Volts(0x5A3C), 1e-12)
}

// The three highest codes of the range field mean the same range.
func TestSpareRangeCodes(t *testing.T) {
	for code := Config(5); code <= 7; code++ {
		assert.Equal(t, Range0V256, (code << 9).FullScale())
	}
	assert.InDelta(t, 0.256, FullScale(7).MaxV(), 1e-12)
}

// The rate may be 10 % low, and waking takes about 25 µs (SBAS444E sections 5.5 and 7.4.2.1).
func TestConversionTimeCoversTheSlowestChip(t *testing.T) {
	for r := SPS8; r <= SPS860; r++ {
		slowest := time.Duration(float64(time.Second)/(0.9*float64(r.SPS()))) + 25*time.Microsecond
		got := SingleShot(AIN0, Range4V096, r).ConversionTime()
		assert.GreaterOrEqual(t, got, slowest, r)
		assert.Less(t, got, slowest+slowest/50+50*time.Microsecond, "%v: waits longer than it has to", r)
	}
}

func TestWordsOfUnknownCodes(t *testing.T) {
	assert.Equal(t, "Mux(9)", Mux(9).String())
	assert.Equal(t, "FullScale(9)", FullScale(9).String())
	assert.Equal(t, "Rate(9)", Rate(9).String())
	assert.Equal(t, "C383h (AIN0, 4.096 V, 128 SPS)", Config(0xC383).String())
}

// Any word is its fields put together again, and what is written reads back as written.
func TestWordIsItsFields(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := Mux(rapid.Uint8Range(0, 7).Draw(t, "mux"))
		fs := FullScale(rapid.Uint8Range(0, 5).Draw(t, "range"))
		r := Rate(rapid.Uint8Range(0, 7).Draw(t, "rate"))
		c := SingleShot(m, fs, r)
		if c.Mux() != m || c.FullScale() != fs || c.Rate() != r {
			t.Fatalf("%v: got %v %v %v, want %v %v %v", c, c.Mux(), c.FullScale(), c.Rate(), m, fs, r)
		}
		if uint16(c)&0x8103 != 0x8103 {
			t.Fatalf("%v: want a start bit, single-shot and the comparator off", c)
		}
	})
}

// Volts are proportional to the code, to the step.
func TestVoltsAreLinear(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		fs := FullScale(rapid.Uint8Range(0, 5).Draw(t, "range"))
		code := rapid.Int16Range(-0x8000, 0x7FFE).Draw(t, "code")
		if step := fs.Volts(code+1) - fs.Volts(code); math.Abs(step-fs.MaxV()/32768) > 1e-12 {
			t.Fatalf("step at %d: got %g, want %g", code, step, fs.MaxV()/32768)
		}
	})
}
