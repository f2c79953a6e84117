package ads1115

import (
	"context"
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c"

	"liftbank/sensors"
	"liftbank/sensors/registers"
)

// Registers, by value of the pointer register.
const (
	regConversion = 0
	regConfig     = 1
)

// pollsPerPeriod is the number of polls in one conversion time for a conversion that is late.
const pollsPerPeriod = 8

// Clock is the part of the board's clock that the driver needs.
type Clock interface {
	// Now returns the time since the clock's start. It never goes back.
	Now() time.Duration
	// WaitUntil returns at the given time, or with the context's error when ctx ends first.
	WaitUntil(ctx context.Context, at time.Duration) error
}

// Dev is one chip at the level of its codes. It belongs to one goroutine. It allocates for errors
// only.
type Dev struct {
	reg     registers.Device
	clock   Clock
	config  Config        // as written last
	started bool          // Start without Result so far
	busy    bool          // may still be converting: a conversion was begun and not seen to end
	begun   time.Duration // when the conversion to wait for began
	ready   time.Duration // when it ends at the latest
	zero    [8]bool       // of each input, as the field MUX numbers them: its last code was 0
	asked   [3]registers.Register
}

// NewDev returns the chip at addr (48h to 4Bh) on bus. It does not touch the bus.
func NewDev(bus i2c.Bus, addr uint16, clock Clock) *Dev {
	return &Dev{reg: registers.New(bus, addr, "ads1115"), clock: clock}
}

var (
	errNotStarted = errors.New("no conversion was started")
	errStillBusy  = errors.New("the previous one is not finished")
)

// Start begins one conversion with the given config word, as [SingleShot] returns it.
//
// If the previous conversion was not seen to end, as after an error, and is still in progress,
// Start returns a NotReady error: the chip would finish it under the new settings, and its code
// would pass for that of the new input.
func (d *Dev) Start(config uint16) error {
	const op = "start conversion"
	d.started = false
	if d.busy {
		raw, err := d.reg.Read(op, regConfig)
		if err != nil {
			return err
		}
		if raw&osBit == 0 {
			return d.reg.Fail(sensors.NotReady, op, errStillBusy)
		}
	}
	c := Config(config) | osBit | modeBit
	d.busy = true // also if the write fails: the chip may have taken it
	if err := d.reg.Write(op, regConfig, uint16(c)); err != nil {
		return err
	}
	d.started, d.config = true, c
	d.begun = d.clock.Now()
	d.ready = d.begun + c.ConversionTime()
	return nil
}

// Result waits for the conversion that Start began and returns its code, two's complement, 32768
// steps to the end of the range. With an error the code is 0.
//
// It waits no longer than twice the longest conversion time after Start. If ctx ends first, its
// error is returned unchanged.
func (d *Dev) Result(ctx context.Context) (code int16, err error) {
	if !d.started {
		return 0, d.reg.Fail(sensors.NotReady, "read result", errNotStarted)
	}
	d.started = false
	if err := d.wait(ctx, d.ready); err != nil {
		return 0, err
	}
	return d.poll(ctx)
}

// wait returns at once if at has passed, as it has if the caller waited for several chips together.
func (d *Dev) wait(ctx context.Context, at time.Duration) error {
	if d.clock.Now() >= at {
		return nil
	}
	return d.clock.WaitUntil(ctx, at)
}

// poll asks the chip for settings and code together until it says that it is done, with its settings
// unchanged. The code counts only if the settings that were read before it say so.
func (d *Dev) poll(ctx context.Context) (code int16, err error) {
	const op = "read conversion"
	longest := d.ready - d.begun
	zero := &d.zero[d.config>>muxShift&7]
	for deadline := d.ready + longest; ; {
		now := d.clock.Now()
		// The conversion register holds 0000h after a power-on, too. One between two of these reads shows in
		// the settings; any other code proves that there was none. Where a zero is likely, all are read at once.
		d.asked = [...]registers.Register{{Name: regConfig, Bytes: 2}, {Name: regConversion, Bytes: 2}, {Name: regConfig, Bytes: 2}}
		ask := d.asked[:2]
		if *zero {
			ask = d.asked[:]
		}
		if err := d.reg.ReadAll(op, ask); err != nil {
			return 0, err
		}
		c := Config(d.asked[0].Value)
		if err := d.check(c); err != nil {
			return 0, err
		}
		if c&osBit != 0 {
			d.busy = false
			raw, known := uint16(d.asked[1].Value), *zero
			if *zero = raw == 0; *zero && !known {
				if err := d.reg.ReadAll(op, d.asked[2:]); err != nil {
					return 0, err
				}
			}
			if *zero {
				return 0, d.check(Config(d.asked[2].Value))
			}
			return int16(raw), nil
		}
		if now >= deadline {
			err := fmt.Errorf("no result in %v: want it in %v", now-d.begun, longest)
			return 0, d.reg.Fail(sensors.NotReady, "read result", err)
		}
		if err := d.wait(ctx, min(now+longest/pollsPerPeriod, deadline)); err != nil {
			return 0, err
		}
	}
}

// check compares the settings that were read with those that were written.
func (d *Dev) check(got Config) error {
	if got.settings() != d.config.settings() {
		return d.reg.Fail(sensors.Reset, "check config", fmt.Errorf("got %v: want %v", got, d.config))
	}
	return nil
}
