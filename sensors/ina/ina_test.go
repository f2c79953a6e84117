package ina_test

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"liftbank/sensors"
	"liftbank/sensors/ads1115"
	"liftbank/sensors/calibration"
	"liftbank/sensors/ina"
	"liftbank/sim/board"
)

// steppedClock is time that passes only by being waited for.
type steppedClock struct{ now time.Duration }

func (c *steppedClock) Now() time.Duration { return c.now }

func (c *steppedClock) WaitUntil(ctx context.Context, at time.Duration) error {
	c.now = max(c.now, at)
	return ctx.Err()
}

func (c *steppedClock) WaitUntilOrEdge(ctx context.Context, at time.Duration) (bool, error) {
	return false, c.WaitUntil(ctx, at)
}

const addr = 0x40

// emulated is a chip of either kind.
type emulated interface {
	board.Device
	ConnectShunt(board.Analog)
	ConnectBus(board.Analog)
	Absent(bool)
	SlowReady(time.Duration)
	BrownOut()
}

// kind is what the tests know of a kind of chip.
type kind struct {
	name   string
	of     sensors.Kind
	chip   func(sensors.Clock) emulated
	pace   float64 // how far its sample times may be off
	stepV  [2]float64
	oneMs  uint8 // code of the sample time next to a millisecond
	sample time.Duration
}

var kinds = []kind{
	{
		"ina226", ina.INA226, func(c sensors.Clock) emulated { return board.NewINA226(addr, c, 0) }, 0.1,
		[2]float64{2.5e-6, 1.25e-3}, 4, 1100 * time.Microsecond,
	},
	{
		"ina228", ina.INA228, func(c sensors.Clock) emulated { return board.NewINA228(addr, c, 0) }, 0.01,
		[2]float64{312.5e-9, 195.3125e-6}, 5, 1052 * time.Microsecond,
	},
}

// each runs a test with each kind of chip.
func each(t *testing.T, test func(t *testing.T, k kind)) {
	for _, k := range kinds {
		t.Run(k.name, func(t *testing.T) { test(t, k) })
	}
}

// config returns a chip as configured, with settings by name.
func (k kind) config(t testing.TB, settings ...string) sensors.ChipConfig {
	c := k.of.New()
	set(t, c.Settings(), append(settings, "address", strconv.Itoa(addr)))
	return c
}

// set sets settings, given as names and values.
func set(t testing.TB, all []sensors.Setting, to []string) {
	for i := 0; i < len(to); i += 2 {
		at := slices.IndexFunc(all, func(s sensors.Setting) bool { return s.Name == to[i] })
		require.GreaterOrEqual(t, at, 0, to[i])
		require.True(t, all[at].Set(to[i+1]), to[i:i+2])
	}
}

// both are the inputs of a chip with the default settings, and with others.
func both(t testing.TB, c sensors.ChipConfig, settings ...string) []sensors.Input {
	s, b := c.NewInput(), c.NewInput()
	set(t, s.Settings(), append(settings, "input", "shunt"))
	set(t, b.Settings(), append(settings, "input", "bus"))
	return []sensors.Input{s, b}
}

// bench is the driver on an emulated chip with 20 mV at the shunt and 11.98 V on the bus, the
// INA226's data sheet's example.
type bench struct {
	clock  steppedClock
	chip   emulated
	bus    *board.Bus
	inputs []sensors.Input
	dev    sensors.Chip
}

func newBench(t testing.TB, k kind, settings ...string) *bench {
	b := &bench{}
	b.wire(t, k, k.chip(&b.clock), k.config(t), settings...)
	return b
}

func (b *bench) wire(t testing.TB, k kind, chip emulated, cfg sensors.ChipConfig, settings ...string) {
	b.chip = chip
	b.chip.ConnectShunt(func(time.Duration) float64 { return 0.020 })
	b.chip.ConnectBus(func(time.Duration) float64 { return 11.98 })
	b.bus = board.NewBus(&b.clock)
	b.bus.Attach(b.chip)
	var err error
	b.dev, err = cfg.Open(b.bus, &b.clock)
	require.NoError(t, err)
	b.inputs = both(t, cfg, settings...)
	require.NoError(t, b.dev.Use(b.inputs))
}

const shunt, bus = 0, 1

func (b *bench) convert(t testing.TB, input int, m sensors.Mode) (sensors.Sample, error) {
	if err := b.dev.Start(input, m); err != nil {
		return sensors.Sample{}, err
	}
	return b.dev.Read(t.Context())
}

// The emulation before any driver meets it: identification and defaults of the register map, and
// the data sheet's example with 2 mΩ and 1 mA per bit: 20 mV is 1F40h, 11.98 V is 2570h (from
// memory), 10 A is 2710h and 119.8 W is 12B8h by its formulas.
func TestEmulationGivesTheDataSheetsExample(t *testing.T) {
	b := newBench(t, kinds[0])
	read := func(register byte) string {
		var in [2]byte
		require.NoError(t, b.bus.Tx(addr, []byte{register}, in[:]))
		return fmt.Sprintf("%02X%02X", in[0], in[1])
	}
	assert.Equal(t, "4127", read(0x00))
	assert.Equal(t, "5449", read(0xFE))
	assert.Equal(t, "2260", read(0xFF))
	assert.Equal(t, "0000", read(0x01), "not converted yet")
	require.NoError(t, b.bus.Tx(addr, []byte{0x05, 0x0A, 0x00}, nil))
	assert.Equal(t, "0000", read(0x06))
	b.clock.now += 2200 * time.Microsecond // continuous from power-on: 1.1 ms for each input
	assert.Equal(t, "0008", read(0x06), "ready")
	assert.Equal(t, "0000", read(0x06), "cleared by reading")
	assert.Equal(t, "1F40", read(0x01))
	assert.Equal(t, "2570", read(0x02))
	assert.Equal(t, "2710", read(0x04))
	assert.Equal(t, "12B8", read(0x03))

	require.NoError(t, b.bus.Tx(addr, []byte{0x00, 0x41, 0x22}, nil)) // bus, triggered
	b.clock.now += 1099 * time.Microsecond
	assert.Equal(t, "0000", read(0x06))
	b.clock.now += time.Microsecond
	assert.Equal(t, "0008", read(0x06))
	b.clock.now += time.Second
	assert.Equal(t, "0000", read(0x06), "one conversion for each trigger")
	require.NoError(t, b.bus.Tx(addr, []byte{0x00, 0x80, 0x00}, nil)) // reset bit
	assert.Equal(t, "4127", read(0x00))
	assert.Equal(t, "0000", read(0x05))
}

// The same of the INA228: identification and defaults; at 312.5 nV and 195.3125 µV a step, left by four
// bits, 20 mV is 0FA000h and 11.98 V is 0EF9A0h, by hand.
func TestEmulationOfTheWiderChip(t *testing.T) {
	b := newBench(t, kinds[1])
	read := func(register byte, n int) string {
		in := make([]byte, n)
		require.NoError(t, b.bus.Tx(addr, []byte{register}, in))
		return fmt.Sprintf("%X", in)
	}
	write := func(w ...byte) { require.NoError(t, b.bus.Tx(addr, w, nil)) }
	assert.Equal(t, "FB68", read(0x01, 2))
	assert.Equal(t, "5449", read(0x3E, 2))
	assert.Equal(t, "2281", read(0x3F, 2))
	assert.Equal(t, "000000", read(0x04, 3), "not converted yet")
	assert.Equal(t, "0001", read(0x0B, 2))
	b.clock.now += 3 * 1052 * time.Microsecond // temperature, shunt, bus
	assert.Equal(t, "0003", read(0x0B, 2), "ready")
	assert.Equal(t, "0001", read(0x0B, 2), "cleared by reading")
	assert.Equal(t, "0FA000", read(0x04, 3))
	assert.Equal(t, "0EF9A0", read(0x05, 3))
	assert.Equal(t, "0C80", read(0x06, 2), "25 °C at 7.8125 m°C")
	assert.Equal(t, "0FA000FF", read(0x04, 4))

	b.chip.ConnectShunt(func(time.Duration) float64 { return -0.020 })
	write(0x00, 0x00, 0x10) // ±40.96 mV
	write(0x01, 0x2B, 0x68) // shunt, triggered
	b.clock.now += 1051 * time.Microsecond
	assert.Equal(t, "0001", read(0x0B, 2))
	b.clock.now += time.Microsecond
	assert.Equal(t, "0003", read(0x0B, 2))
	assert.Equal(t, "C18000", read(0x04, 3), "-256000 steps of 78.125 nV")
	b.clock.now += time.Second
	assert.Equal(t, "0001", read(0x0B, 2), "one conversion for each trigger")
	write(0x00, 0x80, 0x00) // reset bit
	assert.Equal(t, "FB68", read(0x01, 2))
	assert.Equal(t, "0000", read(0x00, 2))
}

// The ends of the ranges, by the data sheets; a bus register is never negative.
func TestEndsOfTheRange(t *testing.T) {
	saturated := func(v float64) sensors.Sample { return sensors.Sample{PinV: v, Fault: sensors.Saturated} }
	for _, tt := range []struct {
		kind  int
		input int
		v     float64
		want  sensors.Sample
	}{
		{0, shunt, 0.0819, sensors.Sample{PinV: 0.0819}},
		{0, shunt, 0.3, saturated(0.0819175)},
		{0, shunt, -0.3, saturated(-0.08192)},
		{0, bus, 36, sensors.Sample{PinV: 36}},
		{0, bus, 50, saturated(40.95875)},
		{0, bus, -1, sensors.Sample{}},
		{1, shunt, 0.1638, sensors.Sample{PinV: 0.1638}},
		{1, shunt, 0.3, saturated(0.16384 - 312.5e-9)},
		{1, shunt, -0.3, saturated(-0.16384)},
		{1, bus, 85, sensors.Sample{PinV: 85}},
		{1, bus, 120, saturated(102.4 - 195.3125e-6)},
		{1, bus, -1, sensors.Sample{}},
	} {
		b := newBench(t, kinds[tt.kind])
		b.chip.ConnectShunt(func(time.Duration) float64 { return tt.v })
		b.chip.ConnectBus(func(time.Duration) float64 { return tt.v })
		got, err := b.convert(t, tt.input, sensors.InRun)
		require.NoError(t, err)
		assert.InDelta(t, tt.want.PinV, got.PinV, kinds[tt.kind].stepV[tt.input], "%v", tt.v)
		assert.Equal(t, tt.want.Fault, got.Fault, "%v", tt.v)
	}
}

// One conversion of the shunt, 16 samples of about a millisecond. INA226: mode 1, averaging 2, both
// times 4, bit 14 set. INA228: mode 2, all times 5, averaging 2.
func TestOnTheWire(t *testing.T) {
	io := func(w []byte, r ...byte) i2ctest.IO { return i2ctest.IO{Addr: addr, W: w, R: r} }
	for i, ops := range [][]i2ctest.IO{
		{
			io([]byte{0x00, 0x45, 0x21}),
			io([]byte{0x06}, 0x00, 0x00), // not ready: what follows doesn't count
			io([]byte{0x01}, 0x11, 0x11),
			io([]byte{0x00}, 0x45, 0x21),
			io([]byte{0x06}, 0x00, 0x08),
			io([]byte{0x01}, 0xE0, 0xC0), // -20 mV
			io([]byte{0x00}, 0x45, 0x21),
		},
		{
			io([]byte{0x00, 0x00, 0x00}),
			io([]byte{0x01, 0x2B, 0x6A}),
			io([]byte{0x0B}, 0x00, 0x01),
			io([]byte{0x04}, 0x11, 0x11, 0x11),
			io([]byte{0x01}, 0x2B, 0x6A),
			io([]byte{0x0B}, 0x00, 0x03),
			io([]byte{0x04}, 0xF0, 0x60, 0x00), // -20 mV
			io([]byte{0x01}, 0x2B, 0x6A),
		},
	} {
		playback := &i2ctest.Playback{DontPanic: true, Ops: ops}
		clock := &steppedClock{}
		cfg := kinds[i].config(t)
		dev, err := cfg.Open(playback, clock)
		require.NoError(t, err)
		require.NoError(t, dev.Use(both(t, cfg)))
		require.NoError(t, dev.Start(shunt, sensors.AtRest))
		got, err := dev.Read(t.Context())
		require.NoError(t, err)
		assert.InDelta(t, -0.020, got.PinV, 1e-12)
		assert.Equal(t, sensors.None, got.Fault)
		assert.InDelta(t, 17.5*1.1, clock.now.Seconds()*1000, 3, "asked when it should be done, and a little later")
		require.NoError(t, playback.Close())
	}
}

// Each setting, with sample times at both ends of their tolerance, gives its own input's voltage in
// two calls: write; poll, read and read back. The range of an INA228's shunt takes another at first.
func TestEverySetting(t *testing.T) {
	each(t, func(t *testing.T, k kind) {
		for _, off := range []float64{-k.pace, 0, k.pace} {
			for code := range 8 {
				count := []string{"1", "4", "16", "64", "128", "256", "512", "1024"}
				cfg := k.config(t)
				b := &bench{}
				chip := emulated(board.NewINA226(addr, &b.clock, off))
				if k.name == "ina228" {
					chip = board.NewINA228(addr, &b.clock, off)
				}
				sample := cfg.NewInput().Settings()[3].Choices[7-code]
				b.wire(t, k, chip, cfg, "rest_average", count[code], "run_average", count[7-code], "sample_us", sample)
				for _, m := range []sensors.Mode{sensors.AtRest, sensors.InRun} {
					for i, want := range []float64{0.020, 11.98} {
						begin := b.clock.now
						got, err := b.convert(t, i, m)
						require.NoError(t, err)
						assert.InDelta(t, want, got.PinV, k.stepV[i]/2)
						_, longest := b.inputs[i].Time(m)
						assert.Equal(t, longest, b.clock.now-begin)
					}
				}
				once := map[string]uint64{"ina228": 1}[k.name]
				assert.Equal(t, 4*2+once, b.bus.Transfers())
			}
		}
	})
}

// The finer range of the INA228's shunt is set before the first conversion, and again after a reset.
func TestNarrowRange(t *testing.T) {
	k := kinds[1]
	cfg := k.config(t, "shunt_range_mv", "40.96")
	b := &bench{}
	b.wire(t, k, k.chip(&b.clock), cfg)
	low, high := b.inputs[shunt].Range()
	assert.InDeltaSlice(t, []float64{-0.04096, 0.04096 - 78.125e-9}, []float64{low, high}, 1e-12)
	b.chip.ConnectShunt(func(time.Duration) float64 { return 0.0300001 })
	for range 2 {
		got, err := b.convert(t, shunt, sensors.InRun)
		require.NoError(t, err)
		assert.InDelta(t, 0.0300001, got.PinV, 78.125e-9/2)
	}
	assert.Equal(t, uint64(1+2+2), b.bus.Transfers())
	b.chip.BrownOut()
	got, err := b.convert(t, shunt, sensors.InRun) // the trigger is written, the range is lost
	assert.Equal(t, sensors.Reset, sensors.FaultOf(err), "%v, %v", got, err)
	got, err = b.convert(t, shunt, sensors.InRun)
	require.NoError(t, err)
	assert.InDelta(t, 0.0300001, got.PinV, 78.125e-9/2)
	b.chip.ConnectShunt(func(time.Duration) float64 { return 0.05 })
	got, err = b.convert(t, shunt, sensors.InRun)
	require.NoError(t, err)
	assert.Equal(t, sensors.Saturated, got.Fault)
}

// Averaging is over all samples of the conversion.
func TestAverage(t *testing.T) {
	each(t, func(t *testing.T, k kind) {
		b := newBench(t, k)
		b.chip.ConnectShunt(func(at time.Duration) float64 { return 1e-3 * at.Seconds() / k.sample.Seconds() }) // 1 mV a sample
		got, err := b.convert(t, shunt, sensors.AtRest)
		require.NoError(t, err)
		assert.InDelta(t, 8.5e-3, got.PinV, 2e-6, "mean of 1 to 16 mV")
	})
}

// A conversion that is dropped leaves nothing behind.
func TestStartDropsTheConversionInProgress(t *testing.T) {
	each(t, func(t *testing.T, k kind) {
		b := newBench(t, k)
		require.NoError(t, b.dev.Start(shunt, sensors.AtRest))
		b.clock.now += time.Second // done, but not read
		got, err := b.convert(t, bus, sensors.InRun)
		require.NoError(t, err)
		assert.InDelta(t, 11.98, got.PinV, 1e-3)
		_, err = b.dev.Read(t.Context())
		assert.EqualError(t, err, "read result: on "+k.name+" 40h: conversion not finished: no conversion was started")
	})
}

func TestErrorsSayTheFault(t *testing.T) {
	each(t, func(t *testing.T, k kind) {
		for _, tt := range []struct {
			name  string
			fault func(*bench)
			want  sensors.Fault
		}{
			{"one transfer not acknowledged", func(b *bench) { b.bus.NACK(addr, 1) }, sensors.NoAnswer},
			{"unplugged", func(b *bench) { b.chip.Absent(true) }, sensors.NoAnswer},
			{"bus held", func(b *bench) { b.bus.Stick(true) }, sensors.BusStuck},
			{"far too slow", func(b *bench) { b.chip.SlowReady(time.Second) }, sensors.NotReady},
		} {
			b := newBench(t, k)
			tt.fault(b)
			_, err := b.convert(t, shunt, sensors.InRun)
			require.Error(t, err, tt.name)
			assert.Equal(t, tt.want, sensors.FaultOf(err), "%s: %v", tt.name, err)
		}
	})
}

func TestLateConversionIsWaitedFor(t *testing.T) {
	each(t, func(t *testing.T, k kind) {
		b := newBench(t, k)
		b.chip.SlowReady(time.Millisecond)
		got, err := b.convert(t, shunt, sensors.InRun)
		require.NoError(t, err)
		assert.InDelta(t, 0.020, got.PinV, 1e-6)
		assert.Less(t, b.clock.now, 2500*time.Microsecond)
	})
}

// interceptor calls before with the number of each write and read, from 1.
type interceptor struct {
	i2c.Bus
	count  int
	before func(n int)
}

func (i *interceptor) Tx(addr uint16, w, r []byte) error {
	i.count++
	i.before(i.count)
	return i.Bus.Tx(addr, w, r)
}

// joined does several in one call.
type joined struct{ interceptor }

func (j *joined) TxAll(addr uint16, w, r [][]byte) error {
	for i := range w {
		if err := j.Tx(addr, w[i], r[i]); err != nil {
			return err
		}
	}
	return nil
}

// Wherever the supply dips, the driver gives the right voltage or says that the settings are lost.
// The chip converts on with its power-on settings, so that its flag is set later just as well. So on a bus
// that joins transfers and on one that can't.
func TestBrownOutAtAnyTransfer(t *testing.T) {
	each(t, func(t *testing.T, k kind) {
		harmless := map[string]int{"ina226": 1, "ina228": 2}[k.name] // before the trigger is written
		for dip := 2; dip < 2*(harmless+4); dip++ {
			dip, together := dip/2, dip%2 == 0
			b := newBench(t, k)
			j := &joined{interceptor{Bus: b.bus, before: func(n int) {
				if n == dip {
					b.chip.BrownOut()
				}
			}}}
			var wired i2c.Bus = &j.interceptor
			if together {
				wired = j
			}
			var err error
			b.dev, err = k.config(t).Open(wired, &b.clock)
			require.NoError(t, err)
			require.NoError(t, b.dev.Use(b.inputs))
			got, err := b.convert(t, shunt, sensors.AtRest)
			if dip > harmless {
				assert.Equal(t, sensors.Reset, sensors.FaultOf(err), "%d, joined %v: %v", dip, together, err)
				got, err = b.convert(t, shunt, sensors.AtRest)
			}
			require.NoError(t, err)
			assert.InDelta(t, 0.020, got.PinV, 1e-6)
		}
	})
}

func TestStopOfContextIsPassedOn(t *testing.T) {
	each(t, func(t *testing.T, k kind) {
		b := newBench(t, k)
		require.NoError(t, b.dev.Start(shunt, sensors.AtRest))
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		_, err := b.dev.Read(ctx)
		assert.Same(t, context.Canceled, err)
	})
}

func TestConversionDoesNotAllocate(t *testing.T) {
	each(t, func(t *testing.T, k kind) {
		b := newBench(t, k)
		assert.Zero(t, testing.AllocsPerRun(100, func() { _, _ = b.convert(t, bus, sensors.InRun) }))
	})
}

func TestSettingsThatAreNot(t *testing.T) {
	err := (&ina.Input{Source: 3, RunAverage: 8, Sample: 9}).Validate()
	assert.EqualError(
		t,
		err,
		"input: Source(3): want shunt or bus\naverages: codes 0, 8: want 0 to 7\nsample time: code 9: want 0 to 7",
	)
	dev := newBench(t, kinds[0]).dev
	err = dev.Use([]sensors.Input{&ads1115.Input{Mux: ads1115.AIN0}})
	assert.EqualError(t, err, "ina226: input AIN0: *ads1115.Input: want an input of this chip")
	err = dev.Use(both(t, kinds[1].config(t)))
	assert.EqualError(t, err, "ina226: input shunt: *ina.Input: want an input of this chip")
	for _, s := range append(kinds[1].config(t).Settings(), kinds[1].config(t).NewInput().Settings()...) {
		assert.False(t, s.Set("7"), s.Name)
	}
}

// By hand from the data sheet: steps of 2.5 µV and 1.25 mV, offsets of 10 µV and 7.5 mV, 0.1 % of
// gain; a quarter of the noise with sixteen times the samples.
func TestClass(t *testing.T) {
	in := both(t, kinds[0].config(t))
	assert.Equal(
		t,
		sensors.Class{StepSize: 2.5e-6, Noise: 2.5e-6, ZeroError: 10e-6, GainError: 0.001},
		in[shunt].Class(sensors.InRun),
	)
	assert.InDelta(t, 2.5e-6/4, in[shunt].Class(sensors.AtRest).Noise, 1e-15)
	assert.Equal(
		t,
		sensors.Class{StepSize: 1.25e-3, Noise: 1.25e-3, ZeroError: 7.5e-3, GainError: 0.001},
		in[bus].Class(sensors.InRun),
	)
	low, high := in[shunt].Range()
	assert.InDeltaSlice(t, []float64{-0.08192, 0.0819175}, []float64{low, high}, 1e-12)
	low, high = in[bus].Range()
	assert.Equal(t, []float64{0, 36}, []float64{low, high})
}

// The same of the INA228: steps of 312.5 nV or a quarter of it and 195.3125 µV, an offset of 1 µV,
// 0.05 % of gain.
func TestClassOfTheWiderChip(t *testing.T) {
	for settings, want := range map[string]float64{"163.84": 312.5e-9, "40.96": 78.125e-9} {
		in := both(t, kinds[1].config(t, "shunt_range_mv", settings))
		class := in[shunt].Class(sensors.InRun)
		assert.InDelta(t, want, class.StepSize, 1e-15)
		assert.InDelta(t, 1e-6, class.ZeroError, 1e-12)
		assert.InDelta(t, 0.0005, class.GainError, 1e-9)
		assert.InDelta(t, class.Noise/4, in[shunt].Class(sensors.AtRest).Noise, 1e-15)
		assert.InDelta(t, 195.3125e-6, in[bus].Class(sensors.InRun).StepSize, 1e-12)
		low, high := in[bus].Range()
		assert.Equal(t, []float64{0, 85}, []float64{low, high})
	}
}

// On one board with an ADS1115: both convert side by side, a scan takes as long as the slower one,
// and the current has the class of 0.25 mΩ: steps of 10 mA, 40 mA of zero error.
func TestOnABoardWithAnotherChip(t *testing.T) {
	b := newBench(t, kinds[0])
	other := board.NewChip(0x48, &b.clock, board.Options{})
	other.Connect(0, func(time.Duration) float64 { return board.Divider{TopOhm: 100e3, BottomOhm: 10e3}.PinV(12.65) })
	b.bus.Attach(other)
	in := b.inputs
	ads := &ads1115.Input{
		Mux:       ads1115.AIN0,
		FullScale: ads1115.Range4V096,
		RestRate:  ads1115.SPS8,
		RunRate:   ads1115.SPS860,
	}
	cfg := sensors.Config{Schedule: sensors.DefaultSchedule(), Channels: []sensors.ChannelConfig{
		{Name: "amps", Chip: 0, Input: in[shunt], InRun: true, Scale: calibration.Shunt{ShuntOhm: 0.00025, Gain: 1}},
		{Name: "volts", Chip: 0, Input: in[bus], InRun: true, Scale: calibration.Divider{BottomOhm: 830e3}},
		{Name: "other", Chip: 1, Input: ads, InRun: true, Scale: calibration.Divider{TopOhm: 100e3, BottomOhm: 10e3}},
	}}
	all, err := sensors.New(
		cfg,
		[]sensors.Chip{b.dev, ads1115.New(b.bus, 0x48, &b.clock)},
		nil,
		&b.clock,
	)
	require.NoError(t, err)
	s, err := all.Next(t.Context())
	require.NoError(t, err)
	for i, want := range []float64{80, 11.98, 12.65} {
		assert.Equal(t, sensors.None, s.Readings[i].Fault)
		assert.InDelta(t, want, s.Readings[i].Value, 1e-3)
	}
	_, slow := ads.Time(sensors.AtRest)
	_, next := in[bus].Time(sensors.AtRest)
	assert.Equal(t, slow+next, s.Took, "the second conversion starts after the slower of the first two")
	class := all.Class(0, sensors.InRun)
	assert.InDelta(t, 0.01, class.StepSize, 1e-12)
	assert.InDelta(t, 0.04, class.ZeroError, 1e-12)
}
