package sensors

import (
	"errors"
	"fmt"
	"math"
	"time"

	"liftbank/sensors/ads1115"
	"liftbank/sensors/calibration"
)

// ChannelConfig is one analogue channel.
type ChannelConfig struct {
	Name      string // for messages
	Chip      int    // index into the chips handed to New
	Mux       ads1115.Mux
	FullScale ads1115.FullScale
	RestRate  ads1115.Rate // at rest: the slower, the less noise
	RunRate   ads1115.Rate // while the motor runs
	InRun     bool         // read in every scan while the motor runs, else only once every RestEvery
	Scale     calibration.Scale
	// Correction is applied to what Scale gives.
	Correction calibration.Correction
	Min, Max   float64 // what is possible here, in the channel's unit; both 0: anything
}

// Schedule says when to scan.
type Schedule struct {
	// RestEvery is the time from one scan to the next at rest; more than 0.
	RestEvery time.Duration
	// RunTail is how long the board stays fast after the motor stopped; 0 or more.
	RunTail time.Duration
	// RunMax is the longest the board stays fast on end: a contact or current that never goes back would otherwise keep
	// it busy for good. After that it scans as at rest until the motor stopped. 0 is without limit.
	RunMax time.Duration
	// RunContact is the contact that is on while the motor runs; -1 for none.
	RunContact int
	// RunChannels are the channels of battery current, whose sum under RunBelow means that the motor runs; nil for none.
	// They must be InRun.
	RunChannels []int
	// RunBelow is in A, negative: discharge.
	RunBelow float64
}

// DefaultSchedule gives one scan a second, a tail of two seconds, at most ten minutes fast, and no sign of the motor.
func DefaultSchedule() Schedule {
	return Schedule{RestEvery: time.Second, RunTail: 2 * time.Second, RunMax: 10 * time.Minute, RunContact: -1}
}

// Config is a board.
type Config struct {
	Channels []ChannelConfig // their order is that of the readings
	Contacts int             // number of contacts; 0 when there are none
	Schedule Schedule
}

// Validate returns an error for all that is wrong, nil if nothing is. chips is the number of converters.
func (c *Config) Validate(chips int) error {
	var errs []error
	type input struct {
		chip int
		mux  ads1115.Mux
	}
	taken := map[input]int{}
	for i := range c.Channels {
		ch := &c.Channels[i]
		if err := ch.validate(chips); err != nil {
			errs = append(errs, fmt.Errorf("channels[%d] %s: %w", i, ch.Name, err))
		}
		in := input{ch.Chip, ch.Mux}
		if first, twice := taken[in]; twice {
			errs = append(errs, fmt.Errorf("channels[%d] %s: input: %v of chip %d: want one not used by channels[%d] %s",
				i, ch.Name, ch.Mux, ch.Chip, first, c.Channels[first].Name))
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
	if ch.Mux > ads1115.AIN3 {
		errs = append(errs, fmt.Errorf("input: %v: want AIN0-AIN1 to AIN3", ch.Mux))
	}
	if ch.FullScale > ads1115.Range0V256 {
		errs = append(errs, fmt.Errorf("range: %v: want 0.256 V to 6.144 V", ch.FullScale))
	}
	if ch.RestRate > ads1115.SPS860 || ch.RunRate > ads1115.SPS860 {
		errs = append(errs, fmt.Errorf("rates: %v, %v: want 8 SPS to 860 SPS", ch.RestRate, ch.RunRate))
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

// possible reports whether a value can be on this channel.
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
		errs = append(errs, fmt.Errorf("schedule: run contact: %d: want -1 for none, or below %d", s.RunContact, c.Contacts))
	}
	for _, i := range s.RunChannels {
		if i < 0 || i >= len(c.Channels) {
			errs = append(errs, fmt.Errorf("schedule: run channels: %d: want 0 to %d", i, len(c.Channels)-1))
		} else if !c.Channels[i].InRun {
			errs = append(errs, fmt.Errorf("schedule: run channels: %s: not read during a run: want one that is", c.Channels[i].Name))
		}
	}
	if len(s.RunChannels) > 0 && !(s.RunBelow < 0) {
		errs = append(errs, fmt.Errorf("schedule: run below: %v A: want a discharge, below 0", s.RunBelow))
	}
	return errors.Join(errs...)
}
