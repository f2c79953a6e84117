package board

import (
	"math"
	"time"
)

// Pointer register: which register a transfer addresses. Only the two low bits are decoded.
const (
	regConversion = 0 // result of the last conversion, read only
	regConfig     = 1
	regLoThresh   = 2
	regHiThresh   = 3
)

// Register contents after power-on or a general-call reset.
const (
	powerOnConversion = 0x0000
	powerOnConfig     = 0x8583 // idle, AIN0-AIN1, ±2.048 V, single shot, 128 SPS, comparator off
	powerOnLoThresh   = 0x8000
	powerOnHiThresh   = 0x7FFF
)

// Fields of the config register.
const (
	configOS      = 1 << 15 // written 1: start a conversion; read 1: idle
	configSingle  = 1 << 8  // 1: single shot, power-down in between; 0: continuous
	configPolHigh = 1 << 3  // ALERT/RDY is high when asserted
	configQueue   = 3       // comparator queue; 3 switches the ALERT/RDY pin off
)

// wakeUp is the time from power-down to the start of a conversion: "approximately 25 µs".
const wakeUp = 25 * time.Microsecond

// readyPulse is how long ALERT/RDY is asserted after each continuous conversion: "approximately 8
// µs".
const readyPulse = 8 * time.Microsecond

// samplesPerSecond by the DR field.
var samplesPerSecond = [8]float64{8, 16, 32, 64, 128, 250, 475, 860}

// fullScaleV by the PGA field: the range is ± this; codes 101b, 110b and 111b are one range.
var fullScaleV = [8]float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256}

// codesPerV by the PGA field: 2^15 over full scale.
var codesPerV = func() (c [8]float64) {
	for i, v := range fullScaleV {
		c[i] = 32768 / v
	}
	return c
}()

// groundPin stands for GND as the negative input.
const groundPin = 4

// inputPair by the MUX field: positive and negative input.
var inputPair = [8]struct{ positive, negative uint8 }{
	{0, 1}, {0, 3}, {1, 3}, {2, 3},
	{0, groundPin}, {1, groundPin}, {2, groundPin}, {3, groundPin},
}

// Code gives the output code for a differential voltage at the range of a config word, as a
// conversion does.
func Code(v float64, config uint16) int16 { return code(v, config>>9&7) }

// code gives the two's complement output code for a differential voltage at the range of the PGA
// field: rounded to nearest, clipped to 8000h and 7FFFh. The conversion to float64 keeps a fused
// multiply-add out, so that every platform gives the same code.
func code(v float64, pga uint16) int16 {
	x := math.RoundToEven(float64(v * codesPerV[pga]))
	switch {
	case x >= math.MaxInt16:
		return math.MaxInt16
	case x <= math.MinInt16:
		return math.MinInt16
	}
	return int16(x)
}
