package board

import (
	"math"
	"time"
)

// Registers of the INA226.
const (
	inaConfig      = 0x00
	inaShunt       = 0x01
	inaBus         = 0x02
	inaPower       = 0x03
	inaCurrent     = 0x04
	inaCalibration = 0x05
	inaMask        = 0x06
	inaLimit       = 0x07
	inaMaker       = 0xFE
	inaDie         = 0xFF
)

const (
	inaPowerOn   = 0x4127  // continuous shunt and bus, 1.1 ms each, one sample
	inaReset     = 1 << 15 // of the config: resets everything and clears itself
	inaModeShunt = 1       // bits of the mode
	inaModeBus   = 2
	inaModeAlong = 4 // continuous
	inaReady     = 1 << 3
	inaMaskWrite = 0xFC03 // bits of mask/enable that can be written; the others are flags
)

// inaSampleTime by the conversion time fields, and inaSamples by the averaging field.
var (
	inaSampleTime = [8]time.Duration{140e3, 204e3, 332e3, 588e3, 1100e3, 2116e3, 4156e3, 8244e3}
	inaSamples    = [8]int{1, 4, 16, 64, 128, 256, 512, 1024}
)

// INA226 is one INA226, written from its data sheet (TI SBOS547 and revision B of September 2024):
// configuration with reset bit, triggered and continuous conversion of shunt, bus or both,
// averaging, calibration, current and power, the conversion-ready flag, identification. What the
// sheet leaves open is decided like this:
//   - An average is rounded to the nearest step.
//   - A register that does not exist reads FFFFh; writes to it and to results are ignored.
//   - In triggered mode the mode bits stay as written after the conversion.
//   - A write needs both bytes; what follows them is ignored. A read past the second byte is FFh.
//
// Not emulated: the alert pin and its functions (mask and limit are stored and read back), the
// arithmetic overflow flag, the SMBus timeout and alert response, noise, leakage. A sample has the
// value of its input at the instant it ends.
//
// One goroutine uses a chip; it also sets the faults.
type INA226 struct {
	monitor

	pointer                                byte
	config, calibration, mask, limit       uint16
	shuntCode, busCode, current, powerCode int16

	converting bool
	begun      time.Duration // of the set of samples in progress
}

var _ Device = (*INA226)(nil)

// NewINA226 returns a chip at an address, 0x40 to 0x4F, in the state after power-on. timeError is
// the relative error of its sample times, -0.1 to 0.1 by the data sheet, 0.1 is 10 % longer. Both
// inputs are at 0 V.
func NewINA226(addr uint16, clock Clock, timeError float64) *INA226 {
	c := &INA226{monitor: newMonitor("INA226", addr, clock, timeError)}
	c.powerOn()
	return c
}

// BrownOut drops the supply for a moment: every register is back at its power-on default.
func (c *INA226) BrownOut() { c.powerOn() }

func (c *INA226) powerOn() {
	c.pointer, c.calibration, c.mask, c.limit = inaConfig, 0, 0, 0
	c.shuntCode, c.busCode, c.current, c.powerCode = 0, 0, 0, 0
	c.writeConfig(c.clock.Now(), inaPowerOn)
}

// writeConfig stops the conversion in progress and starts what the mode asks for.
func (c *INA226) writeConfig(now time.Duration, v uint16) {
	if v&inaReset != 0 {
		c.powerOn()
		return
	}
	c.config = v&0x0FFF | inaPowerOn&0x7000
	c.converting = v&(inaModeShunt|inaModeBus) != 0
	c.begun = now
	if c.converting {
		c.mask &^= inaReady
	}
}

// sampleTimes returns how long one sample of each input takes under the present config; 0 for an
// input that is not converted.
func (c *INA226) sampleTimes() (shunt, bus time.Duration) {
	actual := func(d time.Duration) time.Duration { return time.Duration(float64(float64(d) * c.pace)) }
	if c.config&inaModeShunt != 0 {
		shunt = actual(inaSampleTime[c.config>>3&7])
	}
	if c.config&inaModeBus != 0 {
		bus = actual(inaSampleTime[c.config>>6&7])
	}
	return shunt, bus
}

// catchUp finishes the sets of samples that ended by now; of continuous ones only the latest, as
// the others were overwritten unread.
func (c *INA226) catchUp(now time.Duration) {
	if !c.converting {
		return
	}
	n := inaSamples[c.config>>9&7]
	shunt, bus := c.sampleTimes()
	set := time.Duration(n)*(shunt+bus) + c.slow
	sets := (now - c.begun) / set
	if sets < 1 {
		return
	}
	if c.config&inaModeAlong == 0 {
		sets, c.converting = 1, false
	}
	c.convert(c.begun+(sets-1)*set, n, shunt, bus)
	c.begun += sets * set
	c.mask |= inaReady
}

// convert takes the samples of a set and loads the results.
func (c *INA226) convert(begin time.Duration, n int, shunt, bus time.Duration) {
	var shuntSum, busSum float64
	at := begin
	for range n {
		if at += shunt; shunt > 0 {
			shuntSum += inaCode(c.shunt, at, 2.5e-6, math.MinInt16)
		}
		if at += bus; bus > 0 {
			busSum += inaCode(c.bus, at, 1.25e-3, 0)
		}
	}
	if shunt > 0 {
		c.shuntCode = int16(math.RoundToEven(shuntSum / float64(n)))
		c.current = int16(max(math.MinInt16, min(math.MaxInt16, int64(c.shuntCode)*int64(c.calibration)/2048)))
	}
	if bus > 0 {
		c.busCode = int16(math.RoundToEven(busSum / float64(n)))
		power := int64(c.current) * int64(c.busCode) / 20000
		c.powerCode = int16(uint16(max(power, -power)))
	}
}

// inaCode returns the code of one sample, clipped to the ends of its range.
func inaCode(a Analog, at time.Duration, stepV, lowest float64) float64 {
	if a == nil {
		return 0
	}
	v := a(at)
	if math.IsNaN(v) { // floating
		v = 0
	}
	return max(lowest, min(math.MaxInt16, math.RoundToEven(float64(v/stepV))))
}

func (c *INA226) transfer(now time.Duration, w, r []byte) {
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

func (c *INA226) writeRegister(now time.Duration, v uint16) {
	switch c.pointer {
	case inaConfig:
		c.writeConfig(now, v)
	case inaCalibration:
		c.calibration = v & 0x7FFF
	case inaMask:
		c.mask = c.mask&^inaMaskWrite | v&inaMaskWrite
	case inaLimit:
		c.limit = v
	}
}

func (c *INA226) readRegister() uint16 {
	switch c.pointer {
	case inaConfig:
		return c.config
	case inaShunt:
		return uint16(c.shuntCode)
	case inaBus:
		return uint16(c.busCode)
	case inaPower:
		return uint16(c.powerCode)
	case inaCurrent:
		return uint16(c.current)
	case inaCalibration:
		return c.calibration
	case inaMask:
		v := c.mask
		c.mask &^= inaReady // reading clears it
		return v
	case inaLimit:
		return c.limit
	case inaMaker:
		return 0x5449
	case inaDie:
		return 0x2260
	}
	return 0xFFFF
}
