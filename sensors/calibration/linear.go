package calibration

import "errors"

// Divider is a voltage divider from the measured point to ground, the pin between its two resistors.
type Divider struct {
	TopOhm    float64 // from the measured point to the pin; 0 is a pin wired straight to it
	BottomOhm float64 // from the pin to ground
}

// Physical gives the volts of the measured point: pinV · (top + bottom) / bottom. The converter's own input resistance is
// neglected (6 MΩ or more at the ranges from 2.048 V up, data sheet SBAS444 from memory: 0.1 % at 10 kΩ for the bottom).
func (d Divider) Physical(pinV float64) (float64, bool) {
	return pinV * ((d.TopOhm + d.BottomOhm) / d.BottomOhm), true
}

// Unit gives "V".
func (d Divider) Unit() string { return "V" }

// Validate wants a bottom resistor and no negative top one.
func (d Divider) Validate() error {
	top := number("top_ohm", d.TopOhm)
	if top == nil && d.TopOhm < 0 {
		top = errors.New("top_ohm: negative: want 0 or more")
	}
	return errors.Join(top, positive("bottom_ohm", d.BottomOhm))
}

// Hall is a current sensor whose output moves in proportion to the current, around a zero voltage.
type Hall struct {
	ZeroV float64 // at the pin, without current
	VPerA float64 // at the pin, per ampere into the battery; negative when mounted the other way round
}

// Physical gives amperes: (pinV - ZeroV) / VPerA.
func (h Hall) Physical(pinV float64) (float64, bool) { return (pinV - h.ZeroV) / h.VPerA, true }

// Unit gives "A".
func (h Hall) Unit() string { return "A" }

// Validate wants a sensitivity.
func (h Hall) Validate() error {
	return errors.Join(number("zero_v", h.ZeroV), nonZero("v_per_a", h.VPerA))
}

// Shunt is a current shunt with an amplifier, or straight at a differential input with a gain of 1.
type Shunt struct {
	ShuntOhm float64 // its resistance
	Gain     float64 // of the amplifier, volts at the pin per volt over the shunt; negative turns the sign
	ZeroV    float64 // at the pin, without current; 0 for an amplifier without a lifted zero
}

// Physical gives amperes: (pinV - ZeroV) / (Gain · ShuntOhm).
func (s Shunt) Physical(pinV float64) (float64, bool) {
	return (pinV - s.ZeroV) / (s.Gain * s.ShuntOhm), true
}

// Unit gives "A".
func (s Shunt) Unit() string { return "A" }

// Validate wants a resistance and a gain.
func (s Shunt) Validate() error {
	return errors.Join(positive("shunt_ohm", s.ShuntOhm), nonZero("gain", s.Gain), number("zero_v", s.ZeroV))
}
