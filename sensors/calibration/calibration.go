// Package calibration turns the volts at the pin of an input chip into the quantity of a channel:
// volts at a post, amperes through a sensor, °C of a thermistor, bar of a transducer.
//
// A channel has a [Scale], the nominal law of its circuit, and a [Correction] from a more accurate
// meter. Both are pure: no state, no clock. The way back, from a quantity to volts, is not here on
// purpose: the simulator has its own.
//
// Current into a battery is positive. The scale of a sensor mounted the other way around reverses
// the sign (a negative sensitivity), not the correction.
package calibration

import (
	"errors"
	"fmt"
	"math"
)

// Scale is the law of one front end.
type Scale interface {
	// Physical returns the quantity for the volts at the pin. ok is false for volts that the
	// circuit cannot have, as from a thermistor that is cut or shorted; value is then 0.
	Physical(pinV float64) (value float64, ok bool)
	// Slope returns how the quantity follows the volts at the pin.
	Slope() Slope
	// Unit returns the unit of the quantity: "V", "A", "°C" or "bar".
	Unit() string
	// Validate returns an error that names each field that is not possible and what is accepted, or
	// nil.
	Validate() error
}

// Slope is how much a quantity changes with the volts at the pin, at one point of its scale.
type Slope struct {
	AtV     float64 // volts at the pin
	PerVolt float64 // change of the quantity per volt there
	Linear  bool    // PerVolt holds everywhere, and the quantity is 0 at AtV
}

var (
	_ Scale = Divider{}
	_ Scale = Hall{}
	_ Scale = Shunt{}
	_ Scale = NTCBeta{}
	_ Scale = Pressure{}
	_ Scale = NTCSteinhartHart{}
)

// Correction is the result of a comparison with a meter. The zero value changes nothing.
type Correction struct {
	OffsetAdd float64 // added to the quantity, in its unit
	Gain      float64 // factor applied after that; 0 means 1
}

// Apply returns the corrected quantity, (value + OffsetAdd) · Gain: the zero is set first, so that
// a later change of the gain leaves it where it is.
func (c Correction) Apply(value float64) float64 {
	if c.Gain == 0 {
		return value + c.OffsetAdd
	}
	return (value + c.OffsetAdd) * c.Gain
}

// Undo returns the quantity without its correction: Undo(Apply(x)) is x.
func (c Correction) Undo(corrected float64) float64 {
	if c.Gain == 0 {
		return corrected - c.OffsetAdd
	}
	return corrected/c.Gain - c.OffsetAdd
}

// Validate returns an error for a gain outside 0.5 to 2 and for an offset that is not a number:
// such a difference is a wrong scale or a wrong wire, not a tolerance (common practice, no source).
func (c Correction) Validate() error {
	var errs []error
	if !finite(c.OffsetAdd) {
		errs = append(errs, fmt.Errorf("offset: %v: want a finite number", c.OffsetAdd))
	}
	if c.Gain != 0 && !(c.Gain >= 0.5 && c.Gain <= 2) {
		errs = append(errs, fmt.Errorf("gain: %v: want 0.5 to 2", c.Gain))
	}
	return errors.Join(errs...)
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// positive returns the error of a field that must be above 0, or nil.
func positive(field string, x float64) error {
	if finite(x) && x > 0 {
		return nil
	}
	return fmt.Errorf("%s: %v: want more than 0", field, x)
}

func nonZero(field string, x float64) error {
	if finite(x) && x != 0 {
		return nil
	}
	return fmt.Errorf("%s: %v: want a number other than 0", field, x)
}

func number(field string, x float64) error {
	if finite(x) {
		return nil
	}
	return fmt.Errorf("%s: %v: want a finite number", field, x)
}
