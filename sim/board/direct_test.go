package board_test

import (
	"context"
	"errors"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/sim/board"
)

func TestDirectPathGivesTheCode(t *testing.T) {
	clock := &steppedClock{now: time.Second}
	chip := board.NewChip(0x48, clock, board.Options{})
	chip.Connect(1, func(at time.Duration) float64 { return at.Seconds() })
	require.NoError(t, chip.Start(ain1At4V096SPS860))
	clock.now += 10 * time.Millisecond
	code, err := chip.Result(t.Context())
	require.NoError(t, err)
	end := 1 + 25e-6 + 1/860.0
	assert.InDelta(t, end*8000, code, 0.5)
}

func TestDirectPathWaitsForTheConversion(t *testing.T) {
	clock := &steppedClock{}
	chip := board.NewChip(0x48, clock, board.Options{OscillatorError: -0.1})
	chip.Connect(1, constant(1))
	require.NoError(t, chip.Start(ain1At4V096SPS860))
	code, err := chip.Result(t.Context())
	require.NoError(t, err)
	assert.Equal(t, int16(8000), code)
	assert.InDelta(t, 25e-6+1/(0.9*860), clock.now.Seconds(), 1e-8, "no longer than needed")
}

func TestDirectPathWithoutAWaitingClock(t *testing.T) {
	clock := &frozenClock{}
	chip := board.NewChip(0x48, clock, board.Options{})
	require.NoError(t, chip.Start(ain1At4V096SPS860))
	_, err := chip.Result(t.Context())
	require.ErrorIs(t, err, board.ErrNotReady)
	assert.EqualError(t, err, "read result: on simulated ADS1115 48h: conversion not finished")
}

func TestDirectPathStopsWithItsContext(t *testing.T) {
	clock := &steppedClock{}
	chip := board.NewChip(0x48, clock, board.Options{})
	require.NoError(t, chip.Start(ain1At4V096SPS860))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := chip.Result(ctx)
	assert.Equal(t, context.Canceled, err)
}

func TestResultNeedsAStart(t *testing.T) {
	clock := &steppedClock{}
	chip := board.NewChip(0x48, clock, board.Options{})
	_, err := chip.Result(t.Context())
	require.ErrorIs(t, err, board.ErrNotReady)
	require.NoError(t, chip.Start(ain1At4V096SPS860))
	_, err = chip.Result(t.Context())
	require.NoError(t, err)
	_, err = chip.Result(t.Context())
	assert.EqualError(t, err, "read result: on simulated ADS1115 48h: conversion not finished: none was started")
}

// registerPath does what the direct path stands for, by transfers on the bus.
type registerPath struct {
	bus     *board.Bus
	clock   *steppedClock
	started uint16
	begun   time.Duration
	pending bool
}

func (p *registerPath) start(config uint16) error {
	p.pending = false
	if err := p.bus.Tx(0x48, []byte{1, byte(config >> 8), byte(config)}, nil); err != nil {
		return err
	}
	p.pending, p.started, p.begun = true, config, p.clock.now
	return nil
}

func (p *registerPath) result() (int16, error) {
	if !p.pending {
		return 0, board.ErrNotReady
	}
	p.pending = false
	rates := [8]int64{8, 16, 32, 64, 128, 250, 475, 860}
	longest := time.Duration(1.1e9/float64(rates[p.started>>5&7])) + 25*time.Microsecond
	for {
		config, err := p.read(1)
		switch {
		case err != nil:
			return 0, err
		case config&0x7FFF != p.started&0x7FFF:
			return 0, board.ErrReset
		case config&0x8000 != 0:
			code, err := p.read(0)
			return int16(code), err
		case p.clock.now >= p.begun+2*longest:
			return 0, board.ErrNotReady
		}
		p.clock.now = min(p.clock.now+longest/20, p.begun+2*longest)
	}
}

func (p *registerPath) read(pointer byte) (uint16, error) {
	var b [2]byte
	err := p.bus.Tx(0x48, []byte{pointer}, b[:])
	return uint16(b[0])<<8 | uint16(b[1]), err
}

// Both paths see the same faults at the same instants and must give the same codes and kinds of
// error.
func TestDirectPathEqualsRegisterPath(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		opt := board.Options{OscillatorError: rapid.Float64Range(-0.1, 0.1).Draw(t, "oscillator")}
		byBytes, direct := newRig(nil, opt), newRig(nil, opt)
		path := registerPath{bus: byBytes.bus, clock: byBytes.clock}
		amplitude := rapid.Float64Range(0, 8).Draw(t, "amplitude")
		for ain := range 4 {
			a := func(at time.Duration) float64 { return amplitude * math.Sin(at.Seconds()*float64(7+ain)) }
			byBytes.chip.Connect(ain, a)
			direct.chip.Connect(ain, a)
		}
		for range rapid.IntRange(1, 40).Draw(t, "conversions") {
			drawFault(t, byBytes, direct)
			config := rapid.Uint16().Draw(t, "fields") | 0x8100 // OS, single shot
			want, got := path.start(config), direct.chip.Start(config)
			sameKind(t, want, got)

			drawFault(t, byBytes, direct)
			pause := time.Duration(rapid.Int64Range(0, 2e8).Draw(t, "pause"))
			byBytes.clock.now += pause
			direct.clock.now += pause
			wantCode, want := path.result()
			gotCode, got := direct.chip.Result(t.Context())
			sameKind(t, want, got)
			if gotCode != wantCode {
				t.Fatalf("config %04Xh: direct path %d, register path %d", config, gotCode, wantCode)
			}
			byBytes.clock.now = max(byBytes.clock.now, direct.clock.now)
			direct.clock.now = byBytes.clock.now
		}
	})
}

// drawFault sets the same fault, or none, on each of the rigs.
func drawFault(t *rapid.T, rigs ...*rig) {
	kind := rapid.IntRange(0, 30).Draw(t, "fault")
	ain := rapid.IntRange(0, 3).Draw(t, "ain")
	n := rapid.IntRange(-1, 3).Draw(t, "n")
	for _, r := range rigs {
		switch kind {
		case 0:
			r.chip.StickCode(ain, int16(n*1000))
		case 1:
			r.chip.Open(ain, float64(n))
		case 2, 3:
			r.chip.Mend(ain)
		case 4:
			r.chip.BrownOut()
		case 5, 6:
			r.chip.Absent(kind == 5)
		case 7, 8:
			r.chip.SlowReady(time.Duration(max(n, 0)*n) * 3 * time.Millisecond)
		case 9, 10:
			r.bus.NACK(0x48, n)
		case 11, 12:
			r.bus.NACK(0x48, 0)
		case 13, 14:
			r.bus.Stick(kind == 13)
		}
	}
}

func sameKind(t *rapid.T, want, got error) {
	t.Helper()
	for _, kind := range []error{board.ErrAbsent, board.ErrNACK, board.ErrBusStuck, board.ErrNotReady, board.ErrReset,
		nil} {
		if errors.Is(want, kind) || want == kind {
			if !errors.Is(got, kind) && got != kind {
				t.Fatalf("direct path: %v; register path: %v", got, want)
			}
			return
		}
	}
	t.Fatalf("register path: unknown error %v", want)
}

// BenchmarkDirect is one single-ended conversion by Start and Result with a constant input.
func BenchmarkDirect(b *testing.B) {
	clock := &steppedClock{}
	chip := board.NewChip(0x48, clock, board.Options{OscillatorError: 0.02})
	board.NewBus(clock, chip)
	chip.Connect(1, constant(1.9))
	ctx := b.Context()
	b.ReportAllocs()
	for b.Loop() {
		if err := chip.Start(ain1At4V096SPS860); err != nil {
			b.Fatal(err)
		}
		clock.now += 2 * time.Millisecond
		if _, err := chip.Result(ctx); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkRegisters is the same through the bus: config written and read, conversion read.
func BenchmarkRegisters(b *testing.B) {
	r := newRig(b, board.Options{OscillatorError: 0.02})
	r.chip.Connect(1, constant(1.9))
	start, status, result, in := []byte{1, 0xD3, 0xE3}, []byte{1}, []byte{0}, make([]byte, 2)
	b.ReportAllocs()
	for b.Loop() {
		_ = r.bus.Tx(0x48, start, nil)
		r.clock.now += 2 * time.Millisecond
		_ = r.bus.Tx(0x48, status, in)
		if err := r.bus.Tx(0x48, result, in); err != nil {
			b.Fatal(err)
		}
	}
}
