package hardware

import (
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
)

// Times of a bus that doesn't work. Our choice: readings are back within 3 s of the bus.
const (
	failingFor  = time.Second // that every transfer has failed before the bus is opened again
	reopenEvery = time.Second
	clockHalf   = 5 * time.Microsecond // of a period at 100 kHz, the standard mode's clock
	freeClocks  = 9                    // a chip that holds the data line has at most a byte and its bit to give
)

// reopening is a bus that is closed and opened again while no transfer succeeds: its adapter may
// have been unplugged, or a chip holds a line. It belongs to the board's goroutine.
type reopening struct {
	name string
	open func() (i2c.BusCloser, error)
	free func() error // clocks a chip off the data line; nil where the pins don't allow that
	now  func() time.Duration

	bus     i2c.BusCloser // nil while there is none
	why     error         // why there is none
	failing bool          // since the last transfer that succeeded one has failed,
	since   time.Duration // the first of them then
	tried   time.Duration // of the last time it was opened
	reopens atomic.Uint64
}

func newReopening(
	name string, open func() (i2c.BusCloser, error), free func() error, now func() time.Duration,
) (*reopening, error) {
	bus, err := open()
	if err != nil {
		return nil, err
	}
	return &reopening{name: name, open: open, free: free, now: now, bus: bus, tried: now()}, nil
}

// String names the bus.
func (b *reopening) String() string { return b.name }

// SetSpeed does what the driver does.
func (b *reopening) SetSpeed(f physic.Frequency) error {
	if b.bus == nil {
		return b.why
	}
	return b.bus.SetSpeed(f)
}

// Tx does a transfer. Where all have failed for a while, the bus is opened again first.
func (b *reopening) Tx(addr uint16, w, r []byte) error {
	begun, err := b.begin()
	if err != nil {
		return err
	}
	return b.ended(begun, b.bus.Tx(addr, w, r))
}

// TxAll does several transfers, in one call where the bus can: it writes w[0], reads r[0], and so on.
func (b *reopening) TxAll(addr uint16, w, r [][]byte) error {
	begun, err := b.begin()
	if err != nil {
		return err
	}
	if bus, can := b.bus.(joining); can {
		return b.ended(begun, bus.TxAll(addr, w, r))
	}
	return b.ended(begun, oneByOne(b.bus, addr, w, r))
}

// joining is a bus that can do several transfers in one call.
type joining interface {
	TxAll(addr uint16, w, r [][]byte) error
}

func oneByOne(bus i2c.Bus, addr uint16, w, r [][]byte) error {
	for i := range w {
		if err := bus.Tx(addr, w[i], r[i]); err != nil {
			return err
		}
	}
	return nil
}

// begin returns the time, or why there is no bus.
func (b *reopening) begin() (now time.Duration, err error) {
	now = b.now()
	if b.failing && now-b.since >= failingFor && now-b.tried >= reopenEvery {
		b.reopen(now)
	}
	if b.bus == nil {
		return now, b.why
	}
	return now, nil
}

// ended notes how a transfer ended, and returns its error.
func (b *reopening) ended(begun time.Duration, err error) error {
	if err != nil && !b.failing {
		b.since = begun
	}
	b.failing = err != nil
	return err
}

func (b *reopening) reopen(now time.Duration) {
	b.tried = now
	b.reopens.Add(1)
	if b.bus != nil {
		_ = b.bus.Close() // it is of no use, whatever it says
		b.bus = nil
	}
	if b.free != nil {
		if err := b.free(); err != nil {
			b.why = fmt.Errorf("I2C bus %s: free the data line: %w", b.name, err)
		}
	}
	bus, err := b.open()
	if err != nil {
		b.why = fmt.Errorf("I2C bus %s: open again: %w", b.name, err)
		return
	}
	b.bus, b.why = bus, nil
}

// Close closes the bus.
func (b *reopening) Close() error {
	if b.bus == nil {
		return nil
	}
	bus := b.bus
	b.bus, b.why = nil, errors.New("closed")
	return bus.Close()
}

// freeLine clocks a chip off the data line, which it holds because it was in the middle of a byte,
// and ends with a stop (NXP UM10204, I2C-bus specification, section 3.1.16). Both pins must be free
// to use: the bus is closed. They are let go of at the end.
func freeLine(scl, sda gpio.PinIO, wait func(time.Duration)) error {
	release := func(p gpio.PinIO) error { return p.In(gpio.Float, gpio.NoEdge) } // the pull-up makes it high
	pull := func(p gpio.PinIO) error { return p.Out(gpio.Low) }
	var errs []error
	do := func(err error) {
		errs = append(errs, err)
		wait(clockHalf)
	}
	do(release(sda))
	for range freeClocks {
		do(pull(scl))
		do(release(scl))
		if sda.Read() == gpio.High {
			break
		}
	}
	do(pull(scl))
	do(pull(sda))
	do(release(scl))
	do(release(sda))
	return errors.Join(errs...)
}
