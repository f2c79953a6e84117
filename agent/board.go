package agent

import (
	"fmt"
	"slices"

	"liftbank/agent/config"
	"liftbank/rules"
	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
	"liftbank/sensors"
	"liftbank/sensors/calibration"
)

// NewBoard returns the board of a configuration, without the rules. It touches neither bus nor pins.
func NewBoard(cfg config.Config, p Parts) (*sensors.Board, error) {
	bc, err := boardConfig(&cfg)
	if err != nil {
		return nil, err
	}
	return sensors.New(bc, p.Chips, p.Contacts, p.Clock)
}

// boardConfig returns what the board must know of a unit's configuration.
func boardConfig(cfg *config.Config) (sensors.Config, error) {
	b := &cfg.Board
	out := sensors.Config{Contacts: len(b.Contacts), Schedule: sensors.DefaultSchedule()}
	out.Schedule.RestEvery, out.Schedule.RunTail = b.Scan.RestEvery, b.Scan.RunTail
	out.Schedule.RunBelow = b.Scan.RunBelowA
	chips := map[string]int{}
	for i, c := range b.Chips {
		chips[c.Name] = i
	}
	for i := range b.Channels {
		ch, err := channelConfig(&b.Channels[i], chips)
		if err != nil {
			return out, fmt.Errorf("board.channels[%d]: %w", i, err)
		}
		if b.Channels[i].Signal == config.BatteryCurrent {
			out.Schedule.RunChannels = append(out.Schedule.RunChannels, i)
		}
		out.Channels = append(out.Channels, ch)
	}
	for i, c := range b.Contacts {
		if c.Signal == config.MotorCommand {
			out.Schedule.RunContact = i
		}
	}
	return out, nil
}

func channelConfig(c *config.Channel, chips map[string]int) (sensors.ChannelConfig, error) {
	out := sensors.ChannelConfig{
		Name: c.Name(), Input: c.Input, InRun: c.InRun, Scale: c.Scale.Law(), Min: c.Min, Max: c.Max,
		Correction: calibration.Correction{OffsetAdd: c.Calibration.Offset, Gain: c.Calibration.Gain},
	}
	var known bool
	if out.Chip, known = chips[c.Chip]; !known {
		return out, fmt.Errorf("chip %q: want one of board.chips", c.Chip)
	}
	return out, nil
}

// RulesConfig returns what the rules must know of a unit's configuration.
func RulesConfig(cfg *config.Config) (rules.Config, error) {
	bats, err := Batteries(cfg.Bank)
	if err != nil {
		return rules.Config{}, err
	}
	out := rules.Config{Batteries: bats, Layout: cfg.Bank.Layout.Rules(), Balancer: cfg.Bank.Balancer, Limits: cfg.Limits.Values(), OutOfService: cfg.OutOfService,
		WakeLine: cfg.Power.WakeBy.Line(), WakeTimer: cfg.Power.WakeBy.Timer()}
	out.NegativeTap[0] = true // the board's ground
	for i := range cfg.Board.Channels {
		ch := &cfg.Board.Channels[i]
		if ch.Signal == config.BatteryNegative {
			out.NegativeTap[batteryIndex(&cfg.Bank, ch.Battery)] = true
		}
		out.Classes[channelOf(ch, &cfg.Bank)] = classOf(ch)
		out.Corrections[channelOf(ch, &cfg.Bank)] = unit.Correction{Offset: ch.Calibration.Offset, Gain: ch.Calibration.Gain}
		out.Chips.Name(channelOf(ch, &cfg.Bank), ch.Chip)
		switch ch.Signal {
		case config.FeedInput:
			out.Fitted.Input = true
		case config.ControlVoltage:
			out.Fitted.Control = true
		case config.AmbientTemperature:
			out.Fitted.Ambient = true
		case config.OilPressure:
			out.Fitted.Oil = true
		}
	}
	for _, c := range cfg.Board.Contacts {
		out.HasCommand = out.HasCommand || c.Signal == config.MotorCommand
		out.Fitted.Indicator = out.Fitted.Indicator || c.Signal == config.IndicatorLine
	}
	return out, out.Validate()
}

// classOf returns how well a channel measures in a motor run: steps from its input chip and scale,
// the rest from the sensor and its circuit, or the chip's noise where that is more.
func classOf(ch *config.Channel) unit.SensorClass {
	chip := ch.Class(sensors.InRun)
	return unit.SensorClass{
		Step: chip.StepSize, Noise: max(ch.Accuracy.Noise, chip.Noise), Zero: ch.Accuracy.Zero,
		Gain: ch.Accuracy.GainPct / 100,
	}
}

// channelOf returns the rules' channel of a channel of the board.
func channelOf(ch *config.Channel, bank *config.Bank) unit.Channel {
	signal := map[config.Signal]unit.Signal{
		config.BatteryVoltage: unit.BatteryVoltage, config.BatteryNegative: unit.BatteryNegative,
		config.BatteryCurrent: unit.BatteryCurrent, config.BatteryTemperature: unit.BatteryTemp,
		config.FeedVoltage: unit.FeedVoltage, config.MotorVoltage: unit.MotorVoltage,
		config.FeedInput: unit.FeedInput, config.ControlVoltage: unit.ControlVoltage,
		config.AmbientTemperature: unit.AmbientTemp, config.OilPressure: unit.OilPressure,
	}[ch.Signal]
	return unit.ChannelOf(signal, batteryIndex(bank, ch.Battery))
}

// batteryIndex returns the index of a battery in the bank; a valid configuration names no other.
func batteryIndex(bank *config.Bank, id string) int {
	return max(slices.IndexFunc(bank.Batteries, func(b config.Battery) bool { return b.ID == id }), 0)
}

// Batteries returns what the rules must know of the batteries in a bank file.
func Batteries(bank config.Bank) ([]rules.BatteryConfig, error) {
	var out []rules.BatteryConfig
	for i, b := range bank.Batteries {
		chem, err := leadacid.Parse(string(b.Chemistry))
		if err != nil {
			return nil, fmt.Errorf("bank.batteries[%d]: %w", i, err)
		}
		out = append(out, rules.BatteryConfig{ID: b.ID, Chemistry: chem, RatedAh: b.RatedAh, RatedCCA: b.RatedCCA})
	}
	return out, nil
}

// wiring maps each channel and contact of the board to the rules' input.
type wiring struct {
	channel []func(*rules.Input) *rules.Reading
	contact []func(*rules.Input) *rules.Contact
	command int // contact that is the motor command; -1 for none
}

func wire(cfg *config.Config) (wiring, error) {
	w := wiring{command: -1}
	index := map[string]int{}
	for i, b := range cfg.Bank.Batteries {
		index[b.ID] = i
	}
	for i := range cfg.Board.Channels {
		c := &cfg.Board.Channels[i]
		at, known := index[c.Battery]
		if c.Battery != "" && !known {
			return w, fmt.Errorf("board.channels[%d].battery: %q: want a battery of the bank", i, c.Battery)
		}
		place, err := channelPlace(c.Signal, at)
		if err != nil {
			return w, fmt.Errorf("board.channels[%d]: %w", i, err)
		}
		w.channel = append(w.channel, place)
	}
	for i, c := range cfg.Board.Contacts {
		switch c.Signal {
		case config.WakeLine:
			w.contact = append(w.contact, func(in *rules.Input) *rules.Contact { return &in.WakeLine })
		case config.MotorCommand:
			w.contact = append(w.contact, func(in *rules.Input) *rules.Contact { return &in.MotorCommand })
			w.command = i
		case config.Disconnect:
			w.contact = append(w.contact, func(in *rules.Input) *rules.Contact { return &in.Disconnect })
		case config.IndicatorLine:
			w.contact = append(w.contact, func(in *rules.Input) *rules.Contact { return &in.Indicator })
		default:
			const want = "want wake_line, motor_command, disconnect or indicator_line"
			return w, fmt.Errorf("board.contacts[%d].signal: %q: %s", i, c.Signal, want)
		}
	}
	return w, nil
}

func channelPlace(signal config.Signal, battery int) (func(*rules.Input) *rules.Reading, error) {
	switch signal {
	case config.BatteryVoltage:
		return func(in *rules.Input) *rules.Reading { return &in.Battery[battery].VoltageV }, nil
	case config.BatteryNegative:
		return func(in *rules.Input) *rules.Reading { return &in.Battery[battery].NegativeV }, nil
	case config.BatteryCurrent:
		return func(in *rules.Input) *rules.Reading { return &in.Battery[battery].CurrentA }, nil
	case config.BatteryTemperature:
		return func(in *rules.Input) *rules.Reading { return &in.Battery[battery].TempC }, nil
	case config.FeedVoltage:
		return func(in *rules.Input) *rules.Reading { return &in.FeedV }, nil
	case config.MotorVoltage:
		return func(in *rules.Input) *rules.Reading { return &in.MotorV }, nil
	case config.FeedInput:
		return func(in *rules.Input) *rules.Reading { return &in.InputV }, nil
	case config.ControlVoltage:
		return func(in *rules.Input) *rules.Reading { return &in.ControlV }, nil
	case config.AmbientTemperature:
		return func(in *rules.Input) *rules.Reading { return &in.AmbientC }, nil
	case config.OilPressure:
		return func(in *rules.Input) *rules.Reading { return &in.OilBar }, nil
	}
	return nil, fmt.Errorf("signal %q: unknown", signal)
}

// qualities translates the board's faults into those of the rules.
var qualities = [sensors.FaultCount]rules.Quality{
	sensors.None: unit.Good, sensors.NotSampled: unit.Waiting, sensors.NoAnswer: unit.NoAnswer,
	sensors.BusStuck: unit.BusStuck,
	sensors.NotReady: unit.NotReady, sensors.Saturated: unit.Saturated, sensors.Reset: unit.ChipReset,
	sensors.OutOfRange: unit.OutOfRange,
}

// fill writes a scan into the rules' input.
func (w *wiring) fill(s *sensors.Scan, in *rules.Input) {
	for i, place := range w.channel {
		r := &s.Readings[i]
		*place(in) = rules.Reading{Value: r.Value, Quality: qualities[r.Fault]}
	}
	for i, place := range w.contact {
		*place(in) = contactOf(s.Contacts[i])
	}
	in.CommandEdges = in.CommandEdges[:0]
	for _, e := range s.Edges {
		if e.Contact == w.command {
			in.CommandEdges = append(in.CommandEdges, rules.Edge{On: e.On, At: e.At})
		}
	}
}

func contactOf(c sensors.ContactReading) rules.Contact {
	switch {
	case !c.Known:
		return unit.ContactUnknown
	case c.On:
		return unit.ContactOn
	}
	return unit.ContactOff
}
