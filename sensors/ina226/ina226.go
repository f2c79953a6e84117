// Package ina226 drives the INA226, a 16-bit monitor of a shunt's and a bus's voltage on an I2C
// bus, and declares its settings for the configuration.
//
// Each conversion is triggered for one input. A result counts only if the conversion-ready flag is
// set and the chip still has the settings that were written.
//
// Source of registers, conversion times and errors: Texas Instruments data sheet INA226, SBOS547
// and its revision B of September 2024.
package ina226

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strconv"
	"time"

	"periph.io/x/conn/v3/i2c"

	"liftbank/sensors"
	"liftbank/sensors/registers"
)

// Registers.
const (
	regConfig = 0x00
	regShunt  = 0x01
	regBus    = 0x02
	regMask   = 0x06
)

// Fields of the config register.
const (
	reserved   = 0x4000 // bit 14 reads as 1
	avgShift   = 9
	busShift   = 6 // conversion time of the bus voltage
	shuntShift = 3 // conversion time of the shunt voltage
)

// readyFlag in the mask/enable register is set when all samples are converted and averaged. Reading
// the register or writing the config clears it.
const readyFlag = 1 << 3

// Volts per step.
const (
	shuntStepV = 2.5e-6
	busStepV   = 1.25e-3
)

// maxBusV is the highest bus voltage, although the steps would reach 40.96 V.
const maxBusV = 36

// wakeUp is added to a conversion: recovery from power-down takes 40 µs (from memory).
const wakeUp = 100 * time.Microsecond

// pollsPerConversion is the number of polls in one conversion time for a conversion that is late.
const pollsPerConversion = 8

// Source is an input of the chip. Its value is the mode that triggers one conversion of it.
type Source uint8

// Inputs.
const (
	Shunt Source = 1 // difference of IN+ and IN-
	Bus   Source = 2 // VBUS against ground
)

// String returns "shunt" or "bus".
func (s Source) String() string {
	switch s {
	case Shunt:
		return "shunt"
	case Bus:
		return "bus"
	}
	return "Source(" + strconv.Itoa(int(s)) + ")"
}

// Average is the field code of the number of samples in one conversion.
type Average uint8

var averages = [...]int{1, 4, 16, 64, 128, 256, 512, 1024}

// String returns the number of samples.
func (a Average) String() string { return strconv.Itoa(averages[a&7]) }

// SampleTime is the field code of the time that one sample takes.
type SampleTime uint8

// sampleTimes are nominal; the data sheet's longest ones are 10 % more.
var sampleTimes = [...]time.Duration{140e3, 204e3, 332e3, 588e3, 1100e3, 2116e3, 4156e3, 8244e3}

// String returns the time as in "1100 µs".
func (t SampleTime) String() string {
	return strconv.FormatInt(sampleTimes[t&7].Microseconds(), 10) + " µs"
}

// Kind declares the INA226 for the configuration.
var Kind = sensors.Kind{
	Name: "ina226",
	Doc: "16-bit monitor of a shunt and of the voltage behind it, up to 36 V. The shunt, here 75 mV at 300 A, needs " +
		"no amplifier, and the bus input no divider: it is wired straight to the post and has 830 kΩ itself.",
	Example: `chips:
  - {name: shunt-a, kind: ina226, address: 0x40}
channels:
  - {signal: battery_current, battery: a, chip: shunt-a, input: shunt,
     scale: {kind: shunt, shunt_ohm: 0.00025, gain: 1, zero_v: 0}}
  - {signal: battery_voltage, battery: a, chip: shunt-a, input: bus,
     scale: {kind: divider, top_ohm: 0, bottom_ohm: 830000}}
`,
	New: func() sensors.ChipConfig { return &ChipConfig{} },
}

// ChipConfig is one INA226 as configured.
type ChipConfig struct{ Addr uint16 }

// Settings returns the address.
func (c *ChipConfig) Settings() []sensors.Setting {
	return []sensors.Setting{sensors.Address(&c.Addr, 0x40, 0x4f,
		"I2C address: 0x40 + 4 x A1 + A0, each 0 at GND, 1 at VS, 2 at SDA, 3 at SCL")}
}

// NewInput returns an input with 16 samples of 1.1 ms at rest and one in a run.
func (c *ChipConfig) NewInput() sensors.Input {
	return &Input{Source: Shunt, RestAverage: 2, RunAverage: 0, Sample: 4}
}

// Address returns the address on the bus.
func (c *ChipConfig) Address() uint16 { return c.Addr }

// Open returns the driver.
func (c *ChipConfig) Open(bus i2c.Bus, clock sensors.Clock) (sensors.Chip, error) {
	return New(bus, c.Addr, clock), nil
}

// Input is one input with its settings.
type Input struct {
	Source      Source
	RestAverage Average // at rest: the more samples, the less noise
	RunAverage  Average // while the motor runs
	Sample      SampleTime
}

var _ sensors.Input = (*Input)(nil)

// Name returns "shunt" or "bus".
func (in *Input) Name() string { return in.Source.String() }

// Settings returns the source, the averages and the time of a sample.
func (in *Input) Settings() []sensors.Setting {
	counts := []Average{0, 1, 2, 3, 4, 5, 6, 7}
	source := sensors.Choice("input", &in.Source, []Source{Shunt, Bus}, "",
		"input of the chip: voltage of the shunt, or of the bus, up to 36 V")
	source.Required = true
	return []sensors.Setting{
		source,
		sensors.Choice("rest_average", &in.RestAverage, counts, "",
			"samples in a conversion while the motor is stopped; more are less noisy"),
		sensors.Choice("run_average", &in.RunAverage, counts, "", "samples in a conversion while the motor runs"),
		sensors.Choice("sample_us", &in.Sample, []SampleTime{0, 1, 2, 3, 4, 5, 6, 7}, "µs",
			"time of one sample; longer is less noisy"),
	}
}

// Validate returns an error that names each setting that the chip does not have, or nil.
func (in *Input) Validate() error {
	var errs []error
	if in.Source != Shunt && in.Source != Bus {
		errs = append(errs, fmt.Errorf("input: %v: want shunt or bus", in.Source))
	}
	if in.RestAverage > 7 || in.RunAverage > 7 {
		errs = append(errs, fmt.Errorf("averages: codes %d, %d: want 0 to 7", in.RestAverage, in.RunAverage))
	}
	if in.Sample > 7 {
		errs = append(errs, fmt.Errorf("sample time: code %d: want 0 to 7", in.Sample))
	}
	return errors.Join(errs...)
}

// Range returns ±81.92 mV for the shunt, less one step at the top, and 0 to 36 V for the bus.
func (in *Input) Range() (lowV, highV float64) {
	if in.Source == Bus {
		return 0, maxBusV
	}
	return math.MinInt16 * shuntStepV, math.MaxInt16 * shuntStepV
}

func (in *Input) average(m sensors.Mode) Average {
	if m == sensors.InRun {
		return in.RunAverage & 7
	}
	return in.RestAverage & 7
}

// Time returns the nominal and the longest time of all samples.
func (in *Input) Time(m sensors.Mode) (nominal, longest time.Duration) {
	nominal = time.Duration(averages[in.average(m)]) * sampleTimes[in.Sample&7]
	return nominal, nominal*11/10 + wakeUp
}

// Limits of the data sheet's electrical characteristics, at 25 °C.
const (
	shuntOffsetV = 10e-6
	busOffsetV   = 7.5e-3
	gainError    = 0.001
)

// quietTime is the time of conversion with a noise of one step, standard deviation: our estimate,
// as the data sheet only has a picture of it. The noise falls with the root of the time.
const quietTime = 1100 * time.Microsecond

// Class returns step, noise and errors at the pin.
func (in *Input) Class(m sensors.Mode) sensors.Class {
	c := sensors.Class{StepSize: shuntStepV, ZeroError: shuntOffsetV, GainError: gainError}
	if in.Source == Bus {
		c.StepSize, c.ZeroError = busStepV, busOffsetV
	}
	nominal, _ := in.Time(m)
	c.Noise = c.StepSize * math.Sqrt(float64(quietTime)/float64(nominal))
	return c
}

// word returns the config that triggers one conversion.
func (in *Input) word(m sensors.Mode) uint16 {
	sample := uint16(in.Sample & 7)
	return reserved | uint16(in.average(m))<<avgShift | sample<<busShift | sample<<shuntShift | uint16(in.Source)
}

// Chip is an INA226 at the board's port. It allocates for errors only.
type Chip struct {
	reg     registers.Device
	clock   sensors.Clock
	inputs  []input
	reading *input // the one that is converting; nil for none
	config  uint16 // as written last
	begun   time.Duration
	longest time.Duration
}

// input is an input with all that a conversion needs.
type input struct {
	register byte
	stepV    float64
	config   [sensors.InRun + 1]uint16
	longest  [sensors.InRun + 1]time.Duration
}

var _ sensors.Chip = (*Chip)(nil)

// New returns the chip at addr (40h to 4Fh) on bus. It does not touch the bus.
func New(bus i2c.Bus, addr uint16, clock sensors.Clock) *Chip {
	return &Chip{reg: registers.New(bus, addr, "ina226"), clock: clock}
}

// Use sets the inputs that the board reads, each an [*Input].
func (c *Chip) Use(inputs []sensors.Input) error {
	c.inputs = make([]input, len(inputs))
	for i, in := range inputs {
		set, ok := in.(*Input)
		if !ok {
			return fmt.Errorf("ina226: input %s: %T: want an input of this chip", in.Name(), in)
		}
		to := &c.inputs[i]
		to.register, to.stepV = regShunt, shuntStepV
		if set.Source == Bus {
			to.register, to.stepV = regBus, busStepV
		}
		for m := range to.config {
			to.config[m] = set.word(sensors.Mode(m))
			_, to.longest[m] = set.Time(sensors.Mode(m))
		}
	}
	return nil
}

var errNotStarted = errors.New("no conversion was started")

// Start begins one conversion of an input. The chip drops a conversion that is still in progress.
func (c *Chip) Start(input int, m sensors.Mode) error {
	c.reading = nil
	in := &c.inputs[input]
	if err := c.reg.Write("start conversion", regConfig, in.config[m]); err != nil {
		return err
	}
	c.reading, c.config, c.longest, c.begun = in, in.config[m], in.longest[m], c.clock.Now()
	return nil
}

// Read returns the volts of the conversion that Start began. It waits no longer than twice the
// longest conversion time after Start.
func (c *Chip) Read(ctx context.Context) (sensors.Sample, error) {
	in := c.reading
	if in == nil {
		return sensors.Sample{}, c.reg.Fail(sensors.NotReady, "read result", errNotStarted)
	}
	c.reading = nil
	if err := c.awaitReady(ctx); err != nil {
		return sensors.Sample{}, err
	}
	raw, err := c.reg.Read("read conversion", in.register)
	if err != nil {
		return sensors.Sample{}, err
	}
	// After the result, so that a reset before or while it was read shows: the chip then converts
	// with its power-on settings and sets the flag as well.
	if err := c.checkConfig(); err != nil {
		return sensors.Sample{}, err
	}
	code := int16(raw)
	s := sensors.Sample{PinV: float64(code) * in.stepV}
	if code == math.MaxInt16 || code == math.MinInt16 {
		s.Fault = sensors.Saturated
	}
	return s, nil
}

// awaitReady waits until the conversion-ready flag is set.
func (c *Chip) awaitReady(ctx context.Context) error {
	at, deadline := c.begun+c.longest, c.begun+2*c.longest
	for {
		if c.clock.Now() < at {
			if err := c.clock.WaitUntil(ctx, at); err != nil {
				return err
			}
		}
		now := c.clock.Now()
		flags, err := c.reg.Read("read ready flag", regMask)
		if err != nil {
			return err
		}
		if flags&readyFlag != 0 {
			return nil
		}
		if now >= deadline {
			// A chip that lost its settings may be powered down or slower than this.
			if err := c.checkConfig(); err != nil {
				return err
			}
			err := fmt.Errorf("no result in %v: want it in %v", now-c.begun, c.longest)
			return c.reg.Fail(sensors.NotReady, "read result", err)
		}
		at = min(now+c.longest/pollsPerConversion, deadline)
	}
}

func (c *Chip) checkConfig() error {
	got, err := c.reg.Read("read config", regConfig)
	if err != nil {
		return err
	}
	if got != c.config {
		return c.reg.Fail(sensors.Reset, "check config", fmt.Errorf("got %04Xh: want %04Xh", got, c.config))
	}
	return nil
}
