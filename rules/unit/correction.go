package unit

import (
	"fmt"
	"math"
)

// Correction is how the readings of a channel were corrected before they came here: (value + Offset) ·
// Gain. The zero value of Gain means 1.
type Correction struct{ Offset, Gain float64 }

// Limits of a correction: a gain outside them is a wrong scale.
const (
	minGain   = 0.5   // ratio: least gain of a correction; trade practice
	maxGain   = 2.0   // ratio: most gain of a correction; trade practice
	maxOffset = 100.0 // V: most offset of a correction, or A, or °C; our choice
)

func (c Correction) gain() float64 {
	if c.Gain == 0 {
		return 1
	}
	return c.Gain
}

// Recalibration is another correction of a channel.
type Recalibration struct {
	Channel  Channel
	Was, Now Correction
	// ZeroSigma is the standard uncertainty of the new zero of a current sensor, at the present
	// temperature; 0: its zero was not measured.
	ZeroSigma float64
}

// Shift returns what a reading of before is now: gain · reading + add.
func (r *Recalibration) Shift() (gain, add float64) {
	was, now := r.Was.gain(), r.Now.gain()
	return now / was, (r.Now.Offset - r.Was.Offset) * now
}

// Check refuses what can't be.
func (r *Recalibration) Check() error {
	for _, c := range []Correction{r.Was, r.Now} {
		if !(math.Abs(c.Offset) <= maxOffset) || !(c.gain() >= minGain && c.gain() <= maxGain) {
			return fmt.Errorf("channel %d: correction %+v: want a gain of %g to %g", r.Channel, c, minGain, maxGain)
		}
	}
	if int(r.Channel) >= Channels || !(r.ZeroSigma >= 0 && r.ZeroSigma <= maxOffset) {
		return fmt.Errorf("channel %d, uncertainty %g: want a channel, and 0 to %g", r.Channel, r.ZeroSigma, maxOffset)
	}
	return nil
}
