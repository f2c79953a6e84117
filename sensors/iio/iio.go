// Package iio reads input chips that have a driver in the Linux kernel, through its industrial I/O
// files, and declares their settings for the configuration. It only reads files: range and rate of
// the chip are set when the device appears, and checked here.
//
// Source of the files, their units and names: kernel documentation, ABI/testing/sysfs-bus-iio. A
// voltage in mV is (raw + offset) · scale; read(2) of a raw file converts and waits for the result.
package iio

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"periph.io/x/conn/v3/i2c"

	"liftbank/sensors"
)

// Folder is where the kernel has its industrial I/O devices, a link for each.
const Folder = "/sys/bus/iio/devices"

const prefix = "iio:device"

// Kind declares a chip with a kernel driver for the configuration.
var Kind = sensors.Kind{
	Name: "iio",
	Doc: "Any converter of voltages with a driver in the Linux kernel (industrial I/O), here an ADS1115 at address 48h of " +
		"bus 1, which the kernel names 1-0048. Its range and rate are set when the device appears, by a rule such as " +
		"/etc/udev/rules.d/70-liftbank.rules with `SUBSYSTEM==\"iio\", KERNELS==\"1-0048\", " +
		"ATTR{in_voltage0_scale}=\"0.125\", ATTR{in_voltage0_sampling_frequency}=\"860\"`, once for each input; " +
		"the agent reads them and says what differs.",
	Example: `chips:
  - {name: adc-1, kind: iio, device: 1-0048}
channels:
  - {signal: battery_voltage, battery: a, chip: adc-1, input: voltage0, step_uv: 125,
     scale: {kind: divider, top_ohm: 100000, bottom_ohm: 10000}}
  - {signal: battery_current, battery: a, chip: adc-1, input: voltage1, step_uv: 125,
     scale: {kind: hall, zero_v: 1.65, v_per_a: 0.0025}}
`,
	New: func() sensors.ChipConfig { return &ChipConfig{files: os.DirFS(Folder)} },
}

// ChipConfig is one device as configured.
type ChipConfig struct {
	Device string // name of its parent on the bus, its own folder, its label, or its name
	files  fs.FS  // the folder of all devices
}

// Settings returns the device.
func (c *ChipConfig) Settings() []sensors.Setting {
	return []sensors.Setting{{
		Name: "device", Required: true, Accepts: "a name such as 1-0048",
		Doc: "what the kernel calls the device: its place on the bus (bus 1, address 48h: 1-0048), its label, its name or " +
			"its folder, of which the first two stay the same at each start",
		Set: func(text string) bool {
			ok := deviceName.MatchString(text)
			if ok {
				c.Device = text
			}
			return ok
		},
	}}
}

var (
	deviceName = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9:._@-]{0,63}$`)
	inputName  = regexp.MustCompile(`^voltage[0-9]{0,2}(-voltage[0-9]{1,2})?(_[a-z0-9_]{1,20})?$`)
)

// NewInput returns an input of no name.
func (c *ChipConfig) NewInput() sensors.Input { return &Input{FullScaleV: 4.096, RateHz: 860} }

// Address returns 0: the kernel talks to the bus.
func (c *ChipConfig) Address() uint16 { return 0 }

// Open returns the reader of the device's files. It opens none of them.
func (c *ChipConfig) Open(i2c.Bus, sensors.Clock) (sensors.Chip, error) {
	return New(c.files, c.Device), nil
}

// Input is one voltage of a device.
type Input struct {
	Channel    string  // as in in_CHANNEL_raw: voltage0, voltage0-voltage1
	StepV      float64 // that one code makes
	FullScaleV float64 // end of the range
	LowV       float64 // its beginning
	RateHz     float64 // conversions a second, at least
}

var (
	_ sensors.Input    = (*Input)(nil)
	_ sensors.Blocking = (*Input)(nil)
)

// Name returns the name of the channel.
func (in *Input) Name() string { return in.Channel }

// Settings returns the channel and what its files must say.
func (in *Input) Settings() []sensors.Setting {
	number := func(name, unit, doc string, to *float64, factor, low, high float64) sensors.Setting {
		text := func(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
		return sensors.Setting{
			Name: name, Doc: doc, Number: true, Unit: unit, Default: text(*to / factor),
			Accepts: fmt.Sprintf("%s to %s %s", text(low), text(high), unit),
			Set: func(s string) bool {
				v, err := strconv.ParseFloat(s, 64)
				ok := err == nil && v >= low && v <= high
				if ok {
					*to = v * factor
				}
				return ok
			},
		}
	}
	step := number("step_uv", "µV", "what one code makes: a thousand times the number in the file in_..._scale",
		&in.StepV, 1e-6, 0.001, 100000)
	step.Required, step.Default = true, ""
	return []sensors.Setting{
		{
			Name: "input", Required: true, Accepts: "a voltage of the device, as in the name of its file: voltage0, voltage0-voltage1",
			Doc: "input of the device: NAME where it has a file in_NAME_raw",
			Set: func(text string) bool {
				ok := inputName.MatchString(text)
				if ok {
					in.Channel = text
				}
				return ok
			},
		},
		step,
		number("full_scale_v", "V", "end of the range of the device; a pin must never see more than the chip's supply",
			&in.FullScaleV, 1, 0.01, 100),
		number("lowest_v", "V", "beginning of the range", &in.LowV, 1, -100, 0),
		number("rate_hz", "Hz", "conversions a second that the device is set to, at least, in the file ..._sampling_frequency where "+
			"it has one", &in.RateHz, 1, 1, 100000),
	}
}

// Validate returns an error that names each setting that is not possible, or nil.
func (in *Input) Validate() error {
	var errs []error
	if !inputName.MatchString(in.Channel) {
		errs = append(errs, fmt.Errorf("input: %q: want a voltage, such as voltage0", in.Channel))
	}
	for _, f := range []struct {
		name string
		ok   bool
	}{
		{"step_uv", in.StepV > 0}, {"full_scale_v", in.FullScaleV > 0}, {"lowest_v", in.LowV <= 0}, {"rate_hz", in.RateHz > 0},
	} {
		if !f.ok {
			errs = append(errs, fmt.Errorf("%s: out of range", f.name))
		}
	}
	return errors.Join(errs...)
}

// Range returns the range of the device.
func (in *Input) Range() (lowV, highV float64) { return in.LowV, in.FullScaleV }

// Time returns 0: a read waits for the conversion.
func (in *Input) Time(sensors.Mode) (nominal, longest time.Duration) { return 0, 0 }

// Blocks returns how long a read takes at most: a conversion that is dropped, and the one after it,
// by the slack of a chip's oscillator (10 %: an ADS1115's).
func (in *Input) Blocks(sensors.Mode) time.Duration {
	return time.Duration(2.2 / in.RateHz * float64(time.Second))
}

// Class returns the step; noise and errors are our choice, those of an ADS1115: one step, three steps, and
// 0.15 % with 0.1 % more in ranges but its first.
func (in *Input) Class(sensors.Mode) sensors.Class {
	return sensors.Class{StepSize: in.StepV, Noise: in.StepV, ZeroError: 3 * in.StepV, GainError: 0.0025}
}

// Chip is a device at the board's port.
type Chip struct {
	files  fs.FS
	device string
	dir    string // of the device; empty: not found yet
	inputs []*Input
	offset []float64 // of each input, in codes
	next   int       // input to read; -1: none was started
}

var _ sensors.Chip = (*Chip)(nil)

// New returns the device of a name among the devices whose folders are in files.
func New(files fs.FS, device string) *Chip { return &Chip{files: files, device: device, next: -1} }

// Use sets the inputs that the board reads, each an [*Input].
func (c *Chip) Use(inputs []sensors.Input) error {
	for _, in := range inputs {
		set, ok := in.(*Input)
		if !ok {
			return fmt.Errorf("iio: input %s: %T: want an input of this kind", in.Name(), in)
		}
		c.inputs = append(c.inputs, set)
	}
	c.offset = make([]float64, len(inputs))
	return nil
}

// Start notes the input: the kernel begins the conversion when it is read.
func (c *Chip) Start(input int, _ sensors.Mode) error {
	c.next = input
	return nil
}

var errNotStarted = errors.New("no conversion was started")

// Read has the kernel convert and returns the volts. The device is looked for again after an error.
func (c *Chip) Read(ctx context.Context) (sensors.Sample, error) {
	if err := ctx.Err(); err != nil {
		return sensors.Sample{}, err
	}
	i := c.next
	c.next = -1
	if i < 0 {
		return sensors.Sample{}, c.fail(sensors.NotReady, "read", errNotStarted)
	}
	s, err := c.read(i)
	if err != nil {
		c.dir = ""
	}
	return s, err
}

func (c *Chip) read(i int) (sensors.Sample, error) {
	if c.dir == "" {
		if err := c.find(); err != nil {
			return sensors.Sample{}, err
		}
	}
	in := c.inputs[i]
	code, err := c.number("in_" + in.Channel + "_raw")
	if err != nil {
		return sensors.Sample{}, err
	}
	// After the result: a chip that was reset has another range.
	if err := c.checkScale(in); err != nil {
		return sensors.Sample{}, err
	}
	s := sensors.Sample{PinV: (code + c.offset[i]) * in.StepV}
	if s.PinV > in.FullScaleV-1.5*in.StepV || in.LowV < 0 && s.PinV < in.LowV+0.5*in.StepV {
		s.Fault = sensors.Saturated
	}
	return s, nil
}

// find looks for the device, and checks what does not change by itself.
func (c *Chip) find() error {
	entries, err := fs.ReadDir(c.files, ".")
	if err != nil {
		return c.fail(sensors.NoAnswer, "find device", fmt.Errorf("%s: %w", Folder, err))
	}
	var places, named, there []string // by place, label or folder; by name, which chips of a kind share
	for _, e := range entries {
		dir := e.Name()
		if !strings.HasPrefix(dir, prefix) {
			continue // a trigger
		}
		place, name := c.place(dir), c.text(dir, "name")
		there = append(there, strings.TrimSpace(place+" "+name))
		switch c.device {
		case dir, place, c.text(dir, "label"):
			places = append(places, dir)
		case name:
			named = append(named, dir)
		}
	}
	found := places
	if len(found) == 0 {
		found = named
	}
	switch len(found) {
	case 1:
		c.dir = found[0]
	case 0:
		return c.fail(sensors.NoAnswer, "find device", fmt.Errorf("not in %s: want one of: %s", Folder, listed(there)))
	default:
		return c.fail(sensors.NoAnswer, "find device",
			fmt.Errorf("%s are both called that: want its place on the bus, as in 1-0048", strings.Join(found, " and ")))
	}
	for i, in := range c.inputs {
		c.offset[i] = 0
		if v, err := c.number(c.shared(in, "offset")); err == nil {
			c.offset[i] = v
		}
		if err := c.checkRate(in); err != nil {
			return err
		}
	}
	return nil
}

func listed(there []string) string {
	if len(there) == 0 {
		return "there is none; load the driver of the chip (device tree)"
	}
	slices.Sort(there)
	return strings.Join(there, ", ")
}

// place returns the name of the device's parent on its bus, as in 1-0048; empty where it can't be told.
func (c *Chip) place(dir string) string {
	target, err := fs.ReadLink(c.files, dir)
	if err != nil {
		return ""
	}
	return path.Base(path.Dir(target))
}

// shared returns the file of an input's property: its own, or that of all inputs of its type.
func (c *Chip) shared(in *Input, property string) string {
	own := "in_" + in.Channel + "_" + property
	if _, err := fs.Stat(c.files, path.Join(c.dir, own)); err == nil {
		return own
	}
	if strings.Contains(in.Channel, "-") {
		return "in_voltage-voltage_" + property
	}
	return "in_voltage_" + property
}

// checkScale reports a range that is not the one configured: all volts would be wrong by its ratio.
func (c *Chip) checkScale(in *Input) error {
	file := c.shared(in, "scale")
	mv, err := c.number(file)
	if err != nil {
		return err
	}
	if off := mv*1e-3/in.StepV - 1; !(off > -0.001 && off < 0.001) {
		return c.fail(sensors.Reset, "check range", fmt.Errorf("%s has %g: want %g, as step_uv says", file, mv, in.StepV*1e3))
	}
	return nil
}

// checkRate reports a device that converts slower than configured.
func (c *Chip) checkRate(in *Input) error {
	for _, file := range []string{"in_" + in.Channel + "_sampling_frequency", "in_voltage_sampling_frequency", "sampling_frequency"} {
		hz, err := c.number(file)
		if err != nil {
			continue // not every device tells
		}
		if hz < 0.99*in.RateHz {
			return c.fail(sensors.NotReady, "check rate", fmt.Errorf("%s has %g: want %g or more", file, hz, in.RateHz))
		}
		return nil
	}
	return nil
}

// text returns a one-line file of a device; empty where there is none.
func (c *Chip) text(dir, file string) string {
	b, err := fs.ReadFile(c.files, path.Join(dir, file))
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}

// number reads a file of the device.
func (c *Chip) number(file string) (float64, error) {
	b, err := fs.ReadFile(c.files, path.Join(c.dir, file))
	if err != nil {
		return 0, c.fail(sensors.FaultOf(err), "read "+file, err)
	}
	v, err := strconv.ParseFloat(strings.TrimSpace(string(b)), 64)
	if err != nil || !(v > -1e12 && v < 1e12) {
		return 0, c.fail(sensors.NotReady, "read "+file, fmt.Errorf("%.40q: want a number", b))
	}
	return v, nil
}

func (c *Chip) fail(fault sensors.Fault, op string, err error) *sensors.ChipError {
	return &sensors.ChipError{Fault: fault, Chip: "iio " + c.device, Op: op, Err: err}
}
