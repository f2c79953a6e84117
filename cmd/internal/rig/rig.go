// Package rig puts a simulated unit behind an emulated board, ready for the agent's measuring part.
package rig

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/sensors"
	"liftbank/sensors/ads1115"
	"liftbank/sim"
	"liftbank/sim/board"
	"liftbank/sim/scenario"
)

// Rig is a simulated unit with its emulated board, ready for an agent.
type Rig struct {
	Unit   *sim.Unit
	Clock  *Clock
	Config config.Config
	Chips  []*board.Chip
	Bus    *board.Bus

	scenario   *scenario.Scenario
	throughBus bool
	taps       map[string]*tap // by the scenario's channel name
	changes    []change
	unset      bool          // the wall clock is not set
	wallOff    time.Duration // its error while it is trusted
}

// tap is one channel between the unit and a pin.
type tap struct {
	chip   *board.Chip
	ain    int
	sensor board.Sensor
	source *float64 // what it is wired to
	tempC  *float64 // where it is
	perC   float64  // that it drifts with that, from 25 °C
	stuck  *float64
}

// driftFromC is where a sensor that drifts with temperature is right, °C.
const driftFromC = 25

// change is one fault of the board that begins or ends.
type change struct {
	at    time.Duration
	apply func()
}

// New builds a scenario's unit and board. With throughBus every reading crosses the emulated I2C
// bus byte by byte, through the real driver. Without it the same chips are read directly, which is
// faster and gives the same scans.
func New(sc scenario.Scenario, cfg config.Config, throughBus bool) (*Rig, error) {
	unit, err := sim.New(sc, sc.Seed)
	if err != nil {
		return nil, err
	}
	r := &Rig{Unit: unit, Config: cfg, scenario: &sc, throughBus: throughBus, taps: map[string]*tap{}}
	contacts, err := contactsOf(&cfg)
	if err != nil {
		return nil, err
	}
	r.Clock = newClock(unit, contacts)
	byName := map[string]*board.Chip{}
	for _, c := range cfg.Board.Chips {
		chip := board.NewChip(c.Address(), r.Clock, board.Options{})
		r.Chips, byName[c.Name] = append(r.Chips, chip), chip
	}
	r.Bus = board.NewBus(r.Clock, r.Chips...)
	for i := range cfg.Board.Channels {
		if err := r.connect(&cfg.Board.Channels[i], byName); err != nil {
			return nil, err
		}
	}
	if err := r.applySensors(&sc); err != nil {
		return nil, err
	}
	r.Clock.At = r.applyChanges
	r.applyChanges(0)
	return r, nil
}

// Parts returns what an agent's core needs.
func (r *Rig) Parts() agent.Parts {
	p := agent.Parts{Contacts: r.Clock, Clock: r.Clock, Wall: r.wall}
	for _, chip := range r.Chips {
		if r.throughBus {
			p.Chips = append(p.Chips, ads1115.New(r.Bus, chip.Addr(), r.Clock))
		} else {
			p.Chips = append(p.Chips, ads1115.Over(direct{chip}))
		}
	}
	return p
}

func (r *Rig) wall() (time.Time, bool) {
	return r.Unit.StartWall().Add(r.Clock.now + r.wallOff), !r.unset
}

// ClockJump is a wall clock that is wrong for a while.
type ClockJump struct{ At, For, By time.Duration }

// JumpClock plans jumps of the wall clock.
func (r *Rig) JumpClock(jumps []ClockJump) {
	for _, j := range jumps {
		r.changes = append(r.changes,
			change{j.At, func() { r.wallOff += j.By }}, change{j.At + j.For, func() { r.wallOff -= j.By }})
	}
	r.sortChanges()
}

func (r *Rig) sortChanges() {
	slices.SortStableFunc(r.changes, func(a, b change) int { return cmp.Compare(a.at, b.at) })
}

// direct reads a chip without the bus's bytes and classes errors as the driver does.
type direct struct{ chip *board.Chip }

func (d direct) Start(config uint16) error { return d.chip.Start(config) }

func (d direct) Result(ctx context.Context) (int16, error) {
	code, err := d.chip.Result(ctx)
	fault := sensors.NotReady
	switch {
	case errors.Is(err, board.ErrNotReady):
	case errors.Is(err, board.ErrReset):
		fault = sensors.Reset
	default:
		return code, err
	}
	return code, &sensors.ChipError{Fault: fault, Chip: fmt.Sprintf("ads1115 %02Xh", d.chip.Addr()), Op: "read result",
		Err: err}
}

func contactsOf(cfg *config.Config) ([]func(*sim.Signals) bool, error) {
	var out []func(*sim.Signals) bool
	for _, c := range cfg.Board.Contacts {
		switch c.Signal {
		case config.WakeLine:
			out = append(out, func(s *sim.Signals) bool { return s.WakeLine })
		case config.MotorCommand:
			out = append(out, func(s *sim.Signals) bool { return s.MotorCommand })
		case config.Disconnect:
			out = append(out, func(s *sim.Signals) bool { return s.DisconnectClosed })
		default:
			return nil, fmt.Errorf("contact %q: not simulated", c.Signal)
		}
	}
	return out, nil
}

// connect wires one channel of the configuration to the unit.
func (r *Rig) connect(c *config.Channel, chips map[string]*board.Chip) error {
	quantity, battery := channelName(c)
	at := max(r.scenario.Bank.Index(battery), 0)
	signals := r.Unit.Signals()
	b := &signals.Battery[at]
	source := map[config.Signal]*float64{
		config.BatteryVoltage: &b.PositiveV, config.BatteryNegative: &b.NegativeV,
		config.BatteryCurrent: &b.CurrentA, config.BatteryTemperature: &b.TempC,
		config.FeedVoltage: &signals.FeedV, config.MotorVoltage: &signals.MotorV,
	}[c.Signal]
	if source == nil {
		return fmt.Errorf("channel %s: not simulated", c.Name())
	}
	ain, err := SingleEnded(c.Input.Name())
	if err != nil {
		return fmt.Errorf("channel %s: %w", c.Name(), err)
	}
	front, err := FrontEnd(&c.Scale)
	if err != nil {
		return fmt.Errorf("channel %s: %w", c.Name(), err)
	}
	name := quantity
	if battery != "" {
		name += "-" + battery
	}
	t := &tap{chip: chips[c.Chip], ain: ain, source: source, tempC: &b.TempC,
		sensor: board.Sensor{Front: front, TempC: func() float64 { return signals.AmbientC }}}
	t.sensor.Error.Seed = r.scenario.Seed<<8 + uint64(len(r.taps))
	t.sensor.True = func(time.Duration) float64 {
		if t.stuck != nil {
			return *t.stuck
		}
		return *t.source + t.perC*(*t.tempC-driftFromC)
	}
	t.chip.Connect(ain, t.sensor.Analog())
	r.taps[name] = t
	return nil
}

// channelName returns a channel's quantity and battery in the scenario's words.
func channelName(c *config.Channel) (quantity, battery string) {
	return map[config.Signal]string{
		config.BatteryVoltage: "voltage", config.BatteryNegative: "negative",
		config.BatteryCurrent: "current", config.BatteryTemperature: "temperature",
		config.FeedVoltage: "feed", config.MotorVoltage: "motor",
	}[c.Signal], c.Battery
}

// SingleEnded returns the number of a single-ended input.
func SingleEnded(input string) (int, error) {
	ain := slices.Index([]string{"AIN0", "AIN1", "AIN2", "AIN3"}, input)
	if ain < 0 {
		return 0, fmt.Errorf("input %s: the simulated board wires single inputs only", input)
	}
	return ain, nil
}

// FrontEnd returns the emulated circuit of a channel's scale.
func FrontEnd(s *config.Scale) (board.FrontEnd, error) {
	switch s.Kind {
	case config.Divider:
		return board.Divider{TopOhm: s.TopOhm, BottomOhm: s.BottomOhm}, nil
	case config.Hall:
		return board.Hall{ZeroV: s.ZeroV, VPerA: s.VPerA}, nil
	case config.NTCBeta:
		return board.NTC{R25Ohm: s.R25Ohm, BetaK: s.BetaK, PullupOhm: s.PullupOhm, SupplyV: s.SupplyV}, nil
	}
	return nil, fmt.Errorf("scale %q: the simulated board has divider, hall and ntc_beta", s.Kind)
}

// applySensors sets the scenario's constant errors and plans its faults of the board.
func (r *Rig) applySensors(sc *scenario.Scenario) error {
	for _, e := range sc.Sensors.Errors {
		for _, t := range r.named(e.Channel) {
			t.sensor.Error.Offset += e.Offset
			t.sensor.Error.Gain = 1 + e.GainPct/100
			t.sensor.Error.NoiseRMS = e.NoiseRMS
			t.sensor.Error.DriftPerDay = e.DriftPerDay
			t.sensor.Error.OffsetPerK, t.sensor.Error.GainPerK = e.OffsetPerK, e.GainPctPerK/100
			t.sensor.Error.WanderRMS = e.WanderRMS
		}
	}
	for i := range sc.Sensors.Faults {
		f := &sc.Sensors.Faults[i]
		begin, end, err := r.fault(f)
		if err != nil {
			return fmt.Errorf("sensors.faults[%d]: %w", i, err)
		}
		r.changes = append(r.changes, change{f.At, begin})
		if f.For > 0 {
			r.changes = append(r.changes, change{f.Until(), end})
		}
	}
	r.sortChanges()
	return nil
}

// named returns the taps of a channel. A quantity alone stands for all batteries. What the board
// does not measure has none.
func (r *Rig) named(channel string) []*tap {
	if t := r.taps[channel]; t != nil {
		return []*tap{t}
	}
	var out []*tap
	for _, b := range r.scenario.Bank.Batteries {
		if t := r.taps[channel+"-"+b.ID]; t != nil {
			out = append(out, t)
		}
	}
	return out
}

// fault returns what begins and ends a fault of the board.
func (r *Rig) fault(f *scenario.SensorFault) (begin, end func(), err error) {
	taps := r.named(f.Channel)
	if f.Channel != "" && len(taps) == 0 {
		return nil, nil, fmt.Errorf("channel %q: this board does not measure it", f.Channel)
	}
	all := func(do func(*tap)) func() {
		return func() {
			for _, t := range taps {
				do(t)
			}
		}
	}
	var chip *board.Chip
	if f.Kind == "chip-silent" || f.Kind == "chip-slow" {
		if f.Chip >= len(r.Chips) {
			return nil, nil, fmt.Errorf("chip %d: this board has %d", f.Chip, len(r.Chips))
		}
		chip = r.Chips[f.Chip]
	}
	switch f.Kind {
	case "channel-open":
		return all(func(t *tap) { t.chip.Open(t.ain, 0) }), all(func(t *tap) { t.chip.Mend(t.ain) }), nil
	case "channel-stuck":
		return all(func(t *tap) { t.stuck = &f.Value }), all(func(t *tap) { t.stuck = nil }), nil
	case "channel-off":
		return all(func(t *tap) { t.sensor.Error.Offset += f.Value }),
			all(func(t *tap) { t.sensor.Error.Offset -= f.Value }), nil
	case "channel-warm":
		return all(func(t *tap) { t.perC += f.Value }), all(func(t *tap) { t.perC -= f.Value }), nil
	case "channel-scaled":
		if f.Value == 0 {
			return nil, nil, errors.New("channel-scaled by 0: want channel-stuck at 0")
		}
		scale := func(by float64) func() {
			return all(func(t *tap) { t.sensor.Error.Gain = cmp.Or(t.sensor.Error.Gain, 1) * by })
		}
		return scale(f.Value), scale(1 / f.Value), nil
	case "channels-swapped":
		with := r.named(f.With)
		if len(taps) != 1 || len(with) != 1 || f.Channel == f.With {
			return nil, nil, fmt.Errorf("channels %q and %q: want two", f.Channel, f.With)
		}
		swap := func() { taps[0].source, with[0].source = with[0].source, taps[0].source }
		return swap, swap, nil
	case "channel-noisy":
		return all(func(t *tap) { t.sensor.Error.NoiseRMS += f.Value }),
			all(func(t *tap) { t.sensor.Error.NoiseRMS -= f.Value }), nil
	case "dropouts":
		const lasts = 100 * time.Millisecond
		share := float64(lasts) / float64(max(f.Every, lasts))
		return all(func(t *tap) { t.sensor.Error.DropoutShare, t.sensor.Error.DropoutFor = share, lasts }),
			all(func(t *tap) { t.sensor.Error.DropoutShare = 0 }), nil
	case "chip-silent":
		return func() { chip.Absent(true) }, func() { chip.Absent(false) }, nil
	case "chip-slow":
		return func() { chip.SlowReady(time.Second) }, func() { chip.SlowReady(0) }, nil
	case "bus-stuck":
		return func() { r.Bus.Stick(true) }, func() { r.Bus.Stick(false) }, nil
	case "clock-unset":
		return func() { r.unset = true }, func() { r.unset = false }, nil
	}
	return nil, nil, fmt.Errorf("kind %q: not known to the board", f.Kind)
}

func (r *Rig) applyChanges(now time.Duration) {
	for len(r.changes) > 0 && r.changes[0].at <= now {
		r.changes[0].apply()
		r.changes = r.changes[1:]
	}
}
