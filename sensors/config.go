package sensors

import (
	"errors"
	"fmt"
	"math"
	"time"

	"liftbank/sensors/calibration"
)

// ChannelConfig is one analog channel.
type ChannelConfig struct {
	Name  string // for messages
	Chip  int    // index into the chips passed to New
	Input Input
	InRun bool // read in every scan while the motor runs, else only once every RestEvery
	Scale calibration.Scale
	// Correction is applied to the result of Scale.
	Correction calibration.Correction
	Min, Max   float64 // what is possible here, in the channel's unit; both 0: anything
}

// Class returns how well the channel measures, in its unit. With a scale that is not linear, a
// thermistor's, the figures hold at the scale's own point ([calibration.Slope]), and the chip's
// gain error there is part of ZeroError.
func (ch *ChannelConfig) Class(m Mode) Class {
	c, slope := ch.Input.Class(m), ch.Scale.Slope()
	gain := ch.Correction.Gain
	if gain == 0 {
		gain = 1
	}
	perVolt := math.Abs(slope.PerVolt * gain)
	out := Class{
		StepSize: c.StepSize * perVolt, Noise: c.Noise * perVolt,
		ZeroError: (c.ZeroError + c.GainError*math.Abs(slope.AtV)) * perVolt,
	}
	if slope.Linear {
		out.ZeroError += c.GainError * math.Abs(ch.Correction.OffsetAdd*gain)
		out.GainError = c.GainError
	}
	return out
}

// Schedule says when to scan.
type Schedule struct {
	// RestEvery is the time from one scan to the next at rest; more than 0.
	RestEvery time.Duration
	// RunTail is how long the board stays fast after the motor stopped; 0 or more.
	RunTail time.Duration
	// RunMax is the longest time that the board stays fast: a contact or current that never goes
	// back would keep it busy forever. After that it scans as at rest until the motor has stopped.
	// 0 is without limit.
	RunMax time.Duration
	// RunContact is the contact that is on while the motor runs; -1 for none.
	RunContact int
	// RunChannels are the channels of battery current. Their sum below RunBelow means that the
	// motor runs; nil for none. They must be InRun.
	RunChannels []int
	// RunBelow is in A, negative: discharge.
	RunBelow float64
}

// DefaultSchedule returns one scan per second, a tail of two seconds, at most ten minutes fast, and
// no sign of the motor.
func DefaultSchedule() Schedule {
	return Schedule{RestEvery: time.Second, RunTail: 2 * time.Second, RunMax: 10 * time.Minute, RunContact: -1}
}

// Config is a board.
type Config struct {
	Channels []ChannelConfig // their order is that of the readings
	Contacts int             // number of contacts; 0 for none
	Schedule Schedule
}

// Validate returns an error for everything that is wrong, or nil. chips is the number of chips.
func (c *Config) Validate(chips int) error {
	var errs []error
	type input struct {
		chip int
		name string
	}
	taken := map[input]int{}
	for i := range c.Channels {
		ch := &c.Channels[i]
		if err := ch.validate(chips); err != nil {
			errs = append(errs, fmt.Errorf("channels[%d] %s: %w", i, ch.Name, err))
		}
		if ch.Input == nil {
			continue
		}
		in := input{ch.Chip, ch.Input.Name()}
		if first, twice := taken[in]; twice {
			errs = append(errs, fmt.Errorf(
				"channels[%d] %s: input: %v of chip %d: want one not used by channels[%d] %s",
				i, ch.Name, in.name, ch.Chip, first, c.Channels[first].Name))
		}
		taken[in] = i
	}
	if c.Contacts < 0 {
		errs = append(errs, fmt.Errorf("contacts: %d: want 0 or more", c.Contacts))
	}
	return errors.Join(append(errs, c.Schedule.validate(c))...)
}

func (ch *ChannelConfig) validate(chips int) error {
	var errs []error
	if ch.Chip < 0 || ch.Chip >= chips {
		errs = append(errs, fmt.Errorf("chip: %d: want 0 to %d", ch.Chip, chips-1))
	}
	if ch.Input == nil {
		errs = append(errs, errors.New("input: none: want one"))
	} else if err := ch.Input.Validate(); err != nil {
		errs = append(errs, err)
	}
	if ch.Scale == nil {
		errs = append(errs, errors.New("scale: none: want one"))
	} else if err := ch.Scale.Validate(); err != nil {
		errs = append(errs, fmt.Errorf("scale: %w", err))
	}
	if err := ch.Correction.Validate(); err != nil {
		errs = append(errs, fmt.Errorf("correction: %w", err))
	}
	if (ch.Min != 0 || ch.Max != 0) && !(ch.Min < ch.Max) || math.IsInf(ch.Min, 0) || math.IsInf(ch.Max, 0) {
		errs = append(errs, fmt.Errorf("possible range: %v to %v: want min below max, both finite", ch.Min, ch.Max))
	}
	return errors.Join(errs...)
}

// possible reports whether the channel can have this value.
func (ch *ChannelConfig) possible(value float64) bool {
	if ch.Min == 0 && ch.Max == 0 {
		return !math.IsNaN(value) && !math.IsInf(value, 0)
	}
	return value >= ch.Min && value <= ch.Max
}

func (s *Schedule) validate(c *Config) error {
	var errs []error
	if s.RestEvery <= 0 {
		errs = append(errs, fmt.Errorf("schedule: rest every: %v: want more than 0", s.RestEvery))
	}
	if s.RunTail < 0 || s.RunMax < 0 {
		errs = append(errs, fmt.Errorf("schedule: run tail, run max: %v, %v: want 0 or more", s.RunTail, s.RunMax))
	}
	if s.RunContact < -1 || s.RunContact >= c.Contacts {
		errs = append(errs, fmt.Errorf("schedule: run contact: %d: want -1 for none, or less than %d",
			s.RunContact, c.Contacts))
	}
	for _, i := range s.RunChannels {
		if i < 0 || i >= len(c.Channels) {
			errs = append(errs, fmt.Errorf("schedule: run channels: %d: want 0 to %d", i, len(c.Channels)-1))
		} else if !c.Channels[i].InRun {
			errs = append(errs, fmt.Errorf("schedule: run channels: %s: not read during a run: want one that is",
				c.Channels[i].Name))
		}
	}
	if len(s.RunChannels) > 0 && !(s.RunBelow < 0) {
		errs = append(errs, fmt.Errorf("schedule: run below: %v A: want a discharge, below 0", s.RunBelow))
	}
	return errors.Join(errs...)
}
