package ads1115

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3/i2c"

	"liftbank/sensors"
)

// Codes is the chip at the level of its codes: [Dev], or an emulation without the bytes of a bus.
type Codes interface {
	// Start begins one conversion; config is a word as [SingleShot] returns it.
	Start(config uint16) error
	// Result waits for the conversion and returns its code.
	Result(ctx context.Context) (code int16, err error)
}

// Chip is an ADS1115 at the board's port.
type Chip struct {
	codes   Codes
	inputs  []input
	reading *input // the one that is converting
}

// input is an input with its config words ready for use.
type input struct {
	config [sensors.InRun + 1]uint16
	lsbV   float64
}

var _ sensors.Chip = (*Chip)(nil)

// New returns the chip at addr (48h to 4Bh) on bus. It does not touch the bus.
func New(bus i2c.Bus, addr uint16, clock Clock) *Chip { return Over(NewDev(bus, addr, clock)) }

// Over returns a chip over its codes.
func Over(codes Codes) *Chip { return &Chip{codes: codes} }

// Use sets the inputs that the board reads, each an [*Input].
func (c *Chip) Use(inputs []sensors.Input) error {
	c.inputs = make([]input, len(inputs))
	for i, in := range inputs {
		set, ok := in.(*Input)
		if !ok {
			return fmt.Errorf("ads1115: input %s: %T: want an input of this chip", in.Name(), in)
		}
		words := &c.inputs[i]
		words.lsbV = set.FullScale.Volts(1)
		words.config[sensors.AtRest] = uint16(SingleShot(set.Mux, set.FullScale, set.RestRate))
		words.config[sensors.InRun] = uint16(SingleShot(set.Mux, set.FullScale, set.RunRate))
	}
	return nil
}

// Start begins one conversion of an input.
func (c *Chip) Start(input int, m sensors.Mode) error {
	c.reading = &c.inputs[input]
	return c.codes.Start(c.reading.config[m])
}

// Read returns the volts of the conversion that Start began.
func (c *Chip) Read(ctx context.Context) (sensors.Sample, error) {
	code, err := c.codes.Result(ctx)
	if err != nil {
		return sensors.Sample{}, err
	}
	s := sensors.Sample{PinV: float64(code) * c.reading.lsbV}
	if code == math.MaxInt16 || code == math.MinInt16 {
		s.Fault = sensors.Saturated
	}
	return s, nil
}

// Kind declares the ADS1115 for the configuration.
var Kind = sensors.Kind{
	Name: "ads1115",
	Doc: "16-bit ADC with four inputs, or pairs of them. Each signal needs a circuit that brings it to the pin's " +
		"range: a divider, a Hall sensor, a shunt's amplifier, a thermistor's pull-up.",
	Example: `chips:
  - {name: volts, kind: ads1115, address: 0x48}
channels:
  - {signal: battery_voltage, battery: a, chip: volts, input: AIN0,
     scale: {kind: divider, top_ohm: 100000, bottom_ohm: 10000}}
  - {signal: battery_current, battery: a, chip: volts, input: AIN1,
     scale: {kind: hall, zero_v: 1.65, v_per_a: 0.0025}}
`,
	New: func() sensors.ChipConfig { return &ChipConfig{} },
}

// ChipConfig is one ADS1115 as configured.
type ChipConfig struct{ Addr uint16 }

// Settings returns the address.
func (c *ChipConfig) Settings() []sensors.Setting {
	return []sensors.Setting{sensors.Address(&c.Addr, 0x48, 0x4b,
		"I2C address: ADDR pin at GND, VDD, SDA, SCL in this order")}
}

// NewInput returns an input with a range of 4.096 V, 128 SPS at rest and 860 SPS in a run.
func (c *ChipConfig) NewInput() sensors.Input {
	return &Input{Mux: AIN0, FullScale: Range4V096, RestRate: SPS128, RunRate: SPS860}
}

// Address returns the address on the bus.
func (c *ChipConfig) Address() uint16 { return c.Addr }

// Open returns the driver.
func (c *ChipConfig) Open(bus i2c.Bus, clock sensors.Clock) (sensors.Chip, error) {
	return New(bus, c.Addr, clock), nil
}

// Input is one input with its settings.
type Input struct {
	Mux       Mux
	FullScale FullScale
	RestRate  Rate // at rest: the slower, the less noise
	RunRate   Rate // while the motor runs
}

var _ sensors.Input = (*Input)(nil)

// Name returns the input as in "AIN0" or "AIN0-AIN1".
func (in *Input) Name() string { return in.Mux.String() }

// Settings returns input, range and rates.
func (in *Input) Settings() []sensors.Setting {
	muxes := []Mux{AIN0, AIN1, AIN2, AIN3, AIN0AIN1, AIN0AIN3, AIN1AIN3, AIN2AIN3}
	ranges := []FullScale{Range6V144, Range4V096, Range2V048, Range1V024, Range0V512, Range0V256}
	rates := []Rate{SPS8, SPS16, SPS32, SPS64, SPS128, SPS250, SPS475, SPS860}
	input := sensors.Choice("input", &in.Mux, muxes, "",
		"input of the chip: against ground, or the difference of two")
	input.Required = true
	return []sensors.Setting{
		input,
		sensors.Choice("full_scale_v", &in.FullScale, ranges, "V",
			"end of the input chip's range; a pin must never see more than the chip's supply"),
		sensors.Choice("rest_sps", &in.RestRate, rates, "SPS",
			"conversions per second while the motor is stopped; slower is less noisy"),
		sensors.Choice("run_sps", &in.RunRate, rates, "SPS", "conversions per second while the motor runs"),
	}
}

// Validate returns an error that names each setting that the chip does not have, or nil.
func (in *Input) Validate() error {
	var errs []error
	if in.Mux > AIN3 {
		errs = append(errs, fmt.Errorf("input: %v: want AIN0-AIN1 to AIN3", in.Mux))
	}
	if in.FullScale > Range0V256 {
		errs = append(errs, fmt.Errorf("range: %v: want 0.256 V to 6.144 V", in.FullScale))
	}
	if in.RestRate > SPS860 || in.RunRate > SPS860 {
		errs = append(errs, fmt.Errorf("rates: %v, %v: want 8 SPS to 860 SPS", in.RestRate, in.RunRate))
	}
	return errors.Join(errs...)
}

// maxSupplyV is the highest supply, and so the most that a pin can have (section 5.3).
const maxSupplyV = 5.5

// Range returns what can be at the pin: from ground, or for a pair from the negative side, to the
// end of the range or the highest supply.
func (in *Input) Range() (lowV, highV float64) {
	highV = min(in.FullScale.MaxV(), maxSupplyV)
	if in.Mux < AIN0 {
		return -highV, highV
	}
	return 0, highV
}

func (in *Input) rate(m sensors.Mode) Rate {
	if m == sensors.InRun {
		return in.RunRate
	}
	return in.RestRate
}

// Time returns one period of the data rate, and the longest time of a conversion.
func (in *Input) Time(m sensors.Mode) (nominal, longest time.Duration) {
	r := in.rate(m)
	return r.Period(), SingleShot(in.Mux, in.FullScale, r).ConversionTime()
}

// Limits at 25 °C (SBAS444E section 5.5). They are for the range of 2.048 V; the offset is taken to
// be the same number of steps at the others. Single-ended, 3 steps are the typical offset.
const (
	offsetSteps = 3      // offset error in steps
	gainError   = 0.0015 // gain error
	gainMatch   = 0.001  // between any two ranges, in addition
	crestSpread = 6.6    // peak to peak over standard deviation: 99.9 % of normal noise
	specRange   = Range2V048
)

// noiseUV is the noise in µV peak to peak at a supply of 3.3 V (SBAS444E table 6-1), by rate and
// range. One step is the least that the table has; the chip's own noise is less there.
var noiseUV = [...][6]float64{
	SPS8:   {187.5, 125, 62.5, 31.25, 15.625, 7.8125},
	SPS16:  {187.5, 125, 62.5, 31.25, 15.625, 7.8125},
	SPS32:  {187.5, 125, 62.5, 31.25, 15.625, 7.8125},
	SPS64:  {187.5, 125, 62.5, 31.25, 15.625, 7.8125},
	SPS128: {187.5, 125, 62.5, 31.25, 15.625, 12.35},
	SPS250: {252.09, 148.28, 84.03, 39.54, 16.06, 18.53},
	SPS475: {266.92, 227.38, 79.08, 56.84, 32.13, 25.95},
	SPS860: {430.06, 266.93, 118.63, 64.26, 40.78, 35.83},
}

// Class returns step, noise and errors at the pin. The noise is the data sheet's peak to peak over
// 6.6, an upper bound where that is one step.
func (in *Input) Class(m sensors.Mode) sensors.Class {
	step := in.FullScale.Volts(1)
	c := sensors.Class{
		StepSize: step, Noise: noiseUV[in.rate(m)&7][min(in.FullScale, Range0V256)] * 1e-6 / crestSpread,
		ZeroError: offsetSteps * step, GainError: gainError,
	}
	if in.FullScale != specRange {
		c.GainError += gainMatch
	}
	return c
}
