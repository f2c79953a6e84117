package ads1115_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"liftbank/sensors"
	"liftbank/sensors/ads1115"
)

// steppedClock is time that passes only by being waited for.
type steppedClock struct {
	now   time.Duration
	waits int
}

func (c *steppedClock) Now() time.Duration { return c.now }

func (c *steppedClock) WaitUntil(ctx context.Context, at time.Duration) error {
	c.waits++
	c.now = max(c.now, at)
	return ctx.Err()
}

// transfer is one expected transfer with the chip at 48h, whose address bytes on the wire are 90h
// to write and 91h to read.
func transfer(write, read []byte) i2ctest.IO { return i2ctest.IO{Addr: 0x48, W: write, R: read} }

// playback gives a driver on a bus that accepts the given transfers only, all of them and in that
// order.
func playback(t *testing.T, ops ...i2ctest.IO) (*ads1115.Dev, *steppedClock) {
	t.Helper()
	bus := &i2ctest.Playback{Ops: ops, DontPanic: true}
	t.Cleanup(func() { assert.NoError(t, bus.Close()) })
	clock := &steppedClock{}
	return ads1115.NewDev(bus, 0x48, clock), clock
}

// One conversion of AIN0 over ground at 4.096 V and 128 SPS, whose word is C383h; it reads back
// with the OS bit as status.
func TestSingleShotOnTheWire(t *testing.T) {
	dev, clock := playback(t,
		transfer([]byte{0x01, 0xC3, 0x83}, nil),
		transfer([]byte{0x01}, []byte{0xC3, 0x83}),
		transfer([]byte{0x00}, []byte{0x5A, 0x3C}),
	)
	require.NoError(t, dev.Start(0xC383))
	code, err := dev.Result(t.Context())
	require.NoError(t, err)
	assert.Equal(t, int16(0x5A3C), code)
	assert.Equal(t, 1, clock.waits)
	assert.InDelta(t, 1.0/128, clock.now.Seconds(), 0.12/128, "asked when it should be done")
}

// Negative codes are two's complement.
func TestNegativeCode(t *testing.T) {
	dev, _ := playback(t,
		transfer([]byte{0x01, 0xD3, 0xE3}, nil),
		transfer([]byte{0x01}, []byte{0xD3, 0xE3}),
		transfer([]byte{0x00}, []byte{0xC0, 0x00}),
	)
	require.NoError(t, dev.Start(0xD3E3))
	code, err := dev.Result(t.Context())
	require.NoError(t, err)
	assert.Equal(t, int16(-16384), code)
}

// While OS reads 0 the conversion register holds the conversion before, perhaps of another input:
// it is read along, and doesn't count.
func TestNotTakenBeforeItIsReady(t *testing.T) {
	dev, clock := playback(t,
		transfer([]byte{0x01, 0xC3, 0x83}, nil),
		transfer([]byte{0x01}, []byte{0x43, 0x83}),
		transfer([]byte{0x00}, []byte{0x55, 0x55}),
		transfer([]byte{0x01}, []byte{0x43, 0x83}),
		transfer([]byte{0x00}, []byte{0x00, 0x00}), // nor does a zero
		transfer([]byte{0x01}, []byte{0xC3, 0x83}),
		transfer([]byte{0x00}, []byte{0x12, 0x34}),
	)
	require.NoError(t, dev.Start(0xC383))
	code, err := dev.Result(t.Context())
	require.NoError(t, err)
	assert.Equal(t, int16(0x1234), code)
	assert.Equal(t, 3, clock.waits, "one for the conversion, one before each further poll")
}

// A conversion that never ends has no code, whatever the register holds.
func TestNoCodeWithoutReady(t *testing.T) {
	ops := []i2ctest.IO{transfer([]byte{0x01, 0xC3, 0x83}, nil)}
	for range 10 { // when it is due, every eighth of that time for as long again, and at the end
		ops = append(ops, transfer([]byte{0x01}, []byte{0x43, 0x83}), transfer([]byte{0x00}, []byte{0x55, 0x55}))
	}
	dev, _ := playback(t, ops...)
	require.NoError(t, dev.Start(0xC383))
	code, err := dev.Result(t.Context())
	assert.Zero(t, code)
	assert.Equal(t, sensors.NotReady, sensors.FaultOf(err), "%v", err)
}

// A conversion register of 0000h may be a fresh chip's: the settings decide.
func TestZeroIsChecked(t *testing.T) {
	start := []i2ctest.IO{
		transfer([]byte{0x01, 0xC3, 0x83}, nil),
		transfer([]byte{0x01}, []byte{0xC3, 0x83}),
		transfer([]byte{0x00}, []byte{0x00, 0x00}),
	}
	t.Run("true zero", func(t *testing.T) {
		dev, _ := playback(t, append(start, transfer([]byte{0x01}, []byte{0xC3, 0x83}))...)
		require.NoError(t, dev.Start(0xC383))
		code, err := dev.Result(t.Context())
		require.NoError(t, err)
		assert.Zero(t, code)
	})
	t.Run("power-on between the two reads", func(t *testing.T) {
		dev, _ := playback(t, append(start, transfer([]byte{0x01}, []byte{0x85, 0x83}))...)
		require.NoError(t, dev.Start(0xC383))
		_, err := dev.Result(t.Context())
		assert.EqualError(t, err, "check config: on ads1115 48h: settings lost: "+
			"got 8583h (AIN0-AIN1, 2.048 V, 128 SPS): want C383h (AIN0, 4.096 V, 128 SPS)")
		assert.Equal(t, sensors.Reset, sensors.FaultOf(err))
	})
}

// The codes at the ends of the range are codes like others here; the port marks them.
func TestEndsOfTheRange(t *testing.T) {
	for _, tt := range []struct {
		read []byte
		want float64
	}{{[]byte{0x7F, 0xFF}, 4.095875}, {[]byte{0x80, 0x00}, -4.096}} { // SBASAV5 table 8-1
		dev, _ := playback(t,
			transfer([]byte{0x01, 0xC3, 0x83}, nil),
			transfer([]byte{0x01}, []byte{0xC3, 0x83}),
			transfer([]byte{0x00}, tt.read),
		)
		chip := ads1115.Over(dev)
		require.NoError(t, chip.Use([]sensors.Input{
			&ads1115.Input{Mux: ads1115.AIN0, FullScale: ads1115.Range4V096, RestRate: ads1115.SPS128},
		}))
		require.NoError(t, chip.Start(0, sensors.AtRest))
		got, err := chip.Read(t.Context())
		require.NoError(t, err)
		assert.Equal(t, sensors.Saturated, got.Fault)
		assert.InDelta(t, tt.want, got.PinV, 1e-9)
	}
}

func TestResultWithoutStart(t *testing.T) {
	dev, _ := playback(t)
	_, err := dev.Result(t.Context())
	assert.EqualError(t, err, "read result: on ads1115 48h: conversion not finished: no conversion was started")
}

func TestStopOfContextIsPassedOn(t *testing.T) {
	dev, _ := playback(t, transfer([]byte{0x01, 0xC3, 0x83}, nil))
	require.NoError(t, dev.Start(0xC383))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := dev.Result(ctx)
	assert.Same(t, context.Canceled, err)
}
