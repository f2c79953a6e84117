package config

import (
	"fmt"
	"math"
	"strings"
	"time"

	"liftbank/rules/unit"
	"liftbank/sensors"
	"liftbank/sensors/ads1115"
	"liftbank/sensors/calibration"
	"liftbank/sensors/iio"
	"liftbank/sensors/ina"
)

// Board is the monitor board: input chips, what is wired to them, contacts, and how often they are
// read.
type Board struct {
	I2CBus         string // name or number as the operating system has it: 1, /dev/i2c-1
	SCLPin, SDAPin string // of the bus; empty: they are not used
	Chips          []Chip // 1 to 8
	Channels       []Channel
	Contacts       []Contact // at most one for each signal
	Scan           Scan
}

// Chip is one input chip.
type Chip struct {
	Name string
	Kind string
	sensors.ChipConfig
}

// chipKinds are the kinds of input chip that the configuration knows. Each declares its own
// settings.
var chipKinds = []sensors.Kind{ads1115.Kind, ina.INA226, ina.INA228, iio.Kind}

// Signal is what a channel measures.
type Signal string

// Signals. The first four are of one battery, the others of the unit; the last four are extras.
const (
	BatteryVoltage     Signal = "battery_voltage"     // V, at its own positive post against the board's ground
	BatteryCurrent     Signal = "battery_current"     // A, positive into the battery
	BatteryNegative    Signal = "battery_negative"    // V, its negative post; not needed if that is the ground
	BatteryTemperature Signal = "battery_temperature" // °C, at the case or a post
	FeedVoltage        Signal = "feed_voltage"        // V, ahead of the charge breaker
	MotorVoltage       Signal = "motor_voltage"       // V, at the motor terminal
	FeedInput          Signal = "feed_input"          // V, ahead of the feed's converter, from the tractor
	ControlVoltage     Signal = "control_voltage"     // V, behind the breaker of the lift's controls
	AmbientTemperature Signal = "ambient_temperature" // °C, outside of the batteries' box
	OilPressure        Signal = "oil_pressure"        // bar, of the hydraulics at the pump
)

// Channel is one analog input.
type Channel struct {
	Signal      Signal
	Battery     string // of which battery; empty for a signal of the unit
	Chip        string
	Input       sensors.Input // of that chip, with the settings of its kind
	InRun       bool          // read while the motor runs, too
	Scale       Scale
	Calibration Calibration
	Accuracy    Accuracy // of the sensor and its circuit, the input chip apart
	Min, Max    float64  // possible range, in Unit; beyond it the sensor is faulty
}

// Name returns the channel's name, unique on a board: battery_voltage_a, feed_voltage.
func (c *Channel) Name() string {
	if c.Battery == "" {
		return string(c.Signal)
	}
	return string(c.Signal) + "_" + c.Battery
}

// Unit returns the unit of the signal: "V", "A", "°C" or "bar".
func (c *Channel) Unit() string { return signals[c.Signal].unit }

// Suffix returns the end of the names of fields that are in the signal's unit: "_v".
func (c *Channel) Suffix() string { return signals[c.Signal].suffix }

// Class returns how well the channel measures in a mode, in its unit.
func (c *Channel) Class(m sensors.Mode) sensors.Class {
	ch := sensors.ChannelConfig{Input: c.Input, Scale: c.Scale.Law(), Correction: c.Calibration.correction()}
	return ch.Class(m)
}

// Accuracy is how far a sensor with its circuit may be off, as limits, either way.
type Accuracy struct {
	Zero    float64 // constant part, in the channel's unit
	GainPct float64 // part that grows with the reading
	Noise   float64 // standard deviation from one reading to the next, in the channel's unit
}

// ScaleKind is the circuit between a signal and the pin.
type ScaleKind string

// Kinds of scale.
const (
	Divider          ScaleKind = "divider"            // TopOhm, BottomOhm
	Hall             ScaleKind = "hall"               // ZeroV, VPerA
	Shunt            ScaleKind = "shunt"              // ShuntOhm, Gain, ZeroV
	NTCBeta          ScaleKind = "ntc_beta"           // R25Ohm, BetaK, PullupOhm, SupplyV
	NTCSteinhartHart ScaleKind = "ntc_steinhart_hart" // A, B, C, PullupOhm, SupplyV
	Pressure         ScaleKind = "pressure"           // ZeroV, FullScaleV, FullScaleBar
)

// Scale is the law of a front end; which fields count depends on Kind.
type Scale struct {
	Kind      ScaleKind
	TopOhm    float64 // from the measured point to the pin
	BottomOhm float64 // from the pin to ground
	ZeroV     float64 // V at the pin at zero current, or at 0 bar
	VPerA     float64 // V at the pin per ampere into the battery; negative if mounted the other way around
	ShuntOhm  float64
	Gain      float64 // of the shunt's amplifier; negative reverses the sign
	R25Ohm    float64 // of the thermistor at 25 °C
	BetaK     float64 // K
	A, B, C   float64 // of the Steinhart-Hart equation for kelvin and ohm, 1/K
	PullupOhm float64 // from the pin to the supply
	SupplyV   float64 // V at the top of the pull-up

	FullScaleV   float64 // V at the pin at FullScaleBar
	FullScaleBar float64 // of the transducer
}

// Law returns the scale as the board computes with it; nil for an unknown kind.
func (s Scale) Law() calibration.Scale {
	switch s.Kind {
	case Divider:
		return calibration.Divider{TopOhm: s.TopOhm, BottomOhm: s.BottomOhm}
	case Hall:
		return calibration.Hall{ZeroV: s.ZeroV, VPerA: s.VPerA}
	case Shunt:
		return calibration.Shunt{ShuntOhm: s.ShuntOhm, Gain: s.Gain, ZeroV: s.ZeroV}
	case NTCBeta:
		return calibration.NTCBeta{R25Ohm: s.R25Ohm, BetaK: s.BetaK, PullupOhm: s.PullupOhm, SupplyV: s.SupplyV}
	case NTCSteinhartHart:
		return calibration.NTCSteinhartHart{A: s.A, B: s.B, C: s.C, PullupOhm: s.PullupOhm, SupplyV: s.SupplyV}
	case Pressure:
		return calibration.Pressure{ZeroV: s.ZeroV, FullScaleV: s.FullScaleV, FullScaleBar: s.FullScaleBar}
	}
	return nil
}

// Calibration is the correction from a more accurate meter: (value + Offset) · Gain.
type Calibration struct {
	Offset float64 // in the channel's unit
	Gain   float64 // 0.5 to 2
}

// Check refuses what a channel of a signal can't be corrected by.
func (c Calibration) Check(s Signal) error {
	f := signals[s]
	if !(math.Abs(c.Offset) <= f.offset) {
		return fmt.Errorf("offset %g %s: want %g to %g %s", c.Offset, f.unit, -f.offset, f.offset, f.unit)
	}
	if !(c.Gain >= minGain && c.Gain <= maxGain) {
		return fmt.Errorf("gain %g: want %g to %g", c.Gain, minGain, maxGain)
	}
	return nil
}

// MaxOffset returns the largest offset that a calibration of a signal may have, either way.
func (s Signal) MaxOffset() float64 { return signals[s].offset }

const minGain, maxGain = 0.5, 2.0 // of a calibration

func (c Calibration) correction() calibration.Correction {
	return calibration.Correction{OffsetAdd: c.Offset, Gain: c.Gain}
}

// Contact is one digital input.
type Contact struct {
	Signal    ContactSignal
	Pin       string // as the operating system names it: GPIO17
	ActiveLow bool   // on at a low level
	Pull      Pull
	Debounce  time.Duration // how long a change must last; 0 accepts every change at once
}

// ContactSignal is what a contact means.
type ContactSignal string

// Contact signals.
const (
	WakeLine     ContactSignal = "wake_line"     // on: the feed's converter is switched on
	MotorCommand ContactSignal = "motor_command" // on: the contactor coil is driven
	Disconnect   ContactSignal = "disconnect"    // on: closed
	// on: the line of the lamp that shows charging is live, behind the lamp's fuse; the converter feeds it
	// while its output is live
	IndicatorLine ContactSignal = "indicator_line"
)

// Pull is the pin's own resistor.
type Pull string

// Pulls.
const (
	PullUp   Pull = "up"
	PullDown Pull = "down"
	PullNone Pull = "none"
)

// Scan is how often the board is read.
type Scan struct {
	RestEvery time.Duration // between scans while the motor is stopped
	RunTail   time.Duration // scanning stays fast this long after the motor stops
	RunBelowA float64       // A, negative: a bank current below it starts fast scanning
}

const (
	maxChips    = 8  // our choice: one for each battery's current and as many others
	maxChannels = 22 // every signal of four batteries and of the unit
)

// signalFacts is what is fixed or common for a signal.
type signalFacts struct {
	perBattery bool
	unit       string
	suffix     string // of field names in that unit
	limit      span   // of min and max
	min, max   float64
	offset     float64  // limit of the calibration's shift, either way
	accuracy   Accuracy // where the file does not say
	mostZero   float64  // largest Accuracy.Zero
	inRun      bool
	ofStrings  bool // its largest possible value is so many times that on a bank with so many batteries in a string
	scales     []ScaleKind
}

var (
	voltage = signalFacts{
		unit: "V", suffix: "_v", limit: span{-60, 60, "V"}, min: -1, max: 32, offset: 2, inRun: true, ofStrings: true,
		scales: []ScaleKind{Divider}, accuracy: usualAccuracy(unit.BatteryVoltage), mostZero: 1,
	}

	// tractor is a voltage that the bank's has nothing to do with.
	tractor = func() signalFacts { f := voltage; f.ofStrings = false; return f }()

	signals = map[Signal]signalFacts{
		BatteryVoltage: voltage.of(true, true),
		BatteryNegative: {
			perBattery: true, unit: "V", suffix: "_v", limit: span{-60, 60, "V"}, min: -3, max: 32, offset: 2,
			inRun: true, scales: []ScaleKind{Divider}, accuracy: usualAccuracy(unit.BatteryNegative), mostZero: 1,
		},
		BatteryCurrent: {
			perBattery: true, unit: "A", suffix: "_a", limit: span{-1000, 1000, "A"}, min: -220, max: 220, offset: 20,
			inRun: true, scales: []ScaleKind{Hall, Shunt}, accuracy: usualAccuracy(unit.BatteryCurrent), mostZero: 20,
		},
		BatteryTemperature: {
			perBattery: true, unit: "°C", suffix: "_c", limit: span{-60, 150, "°C"}, min: -50, max: 90, offset: 20,
			scales: []ScaleKind{NTCBeta, NTCSteinhartHart}, accuracy: usualAccuracy(unit.BatteryTemp), mostZero: 10,
		},
		FeedVoltage:  voltage.of(false, false),
		MotorVoltage: voltage.of(false, true),
		FeedInput:    tractor.of(false, false), ControlVoltage: voltage.of(false, true),
		AmbientTemperature: {
			unit: "°C", suffix: "_c", limit: span{-60, 150, "°C"}, min: -50, max: 90, offset: 20,
			scales: []ScaleKind{NTCBeta, NTCSteinhartHart}, accuracy: usualAccuracy(unit.AmbientTemp), mostZero: 10,
		},
		OilPressure: {
			unit: "bar", suffix: "_bar", limit: span{-100, 1000, "bar"}, min: -20, max: 420, offset: 50, inRun: true,
			scales: []ScaleKind{Pressure}, accuracy: usualAccuracy(unit.OilPressure), mostZero: 50,
		},
	}
	signalNames = []Signal{
		BatteryVoltage, BatteryNegative, BatteryCurrent, BatteryTemperature, FeedVoltage, MotorVoltage,
		FeedInput, ControlVoltage, AmbientTemperature, OilPressure,
	}
	contactSignals = []ContactSignal{WakeLine, MotorCommand, Disconnect, IndicatorLine}
	scaleKinds     = []ScaleKind{Divider, Hall, Shunt, NTCBeta, NTCSteinhartHart, Pressure}
)

// usualAccuracy returns what the rules take for a sensor of which nothing is known.
func usualAccuracy(s unit.Signal) Accuracy {
	c := unit.DefaultClass(s)
	return Accuracy{Zero: c.Zero, GainPct: 100 * c.Gain, Noise: c.Noise}
}

func (f signalFacts) of(perBattery, inRun bool) signalFacts {
	f.perBattery, f.inRun = perBattery, inRun
	return f
}

func defaultBoard() Board {
	return Board{Scan: Scan{RestEvery: time.Second, RunTail: 2 * time.Second, RunBelowA: -20}}
}

// read reads the board of a bank with so many batteries in a string.
func (b *Board) read(s *section, blocks int) {
	s.text("i2c_bus", &b.I2CBus, "the bus the chips are on: a number, or a name such as /dev/i2c-1", isName,
		about{doc: "I2C bus; required where a chip has an address. There is no default, because the lowest one is often " +
			"another device's", usually: "none"})
	for _, p := range []struct {
		name, line string
		to         *string
	}{{"i2c_scl_pin", "clock", &b.SCLPin}, {"i2c_sda_pin", "data", &b.SDAPin}} {
		s.text(p.name, p.to, "the name of a line, such as GPIO3 or gpiochip0/3", isText, about{doc: "pin of the bus's " + p.line +
			" line. With both, a chip that holds the data line is clocked off it, where this machine lets the pins be used " +
			"while the bus is closed", usually: "none: the kernel's driver alone frees the bus"})
	}
	list(s, "chips", &b.Chips, 1, maxChips, about{doc: "input chips on the bus", required: true}, (*Chip).read)
	list(s, "channels", &b.Channels, 2, maxChannels, about{doc: "analog inputs", required: true},
		func(c *Channel, s *section) { c.read(s, b, blocks) })
	list(s, "contacts", &b.Contacts, 0, len(contactSignals), about{doc: "digital inputs; leave out what is not wired"},
		(*Contact).read)
	s.section("scan", false, about{doc: "how often the board is read", usually: "all defaults"}, b.Scan.read)
}

func (c *Chip) read(s *section) {
	s.text("name", &c.Name, "a name of a-z, 0-9 and -", isID, about{doc: "name that channels refer to", required: true})
	names := kindNames()
	choose(s, "kind", &c.Kind, names, about{doc: "type of the input chip", required: true})
	each(s, "kind", c.Kind, names, func(kind string) {
		c.ChipConfig = newChip(kind)
		s.settings(c.Settings())
	})
}

// kindNames returns the names of the kinds of input chip.
func kindNames() []string {
	names := make([]string, len(chipKinds))
	for i, k := range chipKinds {
		names[i] = k.Name
	}
	return names
}

// newChip returns a chip of a kind with its default settings; nil for an unknown kind.
func newChip(kind string) sensors.ChipConfig {
	for _, k := range chipKinds {
		if k.Name == kind {
			return k.New()
		}
	}
	return nil
}

// chip returns the chip of a name, or nil.
func (b *Board) chip(name string) *Chip {
	for i := range b.Chips {
		if b.Chips[i].Name == name {
			return &b.Chips[i]
		}
	}
	return nil
}

// readInput reads the settings of the input that c is on, or describes those of every kind of chip.
func (c *Channel) readInput(s *section, b *Board) {
	kind := ""
	if chip := b.chip(c.Chip); chip != nil {
		kind = chip.Kind
	}
	each(s, "chip's kind", kind, kindNames(), func(kind string) {
		c.Input = newChip(kind).NewInput()
		s.settings(c.Input.Settings())
	})
}

// settings reads fields that a kind of chip declares.
func (s *section) settings(all []sensors.Setting) {
	for i := range all {
		s.setting(&all[i])
	}
}

func (s *section) setting(f *sensors.Setting) {
	accepts := f.Accepts
	if f.Choices != nil {
		accepts = strings.TrimSpace(orList(f.Choices) + " " + f.Unit)
	}
	if v, there := s.take(f.Name, accepts, f.Default, about{doc: f.Doc, required: f.Required}); there {
		v.Setting(f.Number, accepts, f.Unit, f.Set)
	}
}

func (c *Channel) read(s *section, b *Board, blocks int) {
	choose(s, "signal", &c.Signal, signalNames, about{doc: "what is measured", required: true})
	facts := signals[c.Signal]
	isBattery := func(t string) bool { return t == "a" || t == "b" || t == "c" || t == "d" }
	s.text("battery", &c.Battery, "a, b, c or d", isBattery, about{
		doc:      "which battery; only for the four battery_ signals, and required there",
		required: facts.perBattery, usually: "none",
	})
	s.text("chip", &c.Chip, "the name of one of board.chips", isID,
		about{doc: "input chip it is wired to", required: true})
	c.readInput(s, b)
	c.InRun = facts.inRun
	s.yesNo("in_run", &c.InRun, about{
		doc:     "read during motor runs, too; always true for battery_voltage and battery_current",
		usually: "false for temperatures, feed_voltage and feed_input, else true",
	})
	s.section("scale", false, about{doc: "circuit between the signal and the pin", required: true},
		func(s *section) { c.Scale.read(s, facts.scales) })
	c.Calibration.Gain = 1
	inUnit(s, c.Signal, func(f signalFacts) {
		c.Min, c.Max = f.min, f.max
		high := about{doc: "highest possible value; above it the sensor is faulty"}
		if f.ofStrings {
			c.Max = min(f.max*float64(blocks), f.limit.max)
			if s.r.describe {
				high.usually = fmt.Sprintf("%g; on a 24 V bank %g, but for battery_negative and feed_input", f.max, f.limit.max)
			}
		}
		s.number("min"+f.suffix, &c.Min, f.limit, about{doc: "lowest possible value; below it the sensor is faulty"})
		s.number("max"+f.suffix, &c.Max, f.limit, high)
	})
	s.section("calibration", false,
		about{doc: "correction from a more accurate meter: (value + offset) x gain. The page of calibration sets one over it", usually: "none"},
		func(s *section) { c.Calibration.read(s, c.Signal) })
	c.Accuracy = facts.accuracy
	s.section(
		"accuracy",
		false,
		about{
			doc:     "how far the sensor and its circuit may be off, the input chip apart, from their data sheets",
			usually: "a common one",
		},
		func(s *section) { c.Accuracy.read(s, c.Signal) },
	)
}

func (a *Accuracy) read(s *section, signal Signal) {
	inUnit(s, signal, func(f signalFacts) {
		*a = f.accuracy
		s.number("zero"+f.suffix, &a.Zero, span{0, f.mostZero, f.unit}, about{doc: "limit of the constant part, either way"})
	})
	s.number("gain_pct", &a.GainPct, span{0, 10, "%"}, about{
		doc: "limit of the part that grows with the reading, either way", usually: "1 %, temperatures 0",
	})
}

func (c *Calibration) read(s *section, signal Signal) {
	inUnit(s, signal, func(f signalFacts) {
		s.number("offset"+f.suffix, &c.Offset, span{-f.offset, f.offset, f.unit}, about{doc: "added to the value"})
	})
	s.number("gain", &c.Gain, span{min: minGain, max: maxGain},
		about{doc: "factor applied after the offset; a factor outside this range means a wrong scale"})
}

// inUnit reads the fields whose names end in the signal's unit, or describes them in each unit.
func inUnit(s *section, signal Signal, read func(signalFacts)) {
	switch {
	case s.r.describe:
		for _, of := range []Signal{BatteryVoltage, BatteryCurrent, BatteryTemperature, OilPressure} {
			read(signals[of])
		}
	case signal == "":
		s.lenient = true // the signal itself was wrong: can't tell which fields belong
	default:
		read(signals[signal])
	}
}

func (sc *Scale) read(s *section, allowed []ScaleKind) {
	if allowed == nil {
		allowed = scaleKinds
	}
	const byKind = "divider for voltages, hall or shunt for currents, ntc_beta or ntc_steinhart_hart for temperatures, " +
		"pressure for oil_pressure"
	choose(s, "kind", &sc.Kind, allowed, about{doc: byKind, required: true})
	number := func(name string, to *float64, accepted span, doc string) {
		s.number(name, to, accepted, about{doc: doc, required: true})
	}
	each(s, "kind", sc.Kind, scaleKinds, func(kind ScaleKind) {
		switch kind {
		case Divider:
			number("top_ohm", &sc.TopOhm, span{0, 10e6, "ohm"}, "resistor from the measured point to the pin")
			number("bottom_ohm", &sc.BottomOhm, span{100, 1e6, "ohm"}, "resistor from the pin to ground")
		case Hall:
			number("zero_v", &sc.ZeroV, span{-5.5, 5.5, "V"}, "volts at the pin at zero current")
			number("v_per_a", &sc.VPerA, span{-1, 1, "V/A"},
				"volts at the pin per ampere into the battery, not 0; negative if mounted the other way around")
		case Shunt:
			number("shunt_ohm", &sc.ShuntOhm, span{1e-5, 0.01, "ohm"},
				"resistance of the shunt: 75 mV at 300 A is 0.00025")
			number("gain", &sc.Gain, span{min: -1000, max: 1000},
				"gain of the amplifier, not 0; 1 without one; negative reverses the sign")
			number("zero_v", &sc.ZeroV, span{-5.5, 5.5, "V"},
				"volts at the pin at zero current; 0 for a shunt across a pair of inputs")
		case NTCBeta:
			number("r25_ohm", &sc.R25Ohm, span{100, 1e6, "ohm"}, "thermistor's resistance at 25 °C")
			number("beta_k", &sc.BetaK, span{1000, 6000, "K"}, "thermistor's beta, from its data sheet")
		case NTCSteinhartHart:
			number("a", &sc.A, span{0, 0.01, "1/K"}, "first coefficient, for kelvin and ohm")
			number("b", &sc.B, span{1e-5, 0.001, "1/K"}, "coefficient of ln R")
			number("c", &sc.C, span{0, 1e-5, "1/K"}, "coefficient of (ln R)^3")
		}
		if kind == Pressure {
			number("zero_v", &sc.ZeroV, span{0, 5.5, "V"}, "volts at the pin at 0 bar: 0.5 of a transducer of 0.5 to 4.5 V")
			number("full_scale_v", &sc.FullScaleV, span{0.05, 5.5, "V"},
				"volts at the pin at full_scale_bar, more than zero_v: 4.5 of the same")
			number("full_scale_bar", &sc.FullScaleBar, span{10, 1000, "bar"}, "transducer's full scale")
		}
		if kind == NTCBeta || kind == NTCSteinhartHart {
			number("pullup_ohm", &sc.PullupOhm, span{100, 1e6, "ohm"}, "resistor from the pin to the supply")
			number("supply_v", &sc.SupplyV, span{1.8, 5.5, "V"}, "volts at the top of the pull-up")
		}
	})
}

func (c *Contact) read(s *section) {
	choose(s, "signal", &c.Signal, contactSignals, about{doc: "what the contact means", required: true})
	s.text("pin", &c.Pin, "the pin's name as the system has it, such as GPIO17, or chip and number, as in gpiochip0/17", isName,
		about{doc: "pin it is wired to", required: true})
	active := "high"
	choose(s, "active", &active, []string{"high", "low"}, about{doc: "level at which it is on"})
	c.ActiveLow = active == "low"
	c.Pull, c.Debounce = PullNone, 5*time.Millisecond
	choose(s, "pull", &c.Pull, []Pull{PullUp, PullDown, PullNone},
		about{doc: "the pin's own resistor; none if the board has one"})
	s.duration("debounce", &c.Debounce, 0, 200*time.Millisecond,
		about{doc: "how long a change must last; 0s accepts every change at once"})
}

func (sc *Scan) read(s *section) {
	s.duration("rest_every", &sc.RestEvery, 200*time.Millisecond, time.Minute,
		about{doc: "time between scans while the motor is stopped"})
	s.duration("run_tail", &sc.RunTail, 0, time.Minute,
		about{doc: "time that scanning stays fast after the motor stops; 0s ends fast scanning with the run"})
	s.number("run_below_a", &sc.RunBelowA, span{-200, -1, "A"},
		about{doc: "a bank current below it starts fast scanning if motor_command is not wired"})
}

// isName accepts one word of printable ASCII.
func isName(text string) bool {
	const longest = 64
	if text == "" || len(text) > longest {
		return false
	}
	for _, c := range text {
		if c <= ' ' || c > '~' {
			return false
		}
	}
	return true
}
