package calibration

import "errors"

// Divider is a voltage divider from the measured point to ground, with the pin between its two
// resistors.
type Divider struct {
	TopOhm    float64 // from the measured point to the pin; 0 for a pin wired straight to it
	BottomOhm float64 // from the pin to ground
}

// Physical returns the volts of the measured point: pinV · (top + bottom) / bottom. It neglects the
// input resistance of the chip: 6 MΩ or more for an ADS1115 at the ranges from 2.048 V up (data
// sheet SBAS444E, section 5.5), 0.1 % at 10 kΩ for the bottom.
func (d Divider) Physical(pinV float64) (float64, bool) {
	return pinV * ((d.TopOhm + d.BottomOhm) / d.BottomOhm), true
}

// Slope returns the ratio of the divider.
func (d Divider) Slope() Slope {
	return Slope{PerVolt: (d.TopOhm + d.BottomOhm) / d.BottomOhm, Linear: true}
}

// Unit returns "V".
func (d Divider) Unit() string { return "V" }

// Validate returns an error without a bottom resistor or with a negative top one.
func (d Divider) Validate() error {
	top := number("top_ohm", d.TopOhm)
	if top == nil && d.TopOhm < 0 {
		top = errors.New("top_ohm: negative: want 0 or more")
	}
	return errors.Join(top, positive("bottom_ohm", d.BottomOhm))
}

// Hall is a current sensor whose output follows the current in proportion, around a zero voltage.
type Hall struct {
	ZeroV float64 // at the pin, at zero current
	VPerA float64 // at the pin, per ampere into the battery; negative if mounted the other way around
}

// Physical returns amperes: (pinV - ZeroV) / VPerA.
func (h Hall) Physical(pinV float64) (float64, bool) { return (pinV - h.ZeroV) / h.VPerA, true }

// Slope returns amperes per volt, at zero current.
func (h Hall) Slope() Slope { return Slope{AtV: h.ZeroV, PerVolt: 1 / h.VPerA, Linear: true} }

// Unit returns "A".
func (h Hall) Unit() string { return "A" }

// Validate returns an error without a sensitivity.
func (h Hall) Validate() error {
	return errors.Join(number("zero_v", h.ZeroV), nonZero("v_per_a", h.VPerA))
}

// Shunt is a current shunt with an amplifier, or wired straight to a differential input with a gain
// of 1.
type Shunt struct {
	ShuntOhm float64 // its resistance
	Gain     float64 // of the amplifier, volts at the pin per volt over the shunt; negative reverses the sign
	ZeroV    float64 // at the pin, at zero current; 0 for an amplifier without a raised zero
}

// Physical returns amperes: (pinV - ZeroV) / (Gain · ShuntOhm).
func (s Shunt) Physical(pinV float64) (float64, bool) {
	return (pinV - s.ZeroV) / (s.Gain * s.ShuntOhm), true
}

// Slope returns amperes per volt, at zero current.
func (s Shunt) Slope() Slope {
	return Slope{AtV: s.ZeroV, PerVolt: 1 / (s.Gain * s.ShuntOhm), Linear: true}
}

// Unit returns "A".
func (s Shunt) Unit() string { return "A" }

// Validate returns an error without a resistance or a gain.
func (s Shunt) Validate() error {
	return errors.Join(positive("shunt_ohm", s.ShuntOhm), nonZero("gain", s.Gain), number("zero_v", s.ZeroV))
}
