package board

import (
	"math"
	"time"
)

// Registers of the INA228.
const (
	widePointers = 0x40 // registers end at 3Fh

	wideConfig  = 0x00
	wideADC     = 0x01
	wideShunt   = 0x04
	wideBus     = 0x05
	wideDieTemp = 0x06
	wideDiag    = 0x0B
	wideMaker   = 0x3E
	wideDie     = 0x3F
)

const (
	wideADCPowerOn = 0xFB68  // continuous temperature, shunt and bus, 1052 µs each, one sample
	wideReset      = 1 << 15 // of the config: resets everything and clears itself
	wideNarrow     = 1 << 4  // of the config: the shunt's range is ±40.96 mV, not ±163.84 mV
	wideModeBus    = 1       // bits of the mode
	wideModeShunt  = 2
	wideModeTemp   = 4
	wideModeAlong  = 8 // continuous
	wideReady      = 1 << 1
	wideMemory     = 1 << 0 // of the diagnostics: the memory's checksum is right
)

var wideSampleTime = [8]time.Duration{50e3, 84e3, 150e3, 280e3, 540e3, 1052e3, 2074e3, 4120e3}

// widePowerOn are the registers that are not 0 after power-on, flags and results apart.
var widePowerOn = map[byte]uint16{
	wideADC: wideADCPowerOn, 0x02: 0x1000, 0x0C: 0x7FFF, 0x0D: 0x8000, 0x0E: 0x7FFF, 0x10: 0x7FFF, 0x11: 0xFFFF,
	wideMaker: 0x5449, wideDie: 0x2281,
}

// INA228 is one INA228, written from its data sheet (TI SBOSA20A; sample times between the shortest and
// the longest, defaults of the limits and identification from memory): configuration with reset bit
// and range, triggered and continuous conversion of bus, shunt and die temperature, averaging, the
// conversion-ready flag, results of 20 bits in 24. What the sheet leaves open is decided like this:
//   - An average is rounded to the nearest step.
//   - A register that does not exist reads FFFFh; writes to it and to results are ignored.
//   - In triggered mode the mode bits stay as written after the conversion.
//   - A write needs both bytes; what follows them is ignored. A read past the last byte is FFh.
//   - The range holds for samples that end after it was written.
//
// Not emulated: current, power, energy and charge (they read 0), the alert pin and its limits (stored
// and read back), the delay and the shunt's temperature coefficient, noise, leakage. A sample has the
// value of its input at the instant it ends; the die is at 25 °C.
//
// One goroutine uses a chip; it also sets the faults.
type INA228 struct {
	monitor

	pointer            byte
	register           [widePointers]uint16
	shuntCode, busCode int32
	tempCode           int16
	ready              bool

	converting bool
	begun      time.Duration // of the set of samples in progress
}

var _ Device = (*INA228)(nil)

// NewINA228 returns a chip at an address, 0x40 to 0x4F, in the state after power-on. timeError is
// the relative error of its sample times, -0.01 to 0.01, 0.01 is 1 % longer. Both inputs are at 0 V.
func NewINA228(addr uint16, clock Clock, timeError float64) *INA228 {
	c := &INA228{monitor: newMonitor("INA228", addr, clock, timeError)}
	c.powerOn()
	return c
}

// BrownOut drops the supply for a moment: every register is back at its power-on default.
func (c *INA228) BrownOut() { c.powerOn() }

func (c *INA228) powerOn() {
	c.pointer, c.register = 0, [widePointers]uint16{}
	c.shuntCode, c.busCode, c.tempCode = 0, 0, 0
	for at, v := range widePowerOn {
		c.register[at] = v
	}
	c.start(c.clock.Now())
}

// start begins what the mode asks for; a conversion in progress is dropped.
func (c *INA228) start(now time.Duration) {
	c.converting = c.mode()&^wideModeAlong != 0
	c.begun = now
	if c.converting {
		c.ready = false
	}
}

func (c *INA228) mode() uint16 { return c.register[wideADC] >> 12 }

// sampleTimes returns how long one sample of each input takes; 0 for one that is not converted.
func (c *INA228) sampleTimes() (bus, shunt, temp time.Duration) {
	of := func(bit uint16, shift int) time.Duration {
		if c.mode()&bit == 0 {
			return 0
		}
		return time.Duration(float64(float64(wideSampleTime[c.register[wideADC]>>shift&7]) * c.pace))
	}
	return of(wideModeBus, 9), of(wideModeShunt, 6), of(wideModeTemp, 3)
}

// catchUp finishes the sets of samples that ended by now; of continuous ones only the latest.
func (c *INA228) catchUp(now time.Duration) {
	if !c.converting {
		return
	}
	n := inaSamples[c.register[wideADC]&7]
	bus, shunt, temp := c.sampleTimes()
	set := time.Duration(n)*(bus+shunt+temp) + c.slow
	sets := (now - c.begun) / set
	if sets < 1 {
		return
	}
	if c.mode()&wideModeAlong == 0 {
		sets, c.converting = 1, false
	}
	c.convert(c.begun+(sets-1)*set, n, bus, shunt, temp)
	c.begun += sets * set
	c.ready = true
}

// convert takes the samples of a set and loads the results.
func (c *INA228) convert(at time.Duration, n int, bus, shunt, temp time.Duration) {
	stepV := 312.5e-9
	if c.register[wideConfig]&wideNarrow != 0 {
		stepV = 78.125e-9
	}
	var busSum, shuntSum float64
	for range n {
		at += temp
		if at += shunt; shunt > 0 {
			shuntSum += wideCode(c.shunt, at, stepV, -1<<19)
		}
		if at += bus; bus > 0 {
			busSum += wideCode(c.bus, at, 195.3125e-6, 0)
		}
	}
	if shunt > 0 {
		c.shuntCode = int32(math.RoundToEven(shuntSum / float64(n)))
	}
	if bus > 0 {
		c.busCode = int32(math.RoundToEven(busSum / float64(n)))
	}
	if temp > 0 {
		c.tempCode = 25 * 128 // 7.8125 m°C a step
	}
}

// wideCode returns the code of one sample, clipped to the ends of its range.
func wideCode(a Analog, at time.Duration, stepV, lowest float64) float64 {
	if a == nil {
		return 0
	}
	v := a(at)
	if math.IsNaN(v) { // floating
		v = 0
	}
	return max(lowest, min(1<<19-1, math.RoundToEven(float64(v/stepV))))
}

func (c *INA228) transfer(now time.Duration, w, r []byte) {
	c.catchUp(now)
	if len(w) > 0 {
		c.pointer = w[0]
	}
	if len(w) >= 3 {
		c.writeRegister(now, uint16(w[1])<<8|uint16(w[2]))
	}
	if len(r) == 0 {
		return
	}
	v, n := c.readRegister()
	for i := range r {
		r[i] = 0xFF
		if i < n {
			r[i] = byte(v >> (8 * (n - 1 - i)))
		}
	}
}

func (c *INA228) writeRegister(now time.Duration, v uint16) {
	switch c.pointer {
	case wideConfig:
		if v&wideReset != 0 {
			c.powerOn()
			return
		}
		c.register[wideConfig] = v
	case wideADC:
		c.register[wideADC] = v
		c.start(now)
	case 0x02, 0x03, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11:
		c.register[c.pointer] = v
	case wideDiag:
		c.register[wideDiag] = v & 0xF000
	}
}

// readRegister returns the register that the pointer is at, and how many bytes it has.
func (c *INA228) readRegister() (v uint64, bytes int) {
	const unused = 4 // bits at the end of a result
	switch p := c.pointer; {
	case p == wideShunt:
		return uint64(uint32(c.shuntCode)) << unused, 3
	case p == wideBus:
		return uint64(uint32(c.busCode)) << unused, 3
	case p == wideDieTemp:
		return uint64(uint16(c.tempCode)), 2
	case p == 0x07 || p == 0x08: // current, power
		return 0, 3
	case p == 0x09 || p == 0x0A: // energy, charge
		return 0, 5
	case p == wideDiag:
		v := c.register[wideDiag] | wideMemory
		if c.ready {
			v |= wideReady
		}
		c.ready = false // reading clears it
		return uint64(v), 2
	case p <= 0x11 || p == wideMaker || p == wideDie:
		return uint64(c.register[p]), 2
	}
	return 0xFFFF, 2
}
