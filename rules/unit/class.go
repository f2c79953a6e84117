package unit

import "math"

// SensorClass is how far a channel's readings may be off, from its scale and input chip, in the
// channel's unit. Zero and Gain are limits of the class; Noise is a standard deviation.
type SensorClass struct {
	Step  float64 // between two neighboring values of the chip: readings are rounded by up to half
	Noise float64 // from one reading to the next
	Zero  float64 // constant part
	Gain  float64 // as a share of the value
}

// ReadLow returns by how much a value of this size may be read too low.
func (c SensorClass) ReadLow(value float64) float64 { return c.Zero + c.Gain*math.Abs(value) }

// Classes are the sensor classes of all channels of a unit.
type Classes [Channels]SensorClass

// Of returns the class of a signal of a battery; the feed's and the motor's have none.
func (c *Classes) Of(s Signal, battery int) SensorClass { return c[ChannelOf(s, battery)] }

// Classes of the sensors that are taken where a unit does not say its own: taps through dividers of
// 1 %, Hall sensors of ±200 A, thermistors, 16-bit input chips.
const (
	tapStepV      = 0.0014       // V: step of a tap's channel; our choice
	tapNoiseV     = 0.002        // V: noise of a tap; our choice
	tapZeroV      = 0.010        // V: zero of a tap; our choice
	tapGain       = 0.01         // ratio: gain of a tap; our choice
	groundStepV   = 0.0001       // V: step of a negative post's channel; our choice
	groundNoiseV  = 0.0008 / 1.4 // V: noise of a negative post; our choice
	currentStepA  = 0.02         // A: step of a Hall sensor's channel; our choice
	currentNoiseA = 0.1          // A: noise of a Hall sensor; our choice
	currentZeroA  = 0.2          // A: zero of a Hall sensor; our choice
	currentGain   = 0.01         // ratio: gain of a Hall sensor; our choice
	tempNoiseC    = 0.1          // °C: noise of a thermistor; our choice
	tempZeroC     = 1.0          // °C: zero of a thermistor; our choice
	oilStepBar    = 0.02         // bar: step of a transducer's channel; our choice
	oilNoiseBar   = 0.5          // bar: noise of a transducer; our choice
	oilZeroBar    = 2.5          // bar: zero of a transducer, 1 % of 250 bar; our choice
	oilGain       = 0.02         // ratio: gain of a transducer, its supply's error with it; our choice
)

// DefaultClass returns the class of a signal where a unit does not say its own.
func DefaultClass(s Signal) SensorClass {
	switch s {
	case BatteryNegative:
		return SensorClass{groundStepV, groundNoiseV, tapZeroV, tapGain}
	case BatteryCurrent:
		return SensorClass{currentStepA, currentNoiseA, currentZeroA, currentGain}
	case BatteryTemp, AmbientTemp:
		return SensorClass{Noise: tempNoiseC, Zero: tempZeroC} // a curve has no gain
	case OilPressure:
		return SensorClass{oilStepBar, oilNoiseBar, oilZeroBar, oilGain}
	}
	return SensorClass{tapStepV, tapNoiseV, tapZeroV, tapGain}
}

// DefaultClasses returns the classes of a unit that does not say its own.
func DefaultClasses() *Classes {
	c := Classes{}.OrDefault()
	return &c
}

// OrDefault returns the classes with that of DefaultClass for each that is zero.
func (c Classes) OrDefault() Classes {
	for k := range c {
		c[k] = c[k].Or(DefaultClass(Channel(k).Signal()))
	}
	return c
}

// Worst returns the worst class of a signal over the first n batteries.
func (c *Classes) Worst(s Signal, n int) (w SensorClass) {
	for k := range n {
		w = w.Worse(c.Of(s, k))
	}
	return w
}

// Worse returns the larger figures of two classes.
func (c SensorClass) Worse(o SensorClass) SensorClass {
	return SensorClass{
		Step: max(c.Step, o.Step), Noise: max(c.Noise, o.Noise), Zero: max(c.Zero, o.Zero), Gain: max(c.Gain, o.Gain),
	}
}

// Or returns the class, or another where it is zero.
func (c SensorClass) Or(other SensorClass) SensorClass {
	if c == (SensorClass{}) {
		return other
	}
	return c
}
