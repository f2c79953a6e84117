package calibration

import (
	"errors"
	"math"
)

// zeroCelsiusK is 0 °C in kelvin, by definition.
const zeroCelsiusK = 273.15

// pulledUp returns the resistance to ground of a part below a pull-up resistor, in ohms. ok is
// false if the pin is so near to ground or to the supply that the part must be shorted or cut (or
// the pull-up is): within limitShare of the supply a resistance looks the same as none or infinite.
func pulledUp(pinV, pullupOhm, supplyV float64) (ohm float64, ok bool) {
	share := pinV / supplyV
	if !(share > limitShare && share < 1-limitShare) {
		return 0, false
	}
	return pullupOhm * share / (1 - share), true
}

// limitShare is 0.2 %. With a 10 kΩ thermistor of beta 3950 and a 10 kΩ pull-up it is reached below
// -60 °C and above 250 °C, which no battery survives.
const limitShare = 0.002

// NTCBeta is a thermistor to ground below a pull-up resistor, by the beta law.
type NTCBeta struct {
	R25Ohm    float64 // resistance at 25 °C
	BetaK     float64 // kelvin, of the data sheet, for the range around 25 °C
	PullupOhm float64
	SupplyV   float64 // at the top of the pull-up
}

// Physical returns °C by 1/T = 1/298.15 + ln(R/R25)/beta with T in kelvin.
//
// The law fits a real part to about 1 °C from 0 to 50 °C; for more range use [NTCSteinhartHart]
// (common practice, no source).
func (n NTCBeta) Physical(pinV float64) (float64, bool) {
	ohm, ok := pulledUp(pinV, n.PullupOhm, n.SupplyV)
	if !ok {
		return 0, false
	}
	return celsius(1/(25+zeroCelsiusK) + math.Log(ohm/n.R25Ohm)/n.BetaK)
}

// Slope returns °C per volt where the thermistor equals its pull-up.
func (n NTCBeta) Slope() Slope {
	return midSlope(n, n.SupplyV, 1/n.BetaK)
}

// Unit returns "°C".
func (n NTCBeta) Unit() string { return "°C" }

// Validate returns an error unless all four are above 0.
func (n NTCBeta) Validate() error {
	return errors.Join(positive("r25_ohm", n.R25Ohm), positive("beta_k", n.BetaK),
		positive("pullup_ohm", n.PullupOhm), positive("supply_v", n.SupplyV))
}

// NTCSteinhartHart is a thermistor to ground below a pull-up resistor, by the Steinhart-Hart
// equation.
type NTCSteinhartHart struct {
	A, B, C   float64 // coefficients for kelvin and ohm
	PullupOhm float64
	SupplyV   float64 // at the top of the pull-up
}

// Physical returns °C by 1/T = A + B ln R + C (ln R)^3 with T in kelvin, R in ohms.
//
// Source: Steinhart and Hart, Deep-Sea Research 15 (1968) 497-503 (from memory).
func (n NTCSteinhartHart) Physical(pinV float64) (float64, bool) {
	ohm, ok := pulledUp(pinV, n.PullupOhm, n.SupplyV)
	if !ok {
		return 0, false
	}
	l := math.Log(ohm)
	return celsius(n.A + n.B*l + n.C*l*l*l)
}

// Slope returns °C per volt where the thermistor equals its pull-up.
func (n NTCSteinhartHart) Slope() Slope {
	l := math.Log(n.PullupOhm)
	return midSlope(n, n.SupplyV, n.B+3*n.C*l*l)
}

// midSlope returns the slope of a thermistor at half the supply, where it equals its pull-up.
// perLog is the change of 1/T with the logarithm of its resistance there. With s the pin's share of
// the supply, R = pull-up · s/(1-s), so that ln R changes by 4 with s at 1/2.
func midSlope(law Scale, supplyV, perLog float64) Slope {
	at := Slope{AtV: supplyV / 2}
	if c, ok := law.Physical(at.AtV); ok {
		t := c + zeroCelsiusK
		at.PerVolt = -t * t * perLog * 4 / supplyV
	}
	return at
}

// Unit returns "°C".
func (n NTCSteinhartHart) Unit() string { return "°C" }

// Validate returns an error unless the resistance falls with the temperature, as a thermistor's
// does: B above 0, C 0 or more.
func (n NTCSteinhartHart) Validate() error {
	c := number("c", n.C)
	if c == nil && n.C < 0 {
		c = errors.New("c: negative: want 0 or more")
	}
	return errors.Join(number("a", n.A), positive("b", n.B), c,
		positive("pullup_ohm", n.PullupOhm), positive("supply_v", n.SupplyV))
}

// celsius returns °C for 1/T; ok is false if there is no such temperature above absolute zero.
func celsius(perKelvin float64) (float64, bool) {
	if !(perKelvin > 0) {
		return 0, false
	}
	t := 1/perKelvin - zeroCelsiusK
	return t, finite(t)
}
