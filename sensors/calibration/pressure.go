package calibration

import (
	"errors"
	"fmt"
)

// Pressure is a transducer whose output follows the pressure in proportion, above a live zero: 0.5 V
// at no pressure and 4.5 V at its full scale, or what a divider leaves of that.
type Pressure struct {
	ZeroV        float64 // at the pin, at 0 bar
	FullScaleV   float64 // at the pin, at FullScaleBar
	FullScaleBar float64
}

// faultShare is how far below its zero, and above its full scale, the output of a transducer still
// means a pressure, as a share of the span between them. Ratiometric ones use 10 to 90 % of their
// supply (a maker's description of 0.5 to 4.5 V outputs); an output below 4 % or above 96 % of it is
// a broken wire or a short (data of the Allegro A17700 sensor interface): 6 of 80 %.
const faultShare = 6.0 / 80

// Physical returns bar. An output that no transducer has between its wires is not a pressure.
func (p Pressure) Physical(pinV float64) (float64, bool) {
	span := p.FullScaleV - p.ZeroV
	share := (pinV - p.ZeroV) / span
	if !(share >= -faultShare && share <= 1+faultShare) {
		return 0, false
	}
	return share * p.FullScaleBar, true
}

// Slope returns bar per volt, at no pressure.
func (p Pressure) Slope() Slope {
	return Slope{AtV: p.ZeroV, PerVolt: p.FullScaleBar / (p.FullScaleV - p.ZeroV), Linear: true}
}

// Unit returns "bar".
func (p Pressure) Unit() string { return "bar" }

// Validate returns an error without a full scale, or with one that is not above the zero.
func (p Pressure) Validate() error {
	var above error
	if full := positive("full_scale_v", p.FullScaleV); full != nil {
		above = full
	} else if !(p.FullScaleV > p.ZeroV) {
		above = fmt.Errorf("full_scale_v: %v: want more than zero_v: %v", p.FullScaleV, p.ZeroV)
	}
	return errors.Join(number("zero_v", p.ZeroV), above, positive("full_scale_bar", p.FullScaleBar))
}
