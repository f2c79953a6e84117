package board_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"liftbank/sim/board"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// steppedClock stands still until a test moves it.
type steppedClock struct{ now time.Duration }

func (c *steppedClock) Now() time.Duration { return c.now }

func (c *steppedClock) WaitUntil(ctx context.Context, at time.Duration) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	c.now = max(c.now, at)
	return nil
}

// frozenClock can't be waited on.
type frozenClock struct{ now time.Duration }

func (c *frozenClock) Now() time.Duration { return c.now }

// constant is an input with a steady voltage.
func constant(v float64) board.Analog { return func(time.Duration) float64 { return v } }

// rig is one chip at 48h on a bus.
type rig struct {
	t     testing.TB
	clock *steppedClock
	chip  *board.Chip
	bus   *board.Bus
}

func newRig(t testing.TB, opt board.Options) *rig {
	clock := &steppedClock{}
	chip := board.NewChip(0x48, clock, opt)
	return &rig{t: t, clock: clock, chip: chip, bus: board.NewBus(clock, chip)}
}

// write sends bytes to the chip, as the data sheet prints them after the address byte 90h.
func (r *rig) write(b ...byte) {
	r.t.Helper()
	require.NoError(r.t, r.bus.Tx(0x48, b, nil))
}

// read reads n bytes from the register the pointer stands on: address byte 91h.
func (r *rig) read(n int) []byte {
	r.t.Helper()
	b := make([]byte, n)
	require.NoError(r.t, r.bus.Tx(0x48, nil, b))
	return b
}

// register points to a register and reads it.
func (r *rig) register(pointer byte) uint16 {
	r.t.Helper()
	r.write(pointer)
	b := r.read(2)
	return uint16(b[0])<<8 | uint16(b[1])
}

// convert does one single-shot conversion by the bus and gives the code.
func (r *rig) convert(config uint16) int16 {
	r.t.Helper()
	r.write(0x01, byte(config>>8), byte(config))
	r.clock.now += 200 * time.Millisecond // longer than one at 8 SPS
	require.NotZero(r.t, r.register(1)&0x8000, "OS: conversion not over")
	return int16(r.register(0))
}
