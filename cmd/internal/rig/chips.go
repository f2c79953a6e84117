package rig

import (
	"fmt"
	"math"
	"syscall"
	"time"

	"liftbank/agent/config"
	"liftbank/sensors"
	"liftbank/sensors/ads1115"
	"liftbank/sensors/iio"
	"liftbank/sim/board"
)

// chip is one emulated input chip of any kind.
type chip interface {
	// connect wires an input, by its name in the configuration.
	connect(input string, a board.Analog) error
	// cut breaks the wire to an input, and mend joins it.
	cut(input string)
	mend(input string)
	Absent(bool)
	SlowReady(time.Duration)
	// open returns the real driver, on the emulated bus or on the emulated files.
	open(r *Rig, cfg sensors.ChipConfig) (sensors.Chip, error)
}

// addChip emulates a chip of the configuration.
func (r *Rig) addChip(c *config.Chip) (chip, error) {
	switch c.Kind {
	case "ads1115":
		chip := board.NewChip(c.Address(), r.Clock, board.Options{})
		return adsChip{chip}, nil // the bus is made with them
	case "ina226":
		chip := board.NewINA226(c.Address(), r.Clock, 0)
		r.others = append(r.others, chip)
		return &inaChip{power: chip}, nil
	case "ina228":
		chip := board.NewINA228(c.Address(), r.Clock, 0)
		r.others = append(r.others, chip)
		return &inaChip{power: chip}, nil
	case "iio":
		return r.addDevice(c)
	}
	return nil, fmt.Errorf("chip %s: kind %s: not simulated", c.Name, c.Kind)
}

// SingleEnded returns the number of a single-ended input.
func SingleEnded(input string) (int, error) {
	return numbered(input, "AIN")
}

func numbered(input, prefix string) (int, error) {
	for i := range 4 {
		if input == fmt.Sprint(prefix, i) {
			return i, nil
		}
	}
	return 0, fmt.Errorf("input %s: the simulated board wires single inputs only", input)
}

// adsChip is an ADS1115.
type adsChip struct{ *board.Chip }

func (c adsChip) connect(input string, a board.Analog) error {
	ain, err := SingleEnded(input)
	if err == nil {
		c.Connect(ain, a)
	}
	return err
}

func (c adsChip) cut(input string) {
	if ain, err := SingleEnded(input); err == nil {
		c.Open(ain, 0)
	}
}

func (c adsChip) mend(input string) {
	if ain, err := SingleEnded(input); err == nil {
		c.Mend(ain)
	}
}

func (c adsChip) open(r *Rig, cfg sensors.ChipConfig) (sensors.Chip, error) {
	if r.throughBus {
		return ads1115.Over(&through{bus: ads1115.NewDev(r.Bus, cfg.Address(), r.Clock), plain: direct{c.Chip}, rig: r}), nil
	}
	return ads1115.Over(direct{c.Chip}), nil
}

// wires are inputs that can be cut.
type wires map[string]*bool

// cuttable returns an input that floats while its wire is cut.
func (w *wires) cuttable(input string, a board.Analog) board.Analog {
	if *w == nil {
		*w = wires{}
	}
	isCut := new(bool)
	(*w)[input] = isCut
	return func(at time.Duration) float64 {
		if *isCut {
			return math.NaN()
		}
		return a(at)
	}
}

func (w wires) set(input string, cut bool) {
	if at := w[input]; at != nil {
		*at = cut
	}
}

func (w wires) cut(input string)  { w.set(input, true) }
func (w wires) mend(input string) { w.set(input, false) }

// inaChip is an INA226 or an INA228.
type inaChip struct {
	wires
	power
}

// power is what the two have in common.
type power interface {
	ConnectShunt(board.Analog)
	ConnectBus(board.Analog)
	Absent(bool)
	SlowReady(time.Duration)
}

func (c *inaChip) connect(input string, a board.Analog) error {
	a = c.cuttable(input, a)
	switch input {
	case "shunt":
		c.ConnectShunt(a)
	case "bus":
		c.ConnectBus(a)
	default:
		return fmt.Errorf("input %s: want shunt or bus", input)
	}
	return nil
}

func (c *inaChip) open(r *Rig, cfg sensors.ChipConfig) (sensors.Chip, error) {
	return cfg.Open(r.Bus, r.Clock)
}

// iioChip is a device of the kernel.
type iioChip struct {
	wires
	*board.IIODevice
}

// addDevice emulates a device as its inputs are configured.
func (r *Rig) addDevice(c *config.Chip) (chip, error) {
	d := &board.IIODevice{Place: c.ChipConfig.(*iio.ChipConfig).Device, Name: "adc"}
	for i := range r.Config.Board.Channels {
		ch := &r.Config.Board.Channels[i]
		in, is := ch.Input.(*iio.Input)
		if !is || ch.Chip != c.Name {
			continue
		}
		n, err := numbered(in.Channel, "voltage")
		if err != nil {
			return nil, fmt.Errorf("chip %s: %w", c.Name, err)
		}
		d.StepV[n], d.RateHz = in.StepV, in.RateHz
	}
	r.devices = append(r.devices, d)
	return &iioChip{IIODevice: d}, nil
}

func (c *iioChip) connect(input string, a board.Analog) error {
	n, err := numbered(input, "voltage")
	if err == nil {
		c.Connect(n, c.cuttable(input, a))
	}
	return err
}

// Absent has the kernel's driver get no answer.
func (c *iioChip) Absent(absent bool) {
	c.Gone = nil
	if absent {
		c.Gone = syscall.EREMOTEIO
	}
}

// SlowReady has the kernel's driver give up waiting for the chip.
func (c *iioChip) SlowReady(by time.Duration) {
	c.Gone = nil
	if by > 0 {
		c.Gone = syscall.ETIMEDOUT
	}
}

func (c *iioChip) open(r *Rig, cfg sensors.ChipConfig) (sensors.Chip, error) {
	return iio.New(board.NewIIO(r.Clock, r.devices...), cfg.(*iio.ChipConfig).Device), nil
}
