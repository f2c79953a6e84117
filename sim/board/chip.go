// Package board emulates the monitor board at the level a driver sees: input chips as registers on
// an I2C bus, and digital inputs as GPIO pins. The same driver runs on it unchanged. It also has
// the way from a physical value to volts at a chip's pin (dividers, Hall sensors, shunts,
// thermistors) with the errors of real sensors.
//
// # ADS1115
//
// The chip is written from the data sheet (TI ADS1113, ADS1114, ADS1115: SBAS444D of January 2018,
// SBAS444E of December 2024), never from a driver: pointer register, config register with the two
// meanings of OS, single-shot and continuous conversion, the time a conversion takes by DR and
// oscillator error, input multiplexer, range and saturation, thresholds, ALERT/RDY as
// conversion-ready pin, power-on defaults, general-call reset. What the data sheet leaves open is
// decided like this:
//   - Config written while a single-shot conversion runs: it is stored, the conversion ends with
//     the settings it began with (the data sheet says so for continuous mode).
//   - OS while converting continuously reads 0, "currently performing a conversion".
//   - A register write needs both bytes; one byte alone changes nothing, bytes after the second are
//     ignored. A read past the second byte gives FFh, the idle bus. A write to the conversion
//     register is ignored.
//
// Not emulated: the comparator on ALERT/RDY (thresholds are stored and read back; the pin works in
// conversion-ready mode only), the SMBus alert response, high-speed mode, noise, input impedance,
// the supply rails' clamping.
//
// A conversion has the value of its inputs at the instant it ends. Nothing happens between
// accesses: a chip catches up with its clock when it is spoken to.
//
// # Two ways to a chip
//
// [Bus] moves bytes as a real adapter does. [Chip.Start] and [Chip.Result] are the same chip
// without the bytes, for simulated years: the same registers, the same instants, the same codes.
//
// # Goroutines
//
// A chip is used by one goroutine: the one that calls its bus or its Start and Result. Faults may
// be set from any goroutine at any time; they act from the next access on.
package board

import (
	"context"
	"fmt"
	"time"
)

// Clock is the time conversions are measured by. Now is monotonic since the clock's start.
//
// If it also has WaitUntil(ctx, at) error, [Chip.Result] waits through it for a conversion that is
// not finished.
type Clock interface {
	Now() time.Duration
}

// Analog gives the volts at an input over GND at an instant of the board's clock. NaN means that
// nothing drives the input: it floats.
type Analog func(at time.Duration) float64

// Options are the properties of one specimen of the chip.
type Options struct {
	OscillatorError float64 // relative error of the data rate; -0.1 to 0.1 by the data sheet, 0.1 is 10 % faster
}

// Chip is one ADS1115.
type Chip struct {
	addr   uint16
	clock  Clock
	waiter waiter // clock, if it can wait
	bus    *Bus   // set by NewBus; nil for a chip used by Start and Result alone

	adc    adc
	inputs inputs
	order  order
	faults faultSwitches
}

// NewChip makes a chip at an address, 0x48 to 0x4B, in the state after power-on. All inputs float
// at 0 V.
func NewChip(addr uint16, clock Clock, opt Options) *Chip {
	if addr < 0x48 || addr > 0x4B {
		panic(fmt.Sprintf("bug: ADS1115 at address %#x: want 0x48 to 0x4b", addr))
	}
	if !(opt.OscillatorError > -1) {
		panic(fmt.Sprintf("bug: ADS1115 with oscillator error %g: want more than -1", opt.OscillatorError))
	}
	c := &Chip{addr: addr, clock: clock}
	c.waiter, _ = clock.(waiter)
	for dr, sps := range samplesPerSecond {
		c.adc.period[dr] = time.Duration(float64(time.Second) / float64(sps*float64(1+opt.OscillatorError)))
	}
	c.adc.inputs = &c.inputs
	c.adc.powerOn()
	return c
}

// Addr gives the chip's address on the bus.
func (c *Chip) Addr() uint16 { return c.addr }

// Connect wires an input, AIN0 to AIN3. To be done before the chip is used. nil leaves the input
// floating.
func (c *Chip) Connect(ain int, a Analog) {
	checkInput(ain)
	c.inputs.connected[ain] = a
	c.inputs.wire()
}

// AlertHigh reports whether the ALERT/RDY pin, pulled up, is high now. It follows conversions when
// the thresholds and the comparator queue select the conversion-ready function: in single shot
// asserted once the conversion ended, in continuous mode for 8 µs after each. It is high otherwise:
// the comparator isn't emulated.
func (c *Chip) AlertHigh() bool {
	now := c.clock.Now()
	c.catchUp(now)
	return c.adc.alertHigh(now)
}

// catchUp takes over new faults and finishes what conversions ended by now.
func (c *Chip) catchUp(now time.Duration) {
	if c.faults.changed.Load() {
		c.takeFaults()
	}
	if c.adc.converting && c.adc.endsAt <= now {
		c.adc.finish(now)
	}
}

// transfer does one addressed transfer: write, then read. Either may be empty.
func (c *Chip) transfer(now time.Duration, w, r []byte) {
	c.catchUp(now)
	if len(w) > 0 {
		c.adc.pointer = w[0] & 3
	}
	if len(w) >= 3 {
		c.adc.writeRegister(now, uint16(w[1])<<8|uint16(w[2]))
	}
	if len(r) == 0 {
		return
	}
	v := c.adc.readRegister()
	for i := range r {
		switch i {
		case 0:
			r[i] = byte(v >> 8)
		case 1:
			r[i] = byte(v)
		default:
			r[i] = 0xFF
		}
	}
}

// waiter is a clock that can be waited on.
type waiter interface {
	WaitUntil(ctx context.Context, at time.Duration) error
}

func checkInput(ain int) {
	if ain < 0 || ain > 3 {
		panic(fmt.Sprintf("bug: ADS1115 input AIN%d: want AIN0 to AIN3", ain))
	}
}
