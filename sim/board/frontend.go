package board

import "liftbank/sim/detmath"

// Products are converted to float64 wherever a sum may follow: that keeps a fused multiply-add out,
// which only some platforms have, and so the bits the same on all.

// FrontEnd is the wiring between a physical quantity and a chip's input.
type FrontEnd interface {
	// PinV gives the volts at the input over GND.
	PinV(value float64) float64
}

// Divider brings a voltage into the chip's range.
type Divider struct {
	TopOhm    float64 // between the measured point and the input; > 0
	BottomOhm float64 // between the input and GND; > 0
}

// PinV gives the volts at the input for volts at the measured point.
func (d Divider) PinV(v float64) float64 { return v * d.BottomOhm / (d.TopOhm + d.BottomOhm) }

// Hall is a current sensor with a voltage output.
type Hall struct {
	ZeroV float64 // output without current
	VPerA float64 // sensitivity; below 0 when mounted the other way round
}

// PinV gives the volts at the input for a current in A.
func (h Hall) PinV(currentA float64) float64 { return h.ZeroV + float64(h.VPerA*currentA) }

// Shunt is a resistor in the current's way with an amplifier behind it.
type Shunt struct {
	ShuntOhm float64 // > 0
	Gain     float64 // of the amplifier
	ZeroV    float64 // amplifier's output without current
}

// PinV gives the volts at the input for a current in A.
func (s Shunt) PinV(currentA float64) float64 {
	return s.ZeroV + float64(currentA*s.ShuntOhm*s.Gain)
}

// NTC is a thermistor between the input and GND, pulled up to a supply.
type NTC struct {
	R25Ohm    float64 // resistance at 25 °C; > 0
	BetaK     float64 // beta constant; > 0
	PullupOhm float64 // > 0
	SupplyV   float64 // > 0
}

// Ohm gives the thermistor's resistance at a temperature in °C above absolute zero: R25 exp(B
// (1/T - 1/298.15)), the beta equation of thermistor data sheets.
func (n NTC) Ohm(tempC float64) float64 {
	return float64(n.R25Ohm * detmath.Exp(n.BetaK*(1/(tempC+273.15)-1/298.15)))
}

// PinV gives the volts at the input for a temperature in °C.
func (n NTC) PinV(tempC float64) float64 {
	r := n.Ohm(tempC)
	return n.SupplyV * r / (r + n.PullupOhm)
}

// Transducer is a pressure sensor with a voltage output above a live zero, as its data sheet states
// it or as a divider leaves it.
type Transducer struct {
	ZeroV   float64 // output at no pressure
	FullV   float64 // output at FullBar
	FullBar float64 // > 0
}

// PinV gives the volts at the input for a pressure in bar.
func (p Transducer) PinV(bar float64) float64 {
	return p.ZeroV + float64((p.FullV-p.ZeroV)*bar/p.FullBar)
}

// Direct is an input wired straight to the measured voltage.
type Direct struct{}

// PinV gives the volts at the input.
func (Direct) PinV(v float64) float64 { return v }
