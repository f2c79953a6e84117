package ads1115

import (
	"fmt"
	"strconv"
	"time"
)

// Config is a value of the config register. All bits are as on the wire.
type Config uint16

// Fields of the config register (data sheet table 8-3).
const (
	osBit    = 0x8000 // written 1: begin a conversion; read 1: idle, read 0: converting
	muxShift = 12
	pgaShift = 9
	modeBit  = 0x0100 // single-shot; 0 is continuous
	rateBits = 5
	compOff  = 0x0003 // COMP_QUE 11: comparator off, ALERT pin high-impedance
)

// wakeUp is added to a conversion: the chip powers up for each single shot, in about 25 µs (section
// 7.4.2.1). This is twice that.
const wakeUp = 50 * time.Microsecond

// SingleShot returns the config word that begins one conversion of input m with range fs at rate r,
// comparator off.
func SingleShot(m Mux, fs FullScale, r Rate) Config {
	return osBit | Config(m&7)<<muxShift | Config(fs&7)<<pgaShift | modeBit | Config(r&7)<<rateBits | compOff
}

// Mux returns the input selected.
func (c Config) Mux() Mux { return Mux(c >> muxShift & 7) }

// FullScale returns the range selected. The three codes for 0.256 V are the same range.
func (c Config) FullScale() FullScale { return min(FullScale(c>>pgaShift&7), Range0V256) }

// Rate returns the data rate selected.
func (c Config) Rate() Rate { return Rate(c >> rateBits & 7) }

// String returns the word in hexadecimal with the fields that matter, for messages.
func (c Config) String() string {
	return fmt.Sprintf("%04Xh (%v, %v, %v)", uint16(c), c.Mux(), c.FullScale(), c.Rate())
}

// ConversionTime returns the longest time from the start of a conversion to its end: one period of
// the data rate (a conversion settles in one) of an oscillator that is 10 % slow, and the wake-up.
func (c Config) ConversionTime() time.Duration {
	return c.Rate().Period()*10/9 + wakeUp
}

// settings returns the word without the bit that says whether a conversion runs: what must read
// back as it was written.
func (c Config) settings() Config { return c &^ osBit }

// Mux is the input pair of a conversion, or one input against ground.
type Mux uint8

// Inputs, by field code. The first of a pair is the positive one.
const (
	AIN0AIN1 Mux = iota
	AIN0AIN3
	AIN1AIN3
	AIN2AIN3
	AIN0
	AIN1
	AIN2
	AIN3
)

var muxWords = [...]string{"AIN0-AIN1", "AIN0-AIN3", "AIN1-AIN3", "AIN2-AIN3", "AIN0", "AIN1", "AIN2", "AIN3"}

// String returns the input as in "AIN0" or "AIN0-AIN1".
func (m Mux) String() string {
	if int(m) < len(muxWords) {
		return muxWords[m]
	}
	return "Mux(" + strconv.Itoa(int(m)) + ")"
}

// FullScale is the range of a conversion, the same on both sides of zero. A pin may carry less:
// from ground to the chip's supply.
type FullScale uint8

// Ranges, by field code.
const (
	Range6V144 FullScale = iota
	Range4V096
	Range2V048
	Range1V024
	Range0V512
	Range0V256
)

var (
	fullScaleVolts = [...]float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256}
	fullScaleWords = [...]string{"6.144 V", "4.096 V", "2.048 V", "1.024 V", "0.512 V", "0.256 V"}
)

// String returns the range as in "4.096 V".
func (fs FullScale) String() string {
	if int(fs) < len(fullScaleWords) {
		return fullScaleWords[fs]
	}
	return "FullScale(" + strconv.Itoa(int(fs)) + ")"
}

// MaxV returns the end of the range in volts. Codes above Range0V256 mean 0.256 V too, as in the
// chip.
func (fs FullScale) MaxV() float64 { return fullScaleVolts[min(fs, Range0V256)] }

// Volts returns the volts between the inputs for a code: one step is the range over 2^15 (data
// sheet, table of LSB sizes). The codes 7FFFh and 8000h mean the end of the range or beyond.
func (fs FullScale) Volts(code int16) float64 {
	return float64(code) * (fs.MaxV() / 32768)
}

// Rate is the data rate; a conversion takes one period of it.
type Rate uint8

// Rates in samples per second, by field code.
const (
	SPS8 Rate = iota
	SPS16
	SPS32
	SPS64
	SPS128
	SPS250
	SPS475
	SPS860
)

var (
	rateSPS   = [...]int{8, 16, 32, 64, 128, 250, 475, 860}
	rateWords = [...]string{"8 SPS", "16 SPS", "32 SPS", "64 SPS", "128 SPS", "250 SPS", "475 SPS", "860 SPS"}
)

// String returns the rate as in "860 SPS".
func (r Rate) String() string {
	if int(r) < len(rateWords) {
		return rateWords[r]
	}
	return "Rate(" + strconv.Itoa(int(r)) + ")"
}

// SPS returns the nominal samples per second.
func (r Rate) SPS() int { return rateSPS[r&7] }

// Period returns the nominal time of one conversion.
func (r Rate) Period() time.Duration { return time.Second / time.Duration(r.SPS()) }
