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
	Bus    *board.Bus

	chips      []chip
	others     []board.Device     // on the bus, besides ADS1115
	devices    []*board.IIODevice // behind drivers of the kernel
	scenario   *scenario.Scenario
	throughBus bool
	quick      bool
	taps       map[string]*tap // by the scenario's channel name
	changes    []change
	unset      bool          // the wall clock is not set
	wallOff    time.Duration // its error while it is trusted
}

// tap is one channel between the unit and a pin.
type tap struct {
	chip   chip
	input  string
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
	for i, c := range cfg.Board.Contacts {
		if c.Signal == config.IndicatorLine { // it follows the converter, which nobody can look ahead to
			r.Clock.polled = append(r.Clock.polled, i)
		}
	}
	byName := map[string]chip{}
	var ads []*board.Chip
	for i := range cfg.Board.Chips {
		c := &cfg.Board.Chips[i]
		chip, err := r.addChip(c)
		if err != nil {
			return nil, err
		}
		if a, is := chip.(adsChip); is {
			ads = append(ads, a.Chip)
		}
		r.chips, byName[c.Name] = append(r.chips, chip), chip
	}
	r.Bus = board.NewBus(r.Clock, ads...)
	for _, d := range r.others {
		r.Bus.Attach(d)
	}
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
	for i, c := range r.chips {
		driver, err := c.open(r, r.Config.Board.Chips[i].ChipConfig)
		if err != nil {
			panic(fmt.Sprintf("bug: rig: chip %s: %v", r.Config.Board.Chips[i].Name, err)) // nothing is opened here
		}
		p.Chips = append(p.Chips, driver)
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

// Quick has chips read without the bus's bytes for a while, where no fault of the bus would be missed. The scans are the same.
func (r *Rig) Quick(on bool) {
	r.quick = on && !slices.ContainsFunc(r.scenario.Sensors.Faults, func(f scenario.SensorFault) bool { return f.Kind == "bus-stuck" })
}

// through reads a chip over the bus, or directly while that is to be quick. A conversion ends the way it began.
type through struct {
	bus   *ads1115.Dev
	plain direct
	rig   *Rig
	quick bool // the conversion under way
}

// Start begins a conversion.
func (c *through) Start(config uint16) error {
	if c.quick = c.rig.quick; c.quick {
		return c.plain.Start(config)
	}
	return c.bus.Start(config)
}

// Result waits for the conversion.
func (c *through) Result(ctx context.Context) (int16, error) {
	if c.quick {
		return c.plain.Result(ctx)
	}
	return c.bus.Result(ctx)
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
		case config.IndicatorLine:
			out = append(out, func(s *sim.Signals) bool { return s.IndicatorLine })
		default:
			return nil, fmt.Errorf("contact %q: not simulated", c.Signal)
		}
	}
	return out, nil
}

// connect wires one channel of the configuration to the unit.
func (r *Rig) connect(c *config.Channel, chips map[string]chip) error {
	quantity, battery := channelName(c)
	at := max(r.scenario.Bank.Index(battery), 0)
	signals := r.Unit.Signals()
	b := &signals.Battery[at]
	source := map[config.Signal]*float64{
		config.BatteryVoltage: &b.PositiveV, config.BatteryNegative: &b.NegativeV,
		config.BatteryCurrent: &b.CurrentA, config.BatteryTemperature: &b.TempC,
		config.FeedVoltage: &signals.FeedV, config.MotorVoltage: &signals.MotorV,
		config.FeedInput: &signals.InputV, config.ControlVoltage: &signals.ControlV,
		config.AmbientTemperature: &signals.AmbientC, config.OilPressure: &signals.OilBar,
	}[c.Signal]
	if source == nil {
		return fmt.Errorf("channel %s: not simulated", c.Name())
	}
	front, err := FrontEnd(&c.Scale)
	if err != nil {
		return fmt.Errorf("channel %s: %w", c.Name(), err)
	}
	name := quantity
	if battery != "" {
		name += "-" + battery
	}
	t := &tap{chip: chips[c.Chip], input: c.Input.Name(), source: source, tempC: &b.TempC,
		sensor: board.Sensor{Front: front, TempC: func() float64 { return signals.AmbientC }}}
	t.sensor.Error.Seed = r.scenario.Seed<<8 + uint64(len(r.taps))
	t.sensor.True = func(time.Duration) float64 {
		if t.stuck != nil {
			return *t.stuck
		}
		return *t.source + t.perC*(*t.tempC-driftFromC)
	}
	if err := t.chip.connect(t.input, t.sensor.Analog()); err != nil {
		return fmt.Errorf("channel %s: %w", c.Name(), err)
	}
	r.taps[name] = t
	return nil
}

// channelName returns a channel's quantity and battery in the scenario's words.
func channelName(c *config.Channel) (quantity, battery string) {
	return map[config.Signal]string{
		config.BatteryVoltage: "voltage", config.BatteryNegative: "negative",
		config.BatteryCurrent: "current", config.BatteryTemperature: "temperature",
		config.FeedVoltage: "feed", config.MotorVoltage: "motor",
		config.FeedInput: "input", config.ControlVoltage: "control",
		config.AmbientTemperature: "ambient", config.OilPressure: "oil",
	}[c.Signal], c.Battery
}

// FrontEnd returns the emulated circuit of a channel's scale.
func FrontEnd(s *config.Scale) (board.FrontEnd, error) {
	switch s.Kind {
	case config.Divider:
		return board.Divider{TopOhm: s.TopOhm, BottomOhm: s.BottomOhm}, nil
	case config.Hall:
		return board.Hall{ZeroV: s.ZeroV, VPerA: s.VPerA}, nil
	case config.Shunt:
		return board.Shunt{ShuntOhm: s.ShuntOhm, Gain: s.Gain, ZeroV: s.ZeroV}, nil
	case config.NTCBeta:
		return board.NTC{R25Ohm: s.R25Ohm, BetaK: s.BetaK, PullupOhm: s.PullupOhm, SupplyV: s.SupplyV}, nil
	case config.Pressure:
		return board.Transducer{ZeroV: s.ZeroV, FullV: s.FullScaleV, FullBar: s.FullScaleBar}, nil
	}
	return nil, fmt.Errorf("scale %q: the simulated board has divider, hall, shunt, ntc_beta and pressure", s.Kind)
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
	var chip chip
	if f.Kind == "chip-silent" || f.Kind == "chip-slow" {
		if f.Chip >= len(r.chips) {
			return nil, nil, fmt.Errorf("chip %d: this board has %d", f.Chip, len(r.chips))
		}
		chip = r.chips[f.Chip]
	}
	switch f.Kind {
	case "channel-open":
		return all(func(t *tap) { t.chip.cut(t.input) }), all(func(t *tap) { t.chip.mend(t.input) }), nil
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
