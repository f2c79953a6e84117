package ads1115_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c"

	"liftbank/sensors"
	"liftbank/sensors/ads1115"
	"liftbank/sim/board"
)

// bench is the driver on an emulated chip whose four inputs carry 1, 2, 3 and 4 V times a tenth.
type bench struct {
	clock *steppedClock
	chip  *board.Chip
	bus   *board.Bus
	dev   *ads1115.Dev
}

func newBench(opt board.Options) *bench {
	b := &bench{clock: &steppedClock{}}
	b.chip = board.NewChip(0x48, b.clock, opt)
	for ain := range 4 {
		b.chip.Connect(ain, func(time.Duration) float64 { return float64(ain+1) / 10 })
	}
	b.bus = board.NewBus(b.clock, b.chip)
	b.dev = ads1115.NewDev(b.bus, 0x48, b.clock)
	return b
}

// convert gives the volts of one single-shot conversion at 4.096 V.
func (b *bench) convert(t *testing.T, m ads1115.Mux, r ads1115.Rate) (float64, error) {
	config := ads1115.SingleShot(m, ads1115.Range4V096, r)
	if err := b.dev.Start(uint16(config)); err != nil {
		return 0, err
	}
	code, err := b.dev.Result(t.Context())
	return config.FullScale().Volts(code), err
}

// Every input in turn, at every rate and with the oscillator at both ends of its tolerance, gives
// its own voltage and not that of the input before, and the chip is asked once only.
func TestEachInputGivesItsOwnVoltage(t *testing.T) {
	want := map[ads1115.Mux]float64{
		ads1115.AIN0: 0.1, ads1115.AIN1: 0.2, ads1115.AIN2: 0.3, ads1115.AIN3: 0.4,
		ads1115.AIN0AIN1: -0.1, ads1115.AIN0AIN3: -0.3, ads1115.AIN1AIN3: -0.2, ads1115.AIN2AIN3: -0.1,
	}
	for _, off := range []float64{-0.1, 0, 0.1} {
		for r := ads1115.SPS8; r <= ads1115.SPS860; r++ {
			t.Run(fmt.Sprintf("%v %+.0f %%", r, off*100), func(t *testing.T) {
				b := newBench(board.Options{OscillatorError: off})
				for m := ads1115.AIN0AIN1; m <= ads1115.AIN3; m++ {
					got, err := b.convert(t, m, r)
					require.NoError(t, err, m)
					assert.InDelta(t, want[m], got, 63e-6, m)
				}
				assert.Equal(t, uint64(8*2), b.bus.Transfers(), "write; poll and read")
			})
		}
	}
}

// A caller in a hurry never gets the conversion before.
func TestHurriedCallerWaits(t *testing.T) {
	b := newBench(board.Options{})
	for range 3 {
		for m, want := range map[ads1115.Mux]float64{ads1115.AIN0: 0.1, ads1115.AIN3: 0.4} {
			before := b.clock.now
			got, err := b.convert(t, m, ads1115.SPS8)
			require.NoError(t, err)
			assert.InDelta(t, want, got, 63e-6)
			assert.GreaterOrEqual(t, b.clock.now-before, time.Second/8)
		}
	}
}

func TestErrorsSayTheFault(t *testing.T) {
	for _, tt := range []struct {
		name  string
		fault func(*bench)
		want  sensors.Fault
	}{
		{"one transfer not acknowledged", func(b *bench) { b.bus.NACK(0x48, 1) }, sensors.NoAnswer},
		{"unplugged", func(b *bench) { b.chip.Absent(true) }, sensors.NoAnswer},
		{"bus held", func(b *bench) { b.bus.Stick(true) }, sensors.BusStuck},
		{"three times too slow", func(b *bench) { b.chip.SlowReady(3 * time.Second / 128) }, sensors.NotReady},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(board.Options{})
			tt.fault(b)
			_, err := b.convert(t, ads1115.AIN0, ads1115.SPS128)
			require.Error(t, err)
			assert.Equal(t, tt.want, sensors.FaultOf(err), "%v", err)
		})
	}
}

// A chip that is slower than its data sheet but not hopeless is waited for.
func TestLateConversionIsWaitedFor(t *testing.T) {
	b := newBench(board.Options{})
	b.chip.SlowReady(5 * time.Millisecond)
	got, err := b.convert(t, ads1115.AIN1, ads1115.SPS128)
	require.NoError(t, err)
	assert.InDelta(t, 0.2, got, 63e-6)
	assert.Less(t, b.clock.now, 16*time.Millisecond)
}

// After a conversion that did not end in time the chip is not given the next input: it would put
// the old code under the new settings.
func TestBusyChipIsNotStartedAgain(t *testing.T) {
	b := newBench(board.Options{})
	b.chip.SlowReady(3 * time.Millisecond)
	_, err := b.convert(t, ads1115.AIN0, ads1115.SPS860)
	require.Equal(t, sensors.NotReady, sensors.FaultOf(err))
	_, err = b.convert(t, ads1115.AIN3, ads1115.SPS860)
	assert.EqualError(
		t,
		err,
		"start conversion: on ads1115 48h: conversion not finished: the previous one is not finished",
	)
	b.chip.SlowReady(0)
	b.clock.now += 5 * time.Millisecond
	got, err := b.convert(t, ads1115.AIN3, ads1115.SPS860)
	require.NoError(t, err)
	assert.InDelta(t, 0.4, got, 63e-6)
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

// Wherever the supply dips, the driver gives the right voltage or says that the settings are lost;
// it never gives the power-on zero or another input's voltage. So on a bus that joins transfers and on one
// that can't, and for an input at 0 V, which looks like a chip that was reset, at its first look and later.
func TestBrownOutAtAnyTransfer(t *testing.T) {
	for _, together := range []bool{false, true} {
		for _, volts := range []float64{0.3, 0} {
			for begin := range 2 {
				for dip := 1; dip <= 4; dip++ {
					b := newBench(board.Options{})
					b.chip.Connect(2, func(time.Duration) float64 { return volts })
					j := &joined{interceptor{Bus: b.bus, before: func(int) {}}}
					var bus i2c.Bus = &j.interceptor
					if together {
						bus = j
					}
					b.dev = ads1115.NewDev(bus, 0x48, b.clock)
					what := fmt.Sprintf("joined %v, %v V, after %d conversions, before transfer %d", together, volts, begin, dip)
					for range begin {
						_, err := b.convert(t, ads1115.AIN2, ads1115.SPS860)
						require.NoError(t, err, what)
					}
					j.count, j.before = 0, func(n int) {
						if n == dip {
							b.chip.BrownOut()
						}
					}
					got, err := b.convert(t, ads1115.AIN2, ads1115.SPS860)
					last := 3 // config written and read, code read
					if volts == 0 {
						last = 4 // config again
					}
					if dip > 1 && dip <= last {
						assert.Equal(t, sensors.Reset, sensors.FaultOf(err), "%s: %v", what, err)
						j.before = func(int) {}
						got, err = b.convert(t, ads1115.AIN2, ads1115.SPS860)
					}
					require.NoError(t, err, what)
					assert.InDelta(t, volts, got, 63e-6, what)
				}
			}
		}
	}
}

// A zero is looked at twice: in a call of its own the first time, in the same one while it stays.
func TestZeroCostsNoFurtherCall(t *testing.T) {
	b := newBench(board.Options{})
	volts := 0.0
	b.chip.Connect(0, func(time.Duration) float64 { return volts })
	for i, tt := range []struct {
		volts float64
		calls uint64
	}{{0, 3}, {0, 2}, {0, 2}, {0.1, 2}, {0, 3}, {0, 2}} {
		volts = tt.volts
		before := b.bus.Transfers()
		got, err := b.convert(t, ads1115.AIN0, ads1115.SPS860)
		require.NoError(t, err)
		assert.InDelta(t, volts, got, 63e-6)
		assert.Equal(t, tt.calls, b.bus.Transfers()-before, i)
	}
}

// Another chip's answer at this address does not hold our settings.
func TestStrangerAtTheAddress(t *testing.T) {
	b := newBench(board.Options{})
	other := ads1115.NewDev(b.bus, 0x48, b.clock)
	require.NoError(t, b.dev.Start(0xC383))
	require.NoError(t, other.Start(0xD383))
	_, err := b.dev.Result(t.Context())
	assert.Equal(t, sensors.Reset, sensors.FaultOf(err), "%v", err)
}

func TestNobodyAtTheAddress(t *testing.T) {
	b := newBench(board.Options{})
	err := ads1115.NewDev(b.bus, 0x4B, b.clock).Start(0xC383)
	assert.EqualError(t, err, "start conversion: on ads1115 4Bh: no answer: sysfs-i2c: no such device or address")
}

func TestConversionDoesNotAllocate(t *testing.T) {
	b := newBench(board.Options{})
	assert.Zero(t, testing.AllocsPerRun(100, func() { _, _ = b.convert(t, ads1115.AIN0, ads1115.SPS860) }))
}
