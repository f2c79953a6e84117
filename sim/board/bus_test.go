package board_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/physic"

	"liftbank/sim/board"
)

func TestAnEmptyAddressDoesNotAnswer(t *testing.T) {
	r := newRig(t, board.Options{})
	assert.EqualError(t, r.bus.Tx(0x49, []byte{1}, nil), "sysfs-i2c: no such device or address")
	assert.EqualError(t, r.bus.Tx(0x80, []byte{1}, nil), "sysfs-i2c: invalid address")
	assert.NoError(t, r.bus.Tx(0x49, nil, nil), "nothing to transfer")
	assert.EqualError(t, board.NewBus(r.clock).Tx(0, []byte{6}, nil), "sysfs-i2c: no such device or address",
		"no chips at all")
	assert.EqualError(t, r.bus.SetSpeed(100*physic.KiloHertz), "sysfs-i2c: not supported")
	assert.Equal(t, "simulated I2C", r.bus.String())
}

func TestNACK(t *testing.T) {
	r := newRig(t, board.Options{})
	write := func() error { return r.bus.Tx(0x48, []byte{2, 0x12, 0x34}, nil) }
	r.bus.NACK(0x48, 2)
	for range 2 {
		assert.EqualError(t, write(), "sysfs-i2c: remote I/O error")
	}
	assert.Equal(t, uint16(0x8000), r.register(2), "the chip saw nothing of it")
	require.NoError(t, write(), "only two")

	r.bus.NACK(0x48, -1)
	for range 100 {
		require.ErrorIs(t, write(), board.ErrNACK)
	}
	r.bus.NACK(0x48, 0)
	assert.NoError(t, write())

	r.bus.NACK(0x49, -1)
	assert.NoError(t, write(), "another address")
}

func TestStuckBusStopsAllTransfers(t *testing.T) {
	clock := &steppedClock{}
	bus := board.NewBus(clock, board.NewChip(0x48, clock, board.Options{}), board.NewChip(0x49, clock, board.Options{}))
	bus.Stick(true)
	for _, addr := range []uint16{0, 0x48, 0x49, 0x4A} {
		assert.EqualError(t, bus.Tx(addr, []byte{1}, nil), "sysfs-i2c: connection timed out")
	}
	bus.Stick(false)
	assert.NoError(t, bus.Tx(0x48, []byte{1}, nil))
	assert.Equal(t, uint64(5), bus.Transfers())
}

func TestAbsentChipKeepsItsRegisters(t *testing.T) {
	r := newRig(t, board.Options{})
	r.write(2, 0x12, 0x34)
	r.chip.Absent(true)
	assert.ErrorIs(t, r.bus.Tx(0x48, []byte{2}, nil), board.ErrAbsent)
	r.chip.Absent(false)
	assert.Equal(t, uint16(0x1234), r.register(2))
}

func TestBrownOutLosesEverything(t *testing.T) {
	r := newRig(t, board.Options{})
	r.chip.Connect(0, constant(1))
	require.Equal(t, int16(8000), r.convert(ain0At4V096SPS128))
	r.write(2, 0x12, 0x34)
	r.write(0x01, 0xC3, 0x83)
	r.chip.BrownOut()
	assert.Equal(t, []byte{0, 0}, r.read(2), "pointer and conversion")
	assert.Equal(t, uint16(0x8583), r.register(1))
	assert.Equal(t, uint16(0x8000), r.register(2))
	r.clock.now += time.Second
	assert.Zero(t, r.register(0), "the running conversion is lost")
	assert.Equal(t, int16(8000), r.convert(ain0At4V096SPS128), "and it works again")
}

func TestSlowReadyDelaysOS(t *testing.T) {
	r := newRig(t, board.Options{})
	r.chip.SlowReady(50 * time.Millisecond)
	r.write(0x01, 0xC3, 0x83)
	r.clock.now = 57 * time.Millisecond
	assert.Zero(t, r.register(1)&0x8000)
	r.clock.now = 58 * time.Millisecond
	assert.NotZero(t, r.register(1)&0x8000)
}

func TestInputFaults(t *testing.T) {
	r := newRig(t, board.Options{})
	r.chip.Connect(0, constant(1))
	r.chip.Connect(1, constant(2))
	ain0, ain1 := uint16(ain0At4V096SPS128), uint16(ain1At4V096SPS860)

	r.chip.StickCode(0, 1234)
	assert.Equal(t, int16(1234), r.convert(ain0))
	assert.Equal(t, int16(16000), r.convert(ain1), "the other input is well")
	assert.Equal(t, int16(1234), r.convert(0x8383), "AIN0-AIN1: by the positive input")
	r.chip.Mend(0)
	r.chip.Open(1, 3.3)
	assert.Equal(t, int16(8000), r.convert(ain0))
	assert.Equal(t, int16(26400), r.convert(ain1), "floats to the pull-up")
	assert.Equal(t, int16(-18400), r.convert(0x8383), "AIN0-AIN1")
	r.chip.Mend(1)
	assert.Equal(t, int16(16000), r.convert(ain1))
	assert.Zero(t, r.convert(0xE383), "AIN2 isn't connected")
}

// Faults come from another goroutine while the bus is in use; the race detector watches.
func TestFaultsFromAnotherGoroutine(t *testing.T) {
	r := newRig(t, board.Options{})
	r.chip.Connect(0, constant(1))
	done := make(chan struct{})
	go func() {
		defer close(done)
		for i := range 2000 {
			r.bus.NACK(0x48, i%3)
			r.bus.Stick(i%5 == 0)
			r.chip.Absent(i%7 == 0)
			r.chip.BrownOut()
			r.chip.StickCode(i%4, int16(i))
			r.chip.Open(i%4, 1)
			r.chip.Mend(i % 4)
			r.chip.SlowReady(time.Duration(i))
		}
		r.bus.NACK(0x48, 0)
		r.bus.Stick(false)
		r.chip.Absent(false)
	}()
	for running := true; running; {
		select {
		case <-done:
			running = false
		default:
		}
		var b [2]byte
		_ = r.bus.Tx(0x48, []byte{1, 0xC3, 0xE3}, b[:])
		_ = r.chip.Start(ain0At4V096SPS128)
		r.clock.now += time.Second
		_, _ = r.chip.Result(t.Context())
	}
	r.clock.now += time.Second
	assert.Equal(t, int16(8000), r.convert(ain0At4V096SPS128), "mended")
}

// The words that periph leaves of the kernel's error numbers, as errno(3) has them.
func TestErrorsAreOnlyText(t *testing.T) {
	r := newRig(t, board.Options{})
	r.bus.Stick(true)
	err := r.bus.Tx(0x48, []byte{1}, nil)
	assert.True(t, strings.HasPrefix(err.Error(), "sysfs-i2c: "))
	assert.NoError(t, errors.Unwrap(err), "nothing wrapped")
}
