package board_test

import (
	"fmt"
	"math"
	"math/big"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/sim/board"
)

// Config words. Fields: OS, MUX, PGA, MODE, DR, COMP_QUE off.
const (
	ain0At4V096SPS128 = 0xC383
	ain1At4V096SPS860 = 0xD3E3
	ain0At2V048SPS128 = 0xC583
)

// TI ADS111x data sheet SBAS444D, register maps: reset values.
func TestPowerOnDefaults(t *testing.T) {
	r := newRig(t, board.Options{})
	assert.Equal(t, []byte{0, 0}, r.read(2), "pointer: the conversion register; conversion: 0000h")
	assert.Equal(t, uint16(0x8583), r.register(1), "config")
	assert.Equal(t, uint16(0x8000), r.register(2), "Lo_thresh")
	assert.Equal(t, uint16(0x7FFF), r.register(3), "Hi_thresh")
	r.clock.now = time.Hour
	assert.Equal(t, uint16(0x0000), r.register(0), "conversion: 0000h until the first one is done")
}

// The data sheet's quick-start sequence: write the config register (AIN0-AIN1, ±2.048 V,
// continuous, 128 SPS), point to the conversion register, read it, with the address bytes 90h and
// 91h of a chip at 48h left out.
func TestQuickStartSequence(t *testing.T) {
	r := newRig(t, board.Options{})
	r.chip.Connect(0, constant(1.5))
	r.chip.Connect(1, constant(0.476))
	r.write(0x01, 0x84, 0x83)
	r.write(0x00)
	r.clock.now += 10 * time.Millisecond
	assert.Equal(t, []byte{0x40, 0x00}, r.read(2), "1.024 V at ±2.048 V is code 4000h")
	assert.Equal(t, []byte{0x40, 0x00}, r.read(2), "the pointer stays")
	assert.Equal(t, uint16(0x0483), r.register(1), "OS reads 0 while converting")
}

// TI SBASAV5 table 8-1, same values in SBAS444D: LSB and the voltages of the end codes.
func TestLSBByRange(t *testing.T) {
	tests := []struct {
		pga          uint16
		lsbUV, highV float64
	}{
		{0, 187.5, 6.143813}, {1, 125, 4.095875}, {2, 62.5, 2.047938},
		{3, 31.25, 1.023969}, {4, 15.625, 0.511984}, {5, 7.8125, 0.255992},
		{6, 7.8125, 0.255992}, {7, 7.8125, 0.255992},
	}
	for _, tt := range tests {
		t.Run(fmt.Sprintf("PGA %03b", tt.pga), func(t *testing.T) {
			v := 0.0
			r := newRig(t, board.Options{})
			r.chip.Connect(0, func(time.Duration) float64 { return v })
			config := 0xC183 | tt.pga<<9
			for _, codes := range []float64{1, -1, 100, -100, 12345, -12345} {
				v = codes * tt.lsbUV * 1e-6
				assert.Equal(t, int16(codes), r.convert(config), "%g V", v)
			}
			v = tt.highV
			assert.Equal(t, int16(0x7FFF), r.convert(config), "the highest voltage")
			v = tt.highV + 2*tt.lsbUV*1e-6
			assert.Equal(t, int16(0x7FFF), r.convert(config), "clipped above")
			v = -32768 * tt.lsbUV * 1e-6
			assert.Equal(t, int16(-0x8000), r.convert(config), "the lowest voltage")
			v *= 1.5
			assert.Equal(t, int16(-0x8000), r.convert(config), "clipped below")
			v = math.Inf(1)
			assert.Equal(t, int16(0x7FFF), r.convert(config), "infinity")
		})
	}
}

// Codes computed from the data sheet's LSB.
func TestWorkedConversions(t *testing.T) {
	tests := []struct {
		name   string
		ain    int
		config uint16
		v      float64
		want   int16
	}{
		{"4000h at 2.048 V", 0, ain0At2V048SPS128, 1.024, 0x4000},
		{"C000h at 2.048 V", 0, ain0At2V048SPS128, -1.024, -0x4000},
		{"5A3Ch at 4.096 V", 0, ain0At4V096SPS128, 2.8875, 0x5A3C},
		{"12.65 V through 56k and 10k", 0, ain0At4V096SPS128, board.Divider{TopOhm: 56e3, BottomOhm: 10e3}.PinV(12.65),
			15333},
		{"AIN1 at 860 SPS", 1, ain1At4V096SPS860, 1.0, 8000},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := newRig(t, board.Options{})
			r.chip.Connect(tt.ain, constant(tt.v))
			assert.Equal(t, tt.want, r.convert(tt.config))
		})
	}
}

// SBAS444D, config register, MUX field.
func TestInputMultiplexer(t *testing.T) {
	r := newRig(t, board.Options{})
	ains := [4]float64{0.1, 0.2, 0.4, 0.8}
	for i, v := range ains {
		r.chip.Connect(i, constant(v))
	}
	want := [8]float64{
		ains[0] - ains[1], ains[0] - ains[3], ains[1] - ains[3], ains[2] - ains[3], ains[0], ains[1], ains[2], ains[3],
	}
	for mux, v := range want {
		got := r.convert(0x8383 | uint16(mux)<<12)
		assert.InDelta(t, v*8000, got, 0.5, "MUX %03b", mux)
	}
}

// A conversion takes one period of the data rate after a wake-up of about 25 µs (SBAS444D:
// single-shot mode, output data rate and conversion time); the rate is off by up to 10 %.
func TestSingleShotTakesOnePeriod(t *testing.T) {
	rates := [8]float64{8, 16, 32, 64, 128, 250, 475, 860}
	for _, off := range []float64{-0.1, 0, 0.1} {
		for dr, sps := range rates {
			t.Run(fmt.Sprintf("%g SPS %+g", sps, off), func(t *testing.T) {
				r := newRig(t, board.Options{OscillatorError: off})
				r.chip.Connect(0, constant(1))
				r.clock.now = time.Second
				config := 0xC303 | uint16(dr)<<5
				r.write(0x01, byte(config>>8), byte(config))
				end := r.clock.now + time.Duration(1e9/(sps*(1+off))) + 25*time.Microsecond
				r.clock.now = end - time.Microsecond
				assert.Equal(t, config&^0x8000, r.register(1), "still converting")
				assert.Zero(t, r.register(0), "no result yet")
				r.clock.now = end + time.Microsecond
				assert.Equal(t, config, r.register(1), "idle")
				assert.Equal(t, uint16(8000), r.register(0))
			})
		}
	}
}

func TestValueIsThatAtTheEndOfTheConversion(t *testing.T) {
	r := newRig(t, board.Options{})
	var asked []time.Duration
	r.chip.Connect(0, func(at time.Duration) float64 {
		asked = append(asked, at)
		return at.Seconds()
	})
	r.clock.now = time.Second
	r.write(0x01, 0xC3, 0x83)
	r.clock.now = 3 * time.Second
	assert.InDelta(t, 1.0078375*8000, int16(r.register(0)), 0.5, "1 s + 25 µs + 1/128 s")
	r.register(0)
	assert.Equal(t, []time.Duration{time.Second + 7837500*time.Nanosecond}, asked, "looked at once")
}

// "Writing a 1 to the OS bit while a conversion is ongoing has no effect" (SBAS444D, single-shot
// mode).
func TestStartDuringAConversionIsIgnored(t *testing.T) {
	r := newRig(t, board.Options{})
	r.chip.Connect(0, constant(1))
	r.chip.Connect(1, constant(2))
	r.write(0x01, 0xC3, 0x83)
	r.clock.now += 5 * time.Millisecond
	r.write(0x01, 0xD3, 0x83)
	r.clock.now += 3 * time.Millisecond // the first one ended at 7.84 ms, a second would end at 12.84 ms
	assert.Equal(t, uint16(0xD383), r.register(1), "idle, with the settings written last")
	assert.Equal(t, uint16(8000), r.register(0), "of AIN0: the conversion kept its settings")
	r.clock.now += time.Second
	assert.Equal(t, uint16(8000), r.register(0), "no other conversion follows")
}

func TestSingleShotWithoutOSStaysIdle(t *testing.T) {
	r := newRig(t, board.Options{})
	r.chip.Connect(0, constant(1))
	r.write(0x01, 0x43, 0x83)
	assert.Equal(t, uint16(0xC383), r.register(1))
	r.clock.now += time.Second
	assert.Zero(t, r.register(0))
}

// "When writing new configuration settings, the currently ongoing conversion completes with the
// previous configuration settings. Thereafter, continuous conversions with the new configuration
// settings start" (SBAS444D).
func TestContinuousModeTakesNewSettingsAfterTheConversion(t *testing.T) {
	r := newRig(t, board.Options{})
	r.chip.Connect(0, constant(1))
	r.chip.Connect(1, constant(2))
	r.write(0x01, 0x42, 0x83) // AIN0, ±4.096 V, continuous, 128 SPS: ends every 7.8125 ms from 7.8375 ms on
	r.clock.now = 100 * time.Millisecond
	assert.Equal(t, uint16(8000), r.register(0))
	r.write(0x01, 0x52, 0x83) // AIN1; the running conversion ends at 101.5875 ms
	r.clock.now = 102 * time.Millisecond
	assert.Equal(t, uint16(8000), r.register(0), "old input")
	r.clock.now = 109 * time.Millisecond
	assert.Equal(t, uint16(8000), r.register(0), "old input: the new one ends at 109.4 ms")
	r.clock.now = 110 * time.Millisecond
	assert.Equal(t, uint16(16000), r.register(0), "new input")

	r.write(0x01, 0xC3, 0x83) // single shot, OS without effect; the running one ends at 117.2125 ms
	assert.Equal(t, uint16(0x4383), r.register(1), "busy with the last continuous one")
	r.clock.now = 200 * time.Millisecond
	assert.Equal(t, uint16(0xC383), r.register(1), "idle")
	assert.Equal(t, uint16(16000), r.register(0), "and of the old input")
}

func TestContinuousModeHasTheLatestValue(t *testing.T) {
	r := newRig(t, board.Options{})
	calls := 0
	r.chip.Connect(0, func(at time.Duration) float64 {
		calls++
		return at.Hours() / 10000
	})
	r.write(0x01, 0x42, 0x83)
	r.clock.now = 8766 * time.Hour
	assert.InDelta(t, 0.8766*8000, int16(r.register(0)), 0.5)
	assert.Equal(t, 1, calls, "conversions nobody read cost nothing")
}

func TestTransfersOfOddLength(t *testing.T) {
	r := newRig(t, board.Options{})
	r.write(0x02, 0x12, 0x34)
	assert.Equal(t, []byte{0x12}, r.read(1), "first byte only")
	assert.Equal(t, []byte{0x12, 0x34, 0xFF, 0xFF}, r.read(4), "idle bus after the second")
	r.write(0x02, 0x56)
	assert.Equal(t, uint16(0x1234), r.register(2), "half a word changes nothing")
	r.write(0x02, 0x56, 0x78, 0x9A)
	assert.Equal(t, uint16(0x5678), r.register(2), "bytes after the word change nothing")
	r.write(0xFE)
	assert.Equal(t, uint16(0x5678), r.register(0xFE), "two bits of the pointer are decoded")
	r.write(0x00, 0x11, 0x22)
	assert.Zero(t, r.register(0), "the conversion register can't be written")

	var b [2]byte
	require.NoError(t, r.bus.Tx(0x48, []byte{0x03}, b[:]), "write and read in one transfer")
	assert.Equal(t, [2]byte{0x7F, 0xFF}, b)
}

// SBAS444D: general call with 06h resets as power-on does.
func TestGeneralCallReset(t *testing.T) {
	clock := &steppedClock{}
	a, b := board.NewChip(0x48, clock, board.Options{}), board.NewChip(0x4B, clock, board.Options{})
	bus := board.NewBus(clock, a, b)
	for _, addr := range []uint16{0x48, 0x4B} {
		require.NoError(t, bus.Tx(addr, []byte{1, 0xC3, 0xE3}, nil))
	}
	require.NoError(t, bus.Tx(0, []byte{0x04}, nil), "acknowledged, without effect")
	for _, addr := range []uint16{0x48, 0x4B} {
		var got [2]byte
		require.NoError(t, bus.Tx(addr, []byte{1}, got[:]))
		require.Equal(t, [2]byte{0x43, 0xE3}, got)
	}
	require.NoError(t, bus.Tx(0, []byte{0x06}, nil))
	clock.now = time.Second
	for _, addr := range []uint16{0x48, 0x4B} {
		var conversion, config [2]byte
		require.NoError(t, bus.Tx(addr, nil, conversion[:]))
		assert.Zero(t, conversion, "the conversion was lost")
		require.NoError(t, bus.Tx(addr, []byte{1}, config[:]))
		assert.Equal(t, [2]byte{0x85, 0x83}, config)
	}
	assert.ErrorIs(t, bus.Tx(0, nil, make([]byte, 1)), board.ErrAbsent, "nobody answers a general read")
}

// SBAS444D, conversion ready pin: Hi_thresh's highest bit 1, Lo_thresh's 0, COMP_QUE other than
// 11b; in single shot it asserts at the end of the conversion, low if COMP_POL is 0; in continuous
// mode pulses of about 8 µs.
func TestConversionReadyPin(t *testing.T) {
	r := newRig(t, board.Options{})
	assert.True(t, r.chip.AlertHigh(), "off: pulled up")
	r.write(0x02, 0x00, 0x00)
	r.write(0x03, 0x80, 0x00)
	assert.True(t, r.chip.AlertHigh(), "COMP_QUE 11b keeps it off")

	r.write(0x01, 0xC3, 0x80)
	assert.True(t, r.chip.AlertHigh(), "converting")
	r.clock.now = 8 * time.Millisecond
	assert.False(t, r.chip.AlertHigh(), "done: low")
	r.write(0x01, 0xC3, 0x88)
	assert.False(t, r.chip.AlertHigh(), "active high, converting")
	r.clock.now = 16 * time.Millisecond
	assert.True(t, r.chip.AlertHigh(), "active high, done")

	r.clock.now = time.Second
	r.write(0x01, 0x42, 0x80)
	end := time.Second + 7837500*time.Nanosecond
	for _, tt := range []struct {
		at   time.Duration
		high bool
	}{
		{end - time.Microsecond, true},
		{end, false}, {end + 7*time.Microsecond, false}, {end + 9*time.Microsecond, true},
		{end + 7812500*time.Nanosecond, false},
	} {
		r.clock.now = tt.at
		assert.Equal(t, tt.high, r.chip.AlertHigh(), "continuous at %v", tt.at)
	}
}

func TestMistakesOfTheCallerPanic(t *testing.T) {
	clock := &steppedClock{}
	chip := board.NewChip(0x48, clock, board.Options{})
	assert.PanicsWithValue(t, "bug: ADS1115 at address 0x47: want 0x48 to 0x4b",
		func() { board.NewChip(0x47, clock, board.Options{}) })
	assert.PanicsWithValue(t, "bug: ADS1115 with oscillator error -1: want more than -1",
		func() { board.NewChip(0x48, clock, board.Options{OscillatorError: -1}) })
	assert.PanicsWithValue(t, "bug: ADS1115 input AIN4: want AIN0 to AIN3", func() { chip.Connect(4, nil) })
	assert.PanicsWithValue(t, "bug: two chips at address 0x48", func() { board.NewBus(clock, chip, chip) })
}

// Any voltage at any range gives the nearest code, computed here in exact arithmetic from the data
// sheet's LSB.
func TestCodesAreRoundedToNearest(t *testing.T) {
	lsb := [6]*big.Rat{ // V: full scale over 2^15
		big.NewRat(6144, 32768000), big.NewRat(4096, 32768000), big.NewRat(2048, 32768000),
		big.NewRat(1024, 32768000), big.NewRat(512, 32768000), big.NewRat(256, 32768000),
	}
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(-7, 7).Draw(t, "v")
		pga := rapid.IntRange(0, 5).Draw(t, "pga")
		r := newRig(nil, board.Options{})
		r.chip.Connect(2, constant(v))
		require.NoError(t, r.chip.Start(0xE183|uint16(pga)<<9))
		r.clock.now = 10 * time.Millisecond
		got, err := r.chip.Result(t.Context())
		require.NoError(t, err)

		exact, _ := new(big.Rat).Quo(new(big.Rat).SetFloat64(v), lsb[pga]).Float64()
		want := min(max(exact, -32768), 32767)
		if math.Abs(float64(got)-want) > 0.5+1e-9 {
			t.Fatalf("%g V at PGA %d: got %d, want %g rounded", v, pga, got, exact)
		}
	})
}

func TestAnyBytesNeverPanic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := newRig(nil, board.Options{OscillatorError: rapid.Float64Range(-0.1, 0.1).Draw(t, "oscillator")})
		r.chip.Connect(0, constant(math.NaN()))
		r.chip.Connect(1, constant(math.Inf(-1)))
		for range rapid.IntRange(1, 30).Draw(t, "transfers") {
			addr := rapid.SampledFrom([]uint16{0, 0x0C, 0x48, 0x48, 0x48, 0x49, 0x7F, 0x80, 0xFFFF}).Draw(t, "addr")
			w := rapid.SliceOfN(rapid.Byte(), 0, 5).Draw(t, "w")
			b := make([]byte, rapid.IntRange(0, 5).Draw(t, "read"))
			err := r.bus.Tx(addr, w, b)
			if addr == 0x48 && err != nil {
				t.Fatalf("the chip refused % x: %v", w, err)
			}
			r.clock.now += time.Duration(rapid.Int64Range(0, 2e10).Draw(t, "ns"))
			r.chip.AlertHigh()
		}
		var config [2]byte
		require.NoError(t, r.bus.Tx(0x48, []byte{1}, config[:]))
		single, idle := config[0]&1 != 0, config[0]&0x80 != 0
		r.clock.now += time.Second
		require.NoError(t, r.bus.Tx(0x48, []byte{1}, config[:]))
		if single && config[0]&0x80 == 0 || !single && idle {
			t.Fatalf("config % x: OS contradicts the mode", config)
		}
	})
}
