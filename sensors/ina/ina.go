// Package ina drives the INA226 and the INA228, monitors of a shunt's and a bus's voltage on an I2C
// bus, and declares their settings for the configuration.
//
// Each conversion is triggered for one input. A result counts only if the conversion-ready flag is
// set and the chip still has the settings that were written.
package ina

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

// Source is an input of the chip.
type Source uint8

// Inputs.
const (
	Shunt Source = iota // difference of IN+ and IN-
	Bus                 // VBUS against ground
	sources
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

// model is one kind of chip, by its data sheet.
type model struct {
	name        string
	low, high   uint16                              // addresses
	trigger     byte                                // register whose write starts a conversion
	word        func(Source, Average, uint8) uint16 // what to write there; the last is the code of the sample time
	setup       byte                                // register with the range of the shunt, if rangeBit is not 0
	rangeBit    uint16                              // the narrower range
	flags       byte                                // register with the ready flag: set when all samples are converted and averaged
	ready       uint16                              // reading flags or writing trigger clears it
	result      [sources]byte
	shift       uint // unused bits at the end of a result; 0: it has 16 bits, else 24
	samples     [8]time.Duration
	latePercent time.Duration // that a sample takes longer at most
}

// figures is how one input of a chip measures, in V at the pin.
type figures struct {
	step, low, high, zero, gain float64
	quiet                       time.Duration // of conversion with a noise of noiseV; it falls with the root of the time
	noise                       float64
}

// most returns the highest code of a result.
func (m *model) most() int32 {
	if m.shift == 0 {
		return math.MaxInt16
	}
	return 1<<(23-m.shift) - 1
}

// wakeUp is added to a conversion: recovery from power-down takes 40 to 100 µs (from memory).
const wakeUp = 100 * time.Microsecond

// pollsPerConversion is the number of polls in one conversion time for a conversion that is late.
const pollsPerConversion = 8

// chipConfig is what the kinds share.
type chipConfig struct {
	model *model
	Addr  uint16
}

// Settings returns the address.
func (c *chipConfig) Settings() []sensors.Setting {
	return []sensors.Setting{sensors.Address(&c.Addr, c.model.low, c.model.high,
		"I2C address: 0x40 + 4 x A1 + A0, each 0 at GND, 1 at VS, 2 at SDA, 3 at SCL")}
}

// Address returns the address on the bus.
func (c *chipConfig) Address() uint16 { return c.Addr }

// Input is one input with its settings.
type Input struct {
	Source      Source
	RestAverage Average // at rest: the more samples, the less noise
	RunAverage  Average // while the motor runs
	Sample      uint8   // field code of the time that one sample takes

	model   *model
	figures func(Source) figures
}

var _ sensors.Input = (*Input)(nil)

// Name returns "shunt" or "bus".
func (in *Input) Name() string { return in.Source.String() }

// sampleTime is a field code that prints as the time.
type sampleTime struct {
	code uint8
	of   *model
}

// String returns the time as in "1100 µs".
func (t sampleTime) String() string {
	return strconv.FormatInt(t.of.samples[t.code&7].Microseconds(), 10) + " µs"
}

// Settings returns the source, the averages and the time of a sample.
func (in *Input) Settings() []sensors.Setting {
	counts := []Average{0, 1, 2, 3, 4, 5, 6, 7}
	source := sensors.Choice("input", &in.Source, []Source{Shunt, Bus}, "",
		"input of the chip: voltage of the shunt, or of the bus")
	source.Required = true
	var times []sampleTime
	for code := range uint8(8) {
		times = append(times, sampleTime{code, in.model})
	}
	at := times[in.Sample&7]
	sample := sensors.Choice("sample_us", &at, times, "µs", "time of one sample; longer is less noisy")
	set := sample.Set
	sample.Set = func(text string) bool {
		ok := set(text)
		in.Sample = at.code
		return ok
	}
	return []sensors.Setting{
		source,
		sensors.Choice("rest_average", &in.RestAverage, counts, "",
			"samples in a conversion while the motor is stopped; more are less noisy"),
		sensors.Choice("run_average", &in.RunAverage, counts, "", "samples in a conversion while the motor runs"),
		sample,
	}
}

// Validate returns an error that names each setting that the chip does not have, or nil.
func (in *Input) Validate() error {
	var errs []error
	if in.Source >= sources {
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

// Range returns the volts at the pin that can be converted.
func (in *Input) Range() (lowV, highV float64) {
	f := in.figures(in.Source)
	return f.low, f.high
}

func (in *Input) average(m sensors.Mode) Average {
	if m == sensors.InRun {
		return in.RunAverage & 7
	}
	return in.RestAverage & 7
}

// Time returns the nominal and the longest time of all samples.
func (in *Input) Time(m sensors.Mode) (nominal, longest time.Duration) {
	nominal = time.Duration(averages[in.average(m)]) * in.model.samples[in.Sample&7]
	return nominal, nominal*(100+in.model.latePercent)/100 + wakeUp
}

// Class returns step, noise and errors at the pin.
func (in *Input) Class(m sensors.Mode) sensors.Class {
	f := in.figures(in.Source)
	nominal, _ := in.Time(m)
	return sensors.Class{
		StepSize: f.step, ZeroError: f.zero, GainError: f.gain,
		Noise: f.noise * math.Sqrt(float64(f.quiet)/float64(nominal)),
	}
}

// Chip is one of these chips at the board's port. It allocates for errors only.
type Chip struct {
	model   *model
	reg     registers.Device
	clock   sensors.Clock
	setup   uint16 // what the register of the range must hold
	isSetUp bool
	inputs  []input
	reading *input // the one that is converting; nil for none
	word    uint16 // as written last
	begun   time.Duration
	longest time.Duration
	asked   [4]registers.Register // flags, result, and the settings that must be as written
}

// input is an input with all that a conversion needs.
type input struct {
	register byte
	stepV    float64
	word     [sensors.InRun + 1]uint16
	longest  [sensors.InRun + 1]time.Duration
}

var _ sensors.Chip = (*Chip)(nil)

func newChip(m *model, bus i2c.Bus, addr uint16, clock sensors.Clock) *Chip {
	return &Chip{model: m, reg: registers.New(bus, addr, m.name), clock: clock}
}

// Use sets the inputs that the board reads, each an [*Input] of this kind of chip.
func (c *Chip) Use(inputs []sensors.Input) error {
	c.inputs = make([]input, len(inputs))
	for i, in := range inputs {
		set, ok := in.(*Input)
		if !ok || set.model != c.model {
			return fmt.Errorf("%s: input %s: %T: want an input of this chip", c.model.name, in.Name(), in)
		}
		to := &c.inputs[i]
		to.register, to.stepV = c.model.result[set.Source], set.figures(set.Source).step
		for m := range to.word {
			mode := sensors.Mode(m)
			to.word[m] = c.model.word(set.Source, set.average(mode), set.Sample&7)
			_, to.longest[m] = set.Time(mode)
		}
	}
	return nil
}

var errNotStarted = errors.New("no conversion was started")

// Start begins one conversion of an input. The chip drops a conversion that is still in progress.
func (c *Chip) Start(input int, m sensors.Mode) error {
	c.reading = nil
	in := &c.inputs[input]
	if c.model.rangeBit != 0 && !c.isSetUp {
		if err := c.reg.Write("set range", c.model.setup, c.setup); err != nil {
			return err
		}
		c.isSetUp = true
	}
	if err := c.reg.Write("start conversion", c.model.trigger, in.word[m]); err != nil {
		return err
	}
	c.reading, c.word, c.longest, c.begun = in, in.word[m], in.longest[m], c.clock.Now()
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
	code, err := c.result(ctx, in)
	if err != nil {
		c.isSetUp = false // whatever happened, the chip may have lost it
		return sensors.Sample{}, err
	}
	s := sensors.Sample{PinV: float64(code) * in.stepV}
	if most := c.model.most(); code == most || code == -most-1 {
		s.Fault = sensors.Saturated
	}
	return s, nil
}

// Order of what is asked. The settings come after the result, so that a reset before or while it was read
// shows: the chip then converts with its power-on settings and sets the flag as well. Reading the flags
// first clears them, so a result that ends in between is left for the next look.
const (
	flags = iota
	result
	trigger
	setup
)

// ask reads flags, result and settings together.
func (c *Chip) ask(in *input) error {
	size := 2
	if c.model.shift > 0 {
		size = 3
	}
	c.asked = [...]registers.Register{
		flags: {Name: c.model.flags, Bytes: 2}, result: {Name: in.register, Bytes: size},
		trigger: {Name: c.model.trigger, Bytes: 2}, setup: {Name: c.model.setup, Bytes: 2},
	}
	all := c.asked[:]
	if c.setup == 0 {
		all = all[:setup]
	}
	return c.reg.ReadAll("read conversion", all)
}

func (c *Chip) code() int32 {
	raw := c.asked[result].Value
	if c.model.shift == 0 {
		return int32(int16(raw))
	}
	return int32(raw<<8) >> (8 + c.model.shift)
}

// result waits until the conversion-ready flag is set, and returns the code.
func (c *Chip) result(ctx context.Context, in *input) (code int32, err error) {
	at, deadline := c.begun+c.longest, c.begun+2*c.longest
	for {
		if c.clock.Now() < at {
			if err := c.clock.WaitUntil(ctx, at); err != nil {
				return 0, err
			}
		}
		now := c.clock.Now()
		if err := c.ask(in); err != nil {
			return 0, err
		}
		if uint16(c.asked[flags].Value)&c.model.ready != 0 {
			return c.code(), c.checkSettings()
		}
		if now >= deadline {
			// A chip that lost its settings may be powered down or slower than this.
			if err := c.checkSettings(); err != nil {
				return 0, err
			}
			err := fmt.Errorf("no result in %v: want it in %v", now-c.begun, c.longest)
			return 0, c.reg.Fail(sensors.NotReady, "read result", err)
		}
		at = min(now+c.longest/pollsPerConversion, deadline)
	}
}

// checkSettings reports a chip that was reset. Where it was in Start, between the range and the
// trigger, only the range is lost.
func (c *Chip) checkSettings() error {
	if err := c.holds(trigger, c.word); err != nil || c.setup == 0 {
		return err
	}
	return c.holds(setup, c.setup)
}

func (c *Chip) holds(asked int, want uint16) error {
	if got := uint16(c.asked[asked].Value); got != want {
		return c.reg.Fail(sensors.Reset, "check settings", fmt.Errorf("got %04Xh: want %04Xh", got, want))
	}
	return nil
}
