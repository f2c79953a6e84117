package hardware

import (
	"errors"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpiotest"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
)

// adapter is a bus whose adapter can be away, and on which a line can be held.
type adapter struct {
	gone, held   bool
	opens, freed int
	clock        time.Duration
}

// handle is one opening of it: of an adapter that was away in between it is good for nothing.
type handle struct {
	of   *adapter
	dead bool
}

func (*handle) String() string                  { return "bus" }
func (*handle) SetSpeed(physic.Frequency) error { return nil }
func (h *handle) Close() error                  { return nil }
func (h *handle) Tx(uint16, []byte, []byte) error {
	h.of.clock += 10 * time.Millisecond
	switch h.dead = h.dead || h.of.gone; {
	case h.dead:
		return syscall.ENODEV
	case h.of.held:
		h.of.clock += time.Second
		return syscall.ETIMEDOUT
	}
	return nil
}

func (a *adapter) open() (i2c.BusCloser, error) {
	a.opens++
	if a.gone {
		return nil, syscall.ENOENT
	}
	return &handle{of: a}, nil
}

func (a *adapter) free() error {
	a.freed++
	a.held = false
	return nil
}

func (a *adapter) now() time.Duration { return a.clock }

// untilGood does transfers until one succeeds and returns how long that took.
func untilGood(t *testing.T, a *adapter, b i2c.Bus) time.Duration {
	begun := a.clock
	for range 1000 {
		if b.Tx(0x48, nil, nil) == nil {
			return a.clock - begun
		}
		a.clock += 100 * time.Millisecond
	}
	t.Fatal("no transfer succeeded")
	return 0
}

// An adapter that is unplugged and comes back works again within 3 s, although what was opened of
// it never does.
func TestAnAdapterThatComesBack(t *testing.T) {
	a := &adapter{}
	b, err := newReopening("1", a.open, nil, a.now)
	require.NoError(t, err)
	require.NoError(t, b.Tx(0x48, nil, nil))
	a.gone = true
	for range 100 {
		require.Error(t, b.Tx(0x48, nil, nil))
		a.clock += 100 * time.Millisecond
	}
	assert.LessOrEqual(t, a.opens, 14, "once a second")
	a.gone = false
	assert.LessOrEqual(t, untilGood(t, a, b), 3*time.Second)
	assert.NoError(t, b.Tx(0x48, nil, nil))
	require.NoError(t, b.Close())
	assert.Error(t, b.Tx(0x48, nil, nil))
}

// A chip that holds a line is clocked off where the pins allow that.
func TestAHeldLineIsFreed(t *testing.T) {
	a := &adapter{}
	b, err := newReopening("1", a.open, a.free, a.now)
	require.NoError(t, err)
	a.held = true
	assert.LessOrEqual(t, untilGood(t, a, b), 3*time.Second)
	assert.Equal(t, 1, a.freed)
}

// One chip that doesn't answer is no reason to open the bus again.
func TestABusWithOneSilentChipStaysOpen(t *testing.T) {
	a := &adapter{}
	b, err := newReopening("1", a.open, nil, a.now)
	require.NoError(t, err)
	for range 100 {
		require.NoError(t, b.Tx(0x48, nil, nil))
		b.bus.(*handle).of.clock += 300 * time.Millisecond
	}
	assert.Equal(t, 1, a.opens)
	_, err = newReopening("1", func() (i2c.BusCloser, error) { return nil, errors.New("none") }, nil, a.now)
	assert.Error(t, err)
}

// Nor are scans that are far apart.
func TestABusThatIsAskedSeldomStaysOpen(t *testing.T) {
	a := &adapter{}
	b, err := newReopening("1", a.open, nil, a.now)
	require.NoError(t, err)
	for range 10 {
		a.clock += time.Minute
		require.NoError(t, b.Tx(0x48, nil, nil))
	}
	assert.Equal(t, 1, a.opens)
}

// busLine is an open-drain line of the bus: low while anybody pulls it.
type busLine struct {
	gpiotest.Pin
	pulled bool
	by     func() bool // somebody else pulls it
	rises  func()
}

func (l *busLine) Out(level gpio.Level) error {
	l.pulled = level == gpio.Low
	return nil
}

func (l *busLine) In(gpio.Pull, gpio.Edge) error {
	if l.pulled && l.rises != nil {
		l.rises()
	}
	l.pulled = false
	return nil
}

func (l *busLine) Read() gpio.Level { return gpio.Level(!l.pulled && (l.by == nil || !l.by())) }

// A chip with up to nine bits left to give lets go of the line; then a stop ends the transfer: the
// data line rises while the clock is high (UM10204).
func TestNineClocksFreeTheLine(t *testing.T) {
	for bits := range 10 {
		left, stops := bits, 0
		sda := &busLine{by: func() bool { return left > 0 }}
		scl := &busLine{rises: func() { left = max(left-1, 0) }}
		sda.rises = func() {
			if scl.Read() == gpio.High {
				stops++
			}
		}
		waits := 0
		require.NoError(t, freeLine(scl, sda, func(d time.Duration) {
			waits++
			assert.Equal(t, clockHalf, d)
		}))
		assert.Equal(t, gpio.High, sda.Read(), bits)
		assert.Equal(t, 1, stops, bits)
		assert.LessOrEqual(t, waits, 2*freeClocks+5)
	}
}
