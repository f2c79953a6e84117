package ina226_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"liftbank/sensors"
	"liftbank/sensors/ads1115"
	"liftbank/sensors/calibration"
	"liftbank/sensors/ina226"
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

// bench is the driver on an emulated chip with 20 mV at the shunt and 11.98 V on the bus, the data
// sheet's example.
type bench struct {
	clock steppedClock
	chip  *board.INA226
	bus   *board.Bus
	dev   *ina226.Chip
}

func newBench(t testing.TB, timeError float64, inputs ...sensors.Input) *bench {
	b := &bench{}
	b.chip = board.NewINA226(addr, &b.clock, timeError)
	b.chip.ConnectShunt(func(time.Duration) float64 { return 0.020 })
	b.chip.ConnectBus(func(time.Duration) float64 { return 11.98 })
	b.bus = board.NewBus(&b.clock)
	b.bus.Attach(b.chip)
	b.dev = ina226.New(b.bus, addr, &b.clock)
	if inputs == nil {
		inputs = both()
	}
	require.NoError(t, b.dev.Use(inputs))
	return b
}

const shunt, bus = 0, 1

// both are the inputs with the default settings.
func both() []sensors.Input {
	var c ina226.ChipConfig
	s, b := c.NewInput().(*ina226.Input), c.NewInput().(*ina226.Input)
	s.Source, b.Source = ina226.Shunt, ina226.Bus
	return []sensors.Input{s, b}
}

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
	b := newBench(t, 0)
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

// The ends of the ranges: ±81.92 mV, and a bus register that is never negative.
func TestEndsOfTheRange(t *testing.T) {
	for _, tt := range []struct {
		input int
		v     float64
		want  sensors.Sample
	}{
		{shunt, 0.0819, sensors.Sample{PinV: 0.0819}},
		{shunt, 0.3, sensors.Sample{PinV: 0.0819175, Fault: sensors.Saturated}},
		{shunt, -0.3, sensors.Sample{PinV: -0.08192, Fault: sensors.Saturated}},
		{bus, 36, sensors.Sample{PinV: 36}},
		{bus, 50, sensors.Sample{PinV: 40.95875, Fault: sensors.Saturated}},
		{bus, -1, sensors.Sample{}},
	} {
		b := newBench(t, 0)
		b.chip.ConnectShunt(func(time.Duration) float64 { return tt.v })
		b.chip.ConnectBus(func(time.Duration) float64 { return tt.v })
		got, err := b.convert(t, tt.input, sensors.InRun)
		require.NoError(t, err)
		assert.InDelta(t, tt.want.PinV, got.PinV, 1e-9, "%v", tt.v)
		assert.Equal(t, tt.want.Fault, got.Fault, "%v", tt.v)
	}
}

// One conversion of the shunt, 16 samples of 1.1 ms: mode 1, averaging 2, both times 4, bit 14 set.
func TestOnTheWire(t *testing.T) {
	io := func(w []byte, r ...byte) i2ctest.IO { return i2ctest.IO{Addr: addr, W: w, R: r} }
	playback := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
		io([]byte{0x00, 0x45, 0x21}),
		io([]byte{0x06}, 0x00, 0x00),
		io([]byte{0x06}, 0x00, 0x08),
		io([]byte{0x01}, 0xE0, 0xC0), // -20 mV
		io([]byte{0x00}, 0x45, 0x21),
	}}
	clock := &steppedClock{}
	dev := ina226.New(playback, addr, clock)
	require.NoError(t, dev.Use(both()))
	require.NoError(t, dev.Start(shunt, sensors.AtRest))
	got, err := dev.Read(t.Context())
	require.NoError(t, err)
	assert.InDelta(t, -0.020, got.PinV, 1e-12)
	assert.Equal(t, sensors.None, got.Fault)
	assert.InDelta(t, 16*1.21, clock.now.Seconds()*1000, 3, "asked when it should be done, and a little later")
	require.NoError(t, playback.Close())
}

// Each setting, with sample times at both ends of their tolerance, gives its own input's voltage in
// four transfers: write, poll, read, read back.
func TestEverySetting(t *testing.T) {
	for _, off := range []float64{-0.1, 0, 0.1} {
		for code := range 8 {
			avg, sample := ina226.Average(code), ina226.SampleTime(7-code)
			inputs := []sensors.Input{
				&ina226.Input{Source: ina226.Shunt, RestAverage: avg, RunAverage: 7 - avg, Sample: sample},
				&ina226.Input{Source: ina226.Bus, RestAverage: avg, RunAverage: 7 - avg, Sample: sample},
			}
			b := newBench(t, off, inputs...)
			for _, m := range []sensors.Mode{sensors.AtRest, sensors.InRun} {
				for i, want := range []float64{0.020, 11.98} {
					begin := b.clock.now
					got, err := b.convert(t, i, m)
					require.NoError(t, err)
					assert.InDelta(t, want, got.PinV, 1.25e-3/2)
					_, longest := inputs[i].Time(m)
					assert.Equal(t, longest, b.clock.now-begin)
				}
			}
			assert.Equal(t, uint64(4*4), b.bus.Transfers())
		}
	}
}

// Averaging is over all samples of the conversion.
func TestAverage(t *testing.T) {
	b := newBench(t, 0)
	b.chip.ConnectShunt(func(at time.Duration) float64 { return 1e-3 * at.Seconds() / 1.1e-3 }) // 1 mV a sample
	got, err := b.convert(t, shunt, sensors.AtRest)
	require.NoError(t, err)
	assert.InDelta(t, 8.5e-3, got.PinV, 2e-6, "mean of 1 to 16 mV")
}

// A conversion that is dropped leaves nothing behind.
func TestStartDropsTheConversionInProgress(t *testing.T) {
	b := newBench(t, 0)
	require.NoError(t, b.dev.Start(shunt, sensors.AtRest))
	b.clock.now += time.Second // done, but not read
	got, err := b.convert(t, bus, sensors.InRun)
	require.NoError(t, err)
	assert.InDelta(t, 11.98, got.PinV, 1e-3)
	_, err = b.dev.Read(t.Context())
	assert.EqualError(t, err, "read result: on ina226 40h: conversion not finished: no conversion was started")
}

func TestErrorsSayTheFault(t *testing.T) {
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
		b := newBench(t, 0)
		tt.fault(b)
		_, err := b.convert(t, shunt, sensors.InRun)
		require.Error(t, err, tt.name)
		assert.Equal(t, tt.want, sensors.FaultOf(err), "%s: %v", tt.name, err)
	}
}

func TestLateConversionIsWaitedFor(t *testing.T) {
	b := newBench(t, 0)
	b.chip.SlowReady(time.Millisecond)
	got, err := b.convert(t, shunt, sensors.InRun)
	require.NoError(t, err)
	assert.InDelta(t, 0.020, got.PinV, 1e-6)
	assert.Less(t, b.clock.now, 2500*time.Microsecond)
}

// interceptor calls before with the number of each transfer, from 1.
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

// Wherever the supply dips, the driver gives the right voltage or says that the settings are lost.
// The chip converts on with its power-on settings, so that its flag is set later just as well.
func TestBrownOutAtAnyTransfer(t *testing.T) {
	for dip := 1; dip <= 4; dip++ {
		b := newBench(t, 0)
		wired := &interceptor{Bus: b.bus, before: func(n int) {
			if n == dip {
				b.chip.BrownOut()
			}
		}}
		b.dev = ina226.New(wired, addr, &b.clock)
		require.NoError(t, b.dev.Use(both()))
		got, err := b.convert(t, shunt, sensors.AtRest)
		if dip > 1 {
			assert.Equal(t, sensors.Reset, sensors.FaultOf(err), "%d: %v", dip, err)
			got, err = b.convert(t, shunt, sensors.AtRest)
		}
		require.NoError(t, err)
		assert.InDelta(t, 0.020, got.PinV, 1e-6)
	}
}

func TestStopOfContextIsPassedOn(t *testing.T) {
	b := newBench(t, 0)
	require.NoError(t, b.dev.Start(shunt, sensors.AtRest))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := b.dev.Read(ctx)
	assert.Same(t, context.Canceled, err)
}

func TestConversionDoesNotAllocate(t *testing.T) {
	b := newBench(t, 0)
	assert.Zero(t, testing.AllocsPerRun(100, func() { _, _ = b.convert(t, bus, sensors.InRun) }))
}

func TestSettingsThatAreNot(t *testing.T) {
	err := (&ina226.Input{Source: 3, RunAverage: 8, Sample: 9}).Validate()
	assert.EqualError(
		t,
		err,
		"input: Source(3): want shunt or bus\naverages: codes 0, 8: want 0 to 7\nsample time: code 9: want 0 to 7",
	)
	err = newBench(t, 0).dev.Use([]sensors.Input{&ads1115.Input{Mux: ads1115.AIN0}})
	assert.EqualError(t, err, "ina226: input AIN0: *ads1115.Input: want an input of this chip")
}

// By hand from the data sheet: steps of 2.5 µV and 1.25 mV, offsets of 10 µV and 7.5 mV, 0.1 % of
// gain; a quarter of the noise with sixteen times the samples.
func TestClass(t *testing.T) {
	in := both()
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

// On one board with an ADS1115: both convert side by side, a scan takes as long as the slower one,
// and the current has the class of 0.25 mΩ: steps of 10 mA, 40 mA of zero error.
func TestOnABoardWithAnotherChip(t *testing.T) {
	b := newBench(t, 0)
	other := board.NewChip(0x48, &b.clock, board.Options{})
	other.Connect(0, func(time.Duration) float64 { return board.Divider{TopOhm: 100e3, BottomOhm: 10e3}.PinV(12.65) })
	b.bus.Attach(other)
	in := both()
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
		[]sensors.Chip{ina226.New(b.bus, addr, &b.clock), ads1115.New(b.bus, 0x48, &b.clock)},
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
