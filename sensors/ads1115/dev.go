package ads1115

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c"
)

// Registers, by value of the pointer register.
const (
	regConversion = 0
	regConfig     = 1
)

// Codes at the ends of the range.
const (
	maxCode = 0x7FFF
	minCode = -0x8000
)

// pollsPerPeriod sets how often a late conversion is asked for: this many times in one conversion time.
const pollsPerPeriod = 8

// Clock is the time the chip is waited on by.
type Clock interface {
	// Now gives the time since the clock's start. It never goes back.
	Now() time.Duration
	// WaitUntil returns at the time given or, with the context's error, when told to stop.
	WaitUntil(ctx context.Context, at time.Duration) error
}

// Dev is one chip. It is to be used by one goroutine. It allocates only for errors.
type Dev struct {
	bus     i2c.Bus
	addr    uint16
	clock   Clock
	config  Config        // as written last
	running mode          // what the chip was told last
	busy    bool          // it may still be converting: a single shot was begun and not seen to end
	begun   time.Duration // when the conversion to wait for began
	ready   time.Duration // when it ends at the latest
	out     [3]byte       // kept here: a buffer handed through the bus interface would be allocated each time
	in      [2]byte
	atEnd   *Error // reported with a code at the end of the range
}

type mode uint8

const (
	idle mode = iota
	single
	continuous
)

// New gives a driver for the chip at addr (48h to 4Bh) on bus. It does not touch the bus.
func New(bus i2c.Bus, addr uint16, clock Clock) *Dev {
	return &Dev{
		bus: bus, addr: addr, clock: clock,
		atEnd: &Error{Class: Saturated, Addr: addr, Op: "convert"},
	}
}

// Start begins one conversion with the settings given, a word as [SingleShot] gives it. The chip must not be in
// continuous mode.
//
// If the conversion before was not seen to end, as after an error, and is still under way, Start gives an error of class
// NotReady: the chip would go on with it under the new settings, and its code would pass for that of the new input.
func (d *Dev) Start(config uint16) error {
	if d.busy {
		raw, err := d.read("start conversion", regConfig)
		if err != nil {
			return err
		}
		if raw&osBit == 0 {
			return d.fail(NotReady, "start conversion", errStillBusy)
		}
	}
	c := Config(config) | osBit | modeBit
	d.busy = true // also when the write fails: the chip may have taken it
	if err := d.write("start conversion", c); err != nil {
		return err
	}
	d.begin(single, c, c.ConversionTime())
	return nil
}

// Result waits for the conversion begun by Start and gives its code, two's complement, 32768 steps to the end of the range.
//
// It waits no longer than twice the longest conversion time after Start. A code at either end of the range comes
// together with an error of class Saturated; with any other error the code is 0. When ctx ends first, its error is
// returned as it is.
func (d *Dev) Result(ctx context.Context) (code int16, err error) {
	if d.running != single {
		return 0, d.fail(NotReady, "read result", errNotStarted)
	}
	d.running = idle
	if err := d.wait(ctx, d.ready); err != nil {
		return 0, err
	}
	if err := d.pollReady(ctx); err != nil {
		return 0, err
	}
	raw, err := d.read("read conversion", regConversion)
	if err != nil {
		return 0, err
	}
	if raw == 0 {
		// 0000h is also what the conversion register holds after a power-on. One between the poll and this read
		// shows in the settings; any other code proves that there was none.
		if _, err := d.readSettings(); err != nil {
			return 0, err
		}
	}
	return d.checkEnds(int16(raw))
}

// StartContinuous sets the chip to convert over and over with the input, range and rate of config.
func (d *Dev) StartContinuous(config uint16) error {
	c := Config(config).Continuous()
	settle := c.ConversionTime()
	if d.running == continuous || d.busy {
		// New settings take effect after the conversion under way.
		settle += d.config.ConversionTime()
	}
	if err := d.write("start continuous conversion", c); err != nil {
		return err
	}
	d.begin(continuous, c, settle)
	return nil
}

// ReadContinuous gives the newest code of the continuous mode, errors as for Result. The first call after StartContinuous
// waits until the first conversion with its settings is done; later ones return at once, so that a caller faster than the data rate
// gets the same conversion again.
func (d *Dev) ReadContinuous(ctx context.Context) (code int16, err error) {
	if d.running != continuous {
		return 0, d.fail(NotReady, "read continuous", errNotStarted)
	}
	if err := d.wait(ctx, d.ready); err != nil {
		return 0, err
	}
	raw, err := d.read("read conversion", regConversion)
	if err != nil {
		return 0, err
	}
	// After the conversion, so that a reset before or while it was read shows.
	if _, err := d.readSettings(); err != nil {
		return 0, err
	}
	return d.checkEnds(int16(raw))
}

// Stop ends the continuous mode and waits until the chip is idle: it finishes the conversion under way, and would ignore
// a Start before that.
func (d *Dev) Stop(ctx context.Context) error {
	c := (d.config | modeBit) &^ osBit
	if err := d.write("stop", c); err != nil {
		return err
	}
	d.begin(idle, c, c.ConversionTime())
	d.busy = false
	return d.wait(ctx, d.ready)
}

var (
	errNotStarted = errors.New("no conversion was started")
	errStillBusy  = errors.New("the one before is not finished")
)

// begin notes what the chip was just told and when it will be done.
func (d *Dev) begin(m mode, c Config, longest time.Duration) {
	d.running, d.config = m, c
	d.begun = d.clock.Now()
	d.ready = d.begun + longest
}

// wait returns at once when at has passed, as it has when the caller waited for several chips together.
func (d *Dev) wait(ctx context.Context, at time.Duration) error {
	if d.clock.Now() >= at {
		return nil
	}
	return d.clock.WaitUntil(ctx, at)
}

// pollReady returns when the chip says that it is done, with its settings unchanged.
func (d *Dev) pollReady(ctx context.Context) error {
	longest := d.ready - d.begun
	for deadline := d.ready + longest; ; {
		now := d.clock.Now()
		c, err := d.readSettings()
		if err != nil {
			return err
		}
		if c&osBit != 0 {
			d.busy = false
			return nil
		}
		if now >= deadline {
			return d.fail(NotReady, "read result", fmt.Errorf("got none in %v, want it in %v", now-d.begun, longest))
		}
		if err := d.wait(ctx, min(now+longest/pollsPerPeriod, deadline)); err != nil {
			return err
		}
	}
}

// readSettings reads the config register and compares it with what was written.
func (d *Dev) readSettings() (Config, error) {
	raw, err := d.read("read config", regConfig)
	if err != nil {
		return 0, err
	}
	got := Config(raw)
	if got.settings() != d.config.settings() {
		return 0, d.fail(Reset, "check config", fmt.Errorf("got %v, want %v", got, d.config))
	}
	return got, nil
}

// checkEnds adds the error of class Saturated to a code that is one of the two ends.
func (d *Dev) checkEnds(code int16) (int16, error) {
	if AtEnd(code) {
		return code, d.atEnd
	}
	return code, nil
}

// AtEnd reports whether a code is at an end of the range and so stands for all beyond.
func AtEnd(code int16) bool { return code == maxCode || code == minCode }

func (d *Dev) write(op string, c Config) error {
	d.running = idle // until the chip has taken it
	d.out[0] = regConfig
	binary.BigEndian.PutUint16(d.out[1:], uint16(c))
	if err := d.bus.Tx(d.addr, d.out[:], nil); err != nil {
		return d.fail(ClassOf(err), op, err)
	}
	return nil
}

// read names the register in each transfer although the chip remembers it: a reset, or another program that probes the
// bus, would move it unseen.
func (d *Dev) read(op string, register byte) (uint16, error) {
	d.out[0] = register
	if err := d.bus.Tx(d.addr, d.out[:1], d.in[:]); err != nil {
		return 0, d.fail(ClassOf(err), op, err)
	}
	return binary.BigEndian.Uint16(d.in[:]), nil
}

func (d *Dev) fail(class Class, op string, err error) *Error {
	return &Error{Class: class, Addr: d.addr, Op: op, Err: err}
}
