// Package board emulates the monitor board at the level a driver sees: input chips as registers on an
// I2C bus, and digital inputs as GPIO pins. The same driver runs on it unchanged. It also has the way
// from a physical value to volts at a chip's pin (dividers, Hall sensors, shunts, thermistors) with
// the errors of real sensors.
//
// # ADS1115
//
// The chip is written from the data sheet (TI ADS1113, ADS1114, ADS1115: SBAS444D of January 2018, SBAS444E of
// December 2024), never from a driver: pointer register, config register with the two meanings of OS, single-shot and
// continuous conversion, the time a conversion takes by DR and oscillator error, input multiplexer, range and
// saturation, thresholds, ALERT/RDY as conversion-ready pin, power-on defaults, general-call reset. What the data sheet
// leaves open is decided like this:
//   - Config written while a single-shot conversion runs: it is stored, the conversion ends with the settings it began
//     with (the data sheet says so for continuous mode).
//   - OS while converting continuously reads 0, "currently performing a conversion".
//   - A register write needs both bytes; one byte alone changes nothing, bytes after the second are ignored. A read
//     past the second byte gives FFh, the idle bus. A write to the conversion register is ignored.
//
// Not emulated: the comparator on ALERT/RDY (thresholds are stored and read back; the pin works in conversion-ready
// mode only), the SMBus alert response, high-speed mode, noise, input impedance, the supply rails' clamping.
//
// A conversion has the value of its inputs at the instant it ends. Nothing happens between accesses: a chip catches up
// with its clock when it is spoken to.
//
// # Two ways to a chip
//
// [Bus] moves bytes as a real adapter does. [Chip.Start] and [Chip.Result] are the same chip without the bytes, for
// simulated years: the same registers, the same instants, the same codes.
//
// # Goroutines
//
// A chip is used by one goroutine: the one that calls its bus or its Start and Result. Faults may be set from any
// goroutine at any time; they act from the next access on.
package board

import (
	"context"
	"fmt"
	"math"
	"sync"
	"sync/atomic"
	"time"
)

// Clock is the time conversions are measured by. Now is monotonic since the clock's start.
//
// If it also has WaitUntil(ctx, at) error, [Chip.Result] waits through it for a conversion that is not finished.
type Clock interface {
	Now() time.Duration
}

// Analog gives the volts at an input over GND at an instant of the board's clock. NaN means that nothing drives the
// input: it floats.
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

	connected [4]Analog        // as wired
	period    [8]time.Duration // of one conversion, by the DR field

	pointer    uint8
	conversion int16
	config     uint16 // without OS, which is the state of converting
	loThresh   uint16
	hiThresh   uint16

	converting bool
	active     uint16 // config of the running conversion
	endsAt     time.Duration
	lastEnd    time.Duration // end of the last conversion

	pending bool // Start without Result yet
	started uint16
	begun   time.Duration

	faults   chipFaults // in force
	inputs   [4]Analog  // connected, less what is open
	changed  atomic.Bool
	faultsMu sync.Mutex
	wanted   chipFaults // guarded by faultsMu; taken over when changed is set
	brownOut bool       // guarded by faultsMu
}

// NewChip makes a chip at an address, 0x48 to 0x4B, in the state after power-on. All inputs float at 0 V.
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
		c.period[dr] = time.Duration(float64(time.Second) / float64(sps*float64(1+opt.OscillatorError)))
	}
	c.powerOn()
	return c
}

// Addr gives the chip's address on the bus.
func (c *Chip) Addr() uint16 { return c.addr }

// Connect wires an input, AIN0 to AIN3. To be done before the chip is used. nil leaves the input floating.
func (c *Chip) Connect(ain int, a Analog) {
	checkInput(ain)
	c.connected[ain] = a
	c.wire()
}

// AlertHigh reports whether the ALERT/RDY pin, pulled up, is high now. It follows conversions when the thresholds and
// the comparator queue select the conversion-ready function: in single shot asserted once the conversion ended, in
// continuous mode for 8 µs after each. It is high otherwise: the comparator isn't emulated.
func (c *Chip) AlertHigh() bool {
	now := c.clock.Now()
	c.catchUp(now)
	if c.config&configQueue == configQueue || c.hiThresh>>15 != 1 || c.loThresh>>15 != 0 {
		return true
	}
	asserted := !c.converting
	if c.converting && c.active&configSingle == 0 {
		asserted = now-c.lastEnd < readyPulse && c.lastEnd > 0
	}
	return asserted == (c.config&configPolHigh != 0)
}

// powerOn brings every register to its power-on default and stops converting.
func (c *Chip) powerOn() {
	c.pointer = regConversion
	c.conversion = powerOnConversion
	c.config = powerOnConfig &^ configOS
	c.loThresh, c.hiThresh = powerOnLoThresh, powerOnHiThresh
	c.converting = false
	c.lastEnd = 0
}

// catchUp takes over new faults and finishes what conversions ended by now.
func (c *Chip) catchUp(now time.Duration) {
	if c.changed.Load() {
		c.takeFaults()
	}
	if c.converting && c.endsAt <= now {
		c.finish(now)
	}
}

// finish ends conversions up to now, at most three: the last one of old settings, and of the continuous ones under
// present settings only the latest, as the others were overwritten unread.
func (c *Chip) finish(now time.Duration) {
	for c.converting && c.endsAt <= now {
		continuous := c.config&configSingle == 0
		if continuous && c.config == c.active {
			period := c.conversionTime(c.active)
			c.endsAt += (now - c.endsAt) / period * period
		}
		c.conversion = c.convert(c.active, c.endsAt)
		c.lastEnd = c.endsAt
		if c.converting = continuous; continuous {
			c.active = c.config
			c.endsAt += c.conversionTime(c.active)
		}
	}
}

// writeConfig stores the config register and starts what it asks for.
func (c *Chip) writeConfig(now time.Duration, v uint16) {
	c.config = v &^ configOS
	if c.converting {
		return // OS has no effect, the running conversion keeps its settings
	}
	if v&configSingle != 0 && v&configOS == 0 {
		return
	}
	c.converting, c.active = true, c.config
	c.endsAt = now + wakeUp + c.conversionTime(c.config)
}

// readConfig gives the config register with OS as it reads.
func (c *Chip) readConfig() uint16 {
	if c.converting {
		return c.config
	}
	return c.config | configOS
}

// conversionTime is that of one conversion under this config, wake-up apart.
func (c *Chip) conversionTime(config uint16) time.Duration {
	return c.period[config>>5&7] + c.faults.slow
}

// convert gives the code of a conversion that ends at an instant.
func (c *Chip) convert(config uint16, at time.Duration) int16 {
	pair := inputPair[config>>12&7]
	if c.faults.stuck[pair.positive] {
		return c.faults.stuckCode[pair.positive]
	}
	v := c.pinV(pair.positive, at)
	if pair.negative != groundPin {
		v -= c.pinV(pair.negative, at)
	}
	return Code(v, config)
}

// pinV gives the volts at an input over GND.
func (c *Chip) pinV(ain uint8, at time.Duration) float64 {
	if a := c.inputs[ain]; a != nil {
		if v := a(at); !math.IsNaN(v) {
			return v
		}
	}
	return c.faults.leakV[ain]
}

// transfer does one addressed transfer: write, then read. Either may be empty.
func (c *Chip) transfer(now time.Duration, w, r []byte) {
	c.catchUp(now)
	if len(w) > 0 {
		c.pointer = w[0] & 3
	}
	if len(w) >= 3 {
		c.writeRegister(now, uint16(w[1])<<8|uint16(w[2]))
	}
	if len(r) == 0 {
		return
	}
	v := c.readRegister()
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

func (c *Chip) writeRegister(now time.Duration, v uint16) {
	switch c.pointer {
	case regConfig:
		c.writeConfig(now, v)
	case regLoThresh:
		c.loThresh = v
	case regHiThresh:
		c.hiThresh = v
	}
}

func (c *Chip) readRegister() uint16 {
	switch c.pointer {
	case regConfig:
		return c.readConfig()
	case regLoThresh:
		return c.loThresh
	case regHiThresh:
		return c.hiThresh
	}
	return uint16(c.conversion)
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
