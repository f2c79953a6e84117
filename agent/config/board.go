package config

import (
	"time"

	"liftbank/sensors/calibration"
)

// Board is the monitor board: converters, what is wired to them, contacts, and how often they are read.
type Board struct {
	I2CBus   string // name or number as the operating system has it: 1, /dev/i2c-1
	Chips    []Chip // 1 to 4
	Channels []Channel
	Contacts []Contact // at most one for each signal
	Scan     Scan
}

// Chip is one converter on the bus.
type Chip struct {
	Name    string
	Kind    ChipKind
	Address int // 0x48 to 0x4b
}

// ChipKind is the make of a converter.
type ChipKind string

// ADS1115 is the 16-bit converter with four inputs.
const ADS1115 ChipKind = "ads1115"

// Signal is what a channel measures.
type Signal string

// Signals. The first four are of one battery, the others of the unit.
const (
	BatteryVoltage     Signal = "battery_voltage"     // V, at its own positive post over the board's ground
	BatteryCurrent     Signal = "battery_current"     // A, positive into the battery
	BatteryNegative    Signal = "battery_negative"    // V, its negative post over the board's ground; not needed where that is the ground
	BatteryTemperature Signal = "battery_temperature" // °C, at the case or a post
	FeedVoltage        Signal = "feed_voltage"        // V, ahead of the charge breaker
	MotorVoltage       Signal = "motor_voltage"       // V, at the motor terminal
)

// Channel is one analogue input.
type Channel struct {
	Signal      Signal
	Battery     string // of which battery; empty for a signal of the unit
	Chip        string
	Input       string  // as on the chip: AIN0 to AIN3 over ground, or AIN0-AIN1 and so on
	FullScaleV  float64 // V, end of the converter's range, one of the chip's six
	RestSPS     int     // conversions per second while the motor stands
	RunSPS      int     // and while it runs
	InRun       bool    // read while the motor runs as well
	Scale       Scale
	Calibration Calibration
	Min, Max    float64 // possible range, in Unit; beyond it a reading is a fault of the sensor
}

// Name gives the channel's name, unique on a board: battery_voltage_a, feed_voltage.
func (c *Channel) Name() string {
	if c.Battery == "" {
		return string(c.Signal)
	}
	return string(c.Signal) + "_" + c.Battery
}

// Unit gives the unit of the signal: "V", "A" or "°C".
func (c *Channel) Unit() string { return signals[c.Signal].unit }

// ScaleKind is the circuit between a signal and the pin.
type ScaleKind string

// Kinds of scale.
const (
	Divider          ScaleKind = "divider"            // TopOhm, BottomOhm
	Hall             ScaleKind = "hall"               // ZeroV, VPerA
	Shunt            ScaleKind = "shunt"              // ShuntOhm, Gain, ZeroV
	NTCBeta          ScaleKind = "ntc_beta"           // R25Ohm, BetaK, PullupOhm, SupplyV
	NTCSteinhartHart ScaleKind = "ntc_steinhart_hart" // A, B, C, PullupOhm, SupplyV
)

// Scale is the law of a front end; which fields count depends on Kind.
type Scale struct {
	Kind      ScaleKind
	TopOhm    float64 // from the measured point to the pin
	BottomOhm float64 // from the pin to ground
	ZeroV     float64 // V at the pin without current
	VPerA     float64 // V at the pin per ampere into the battery; negative when mounted the other way round
	ShuntOhm  float64
	Gain      float64 // of the shunt's amplifier; negative turns the sign
	R25Ohm    float64 // of the thermistor at 25 °C
	BetaK     float64 // K
	A, B, C   float64 // of the Steinhart-Hart equation for kelvin and ohm, 1/K
	PullupOhm float64 // from the pin to the supply
	SupplyV   float64 // V at the top of the pull-up
}

// Law gives the scale as the board computes with it; nil for a kind that isn't one.
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
	}
	return nil
}

// Calibration is what a comparison with a better meter changed: (value + Offset) · Gain.
type Calibration struct {
	Offset float64 // in the channel's unit
	Gain   float64 // 0.5 to 2
}

// Contact is one digital input.
type Contact struct {
	Signal    ContactSignal
	Pin       string // as the operating system names it: GPIO17
	ActiveLow bool   // on at a low level
	Pull      Pull
	Debounce  time.Duration // a change must last this long; 0 takes each at once
}

// ContactSignal is what a contact tells.
type ContactSignal string

// Contact signals.
const (
	WakeLine     ContactSignal = "wake_line"     // on: the converter of the feed is asked for
	MotorCommand ContactSignal = "motor_command" // on: the contactor coil is driven
	Disconnect   ContactSignal = "disconnect"    // on: closed
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
	RestEvery time.Duration // between scans while the motor stands
	RunTail   time.Duration // scanning stays fast this long after the motor stops
	RunBelowA float64       // A, negative: a bank current below it starts fast scanning
}

const (
	maxChips    = 4  // as many addresses as an ADS1115 can have
	maxChannels = 16 // inputs of four chips
)

// signalFacts is what is fixed or usual for a signal.
type signalFacts struct {
	perBattery bool
	unit       string
	suffix     string // of field names in that unit
	limit      span   // that min and max may span
	min, max   float64
	offset     float64 // most that calibration may shift, either way
	inRun      bool
	scales     []ScaleKind
}

var (
	voltage = signalFacts{unit: "V", suffix: "_v", limit: span{-60, 60, "V"}, min: -1, max: 32, offset: 2, inRun: true, scales: []ScaleKind{Divider}}

	signals = map[Signal]signalFacts{
		BatteryVoltage: voltage.of(true, true),
		BatteryNegative: {perBattery: true, unit: "V", suffix: "_v", limit: span{-60, 60, "V"}, min: -3, max: 32, offset: 2, inRun: true,
			scales: []ScaleKind{Divider}},
		BatteryCurrent: {perBattery: true, unit: "A", suffix: "_a", limit: span{-1000, 1000, "A"}, min: -220, max: 220, offset: 20,
			inRun: true, scales: []ScaleKind{Hall, Shunt}},
		BatteryTemperature: {perBattery: true, unit: "°C", suffix: "_c", limit: span{-60, 150, "°C"}, min: -50, max: 90, offset: 20,
			scales: []ScaleKind{NTCBeta, NTCSteinhartHart}},
		FeedVoltage:  voltage.of(false, false),
		MotorVoltage: voltage.of(false, true),
	}
	signalNames    = []Signal{BatteryVoltage, BatteryNegative, BatteryCurrent, BatteryTemperature, FeedVoltage, MotorVoltage}
	contactSignals = []ContactSignal{WakeLine, MotorCommand, Disconnect}
	scaleKinds     = []ScaleKind{Divider, Hall, Shunt, NTCBeta, NTCSteinhartHart}

	// Inputs, ranges and rates of the ADS1115: TI data sheet SBAS444 (gain and rate tables from memory).
	inputs     = []string{"AIN0", "AIN1", "AIN2", "AIN3", "AIN0-AIN1", "AIN0-AIN3", "AIN1-AIN3", "AIN2-AIN3"}
	fullScales = []float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256}
	rates      = []float64{8, 16, 32, 64, 128, 250, 475, 860}
)

func (f signalFacts) of(perBattery, inRun bool) signalFacts {
	f.perBattery, f.inRun = perBattery, inRun
	return f
}

func defaultBoard() Board {
	return Board{Scan: Scan{RestEvery: time.Second, RunTail: 2 * time.Second, RunBelowA: -20}}
}

func (b *Board) read(s *section) {
	s.text("i2c_bus", &b.I2CBus, "the bus the chips are on: a number, or a name such as /dev/i2c-1", isName,
		about{doc: "I2C bus; there is no default, because the lowest one is often another device's", required: true})
	list(s, "chips", &b.Chips, 1, maxChips, about{doc: "converters on the bus", required: true}, (*Chip).read)
	list(s, "channels", &b.Channels, 2, maxChannels, about{doc: "analogue inputs", required: true}, (*Channel).read)
	list(s, "contacts", &b.Contacts, 0, len(contactSignals), about{doc: "digital inputs; what isn't wired is left out"}, (*Contact).read)
	s.section("scan", false, about{doc: "how often the board is read", usually: "all defaults"}, b.Scan.read)
}

func (c *Chip) read(s *section) {
	s.text("name", &c.Name, "a name of a-z, 0-9 and -", isID, about{doc: "name that channels refer to", required: true})
	choose(s, "kind", &c.Kind, []ChipKind{ADS1115}, about{doc: "make of the converter", required: true})
	s.whole("address", &c.Address, 0x48, 0x4b, "0x48, 0x49, 0x4a or 0x4b", about{doc: "I2C address: ADDR pin at GND, VDD, SDA, SCL in this order", required: true})
}

func (c *Channel) read(s *section) {
	choose(s, "signal", &c.Signal, signalNames, about{doc: "what is measured", required: true})
	facts := signals[c.Signal]
	s.text("battery", &c.Battery, "a, b, c or d", func(t string) bool { return t == "a" || t == "b" || t == "c" || t == "d" },
		about{doc: "which battery; only for the four battery_ signals, and required there", required: facts.perBattery, usually: "none"})
	s.text("chip", &c.Chip, "the name of one of board.chips", isID, about{doc: "converter it is wired to", required: true})
	choose(s, "input", &c.Input, inputs, about{doc: "input of the converter: over ground, or the difference of two", required: true})
	c.FullScaleV = 4.096
	s.oneNumber("full_scale_v", &c.FullScaleV, fullScales, "V", about{doc: "end of the converter's range; a pin must never see more than the converter's own supply"})
	c.RestSPS, c.RunSPS, c.InRun = 128, 860, facts.inRun
	s.rate("rest_sps", &c.RestSPS, about{doc: "conversions per second while the motor stands; slower is quieter"})
	s.rate("run_sps", &c.RunSPS, about{doc: "conversions per second while the motor runs"})
	s.yesNo("in_run", &c.InRun, about{doc: "read during motor runs too; always true for battery_voltage and battery_current",
		usually: "false for temperatures and feed_voltage, else true"})
	s.section("scale", false, about{doc: "circuit between the signal and the pin", required: true}, func(s *section) { c.Scale.read(s, facts.scales) })
	c.Calibration.Gain = 1
	inUnit(s, c.Signal, func(f signalFacts) {
		c.Min, c.Max = f.min, f.max
		s.number("min"+f.suffix, &c.Min, f.limit, about{doc: "lowest possible value: below it the sensor is at fault"})
		s.number("max"+f.suffix, &c.Max, f.limit, about{doc: "highest possible value: above it the sensor is at fault"})
	})
	s.section("calibration", false, about{doc: "correction against a better meter: (value + offset) x gain", usually: "none"},
		func(s *section) { c.Calibration.read(s, c.Signal) })
}

func (c *Calibration) read(s *section, signal Signal) {
	inUnit(s, signal, func(f signalFacts) {
		s.number("offset"+f.suffix, &c.Offset, span{-f.offset, f.offset, f.unit}, about{doc: "added to the value"})
	})
	s.number("gain", &c.Gain, span{min: 0.5, max: 2}, about{doc: "then multiplied with; more than that is a wrong scale, not a tolerance"})
}

// inUnit reads the fields whose names end in the signal's unit, or describes them in each unit.
func inUnit(s *section, signal Signal, read func(signalFacts)) {
	switch {
	case s.r.describe:
		for _, of := range []Signal{BatteryVoltage, BatteryCurrent, BatteryTemperature} {
			read(signals[of])
		}
	case signal == "":
		s.lenient = true // the signal itself was wrong: can't tell which fields belong
	default:
		read(signals[signal])
	}
}

// rate reads one of the converter's data rates.
func (s *section) rate(name string, to *int, a about) {
	v := float64(*to)
	s.oneNumber(name, &v, rates, "SPS", a)
	*to = int(v)
}

func (sc *Scale) read(s *section, allowed []ScaleKind) {
	if allowed == nil {
		allowed = scaleKinds
	}
	choose(s, "kind", &sc.Kind, allowed, about{doc: "divider for voltages, hall or shunt for currents, ntc_beta or ntc_steinhart_hart for temperatures", required: true})
	each(s, "kind", sc.Kind, scaleKinds, func(kind ScaleKind) {
		switch kind {
		case Divider:
			s.number("top_ohm", &sc.TopOhm, span{0, 10e6, "ohm"}, about{doc: "resistor from the measured point to the pin", required: true})
			s.number("bottom_ohm", &sc.BottomOhm, span{100, 1e6, "ohm"}, about{doc: "resistor from the pin to ground", required: true})
		case Hall:
			s.number("zero_v", &sc.ZeroV, span{-5.5, 5.5, "V"}, about{doc: "volts at the pin without current", required: true})
			s.number("v_per_a", &sc.VPerA, span{-1, 1, "V/A"}, about{doc: "volts at the pin per ampere into the battery, not 0; negative when mounted the other way round", required: true})
		case Shunt:
			s.number("shunt_ohm", &sc.ShuntOhm, span{1e-5, 0.01, "ohm"}, about{doc: "resistance of the shunt: 75 mV at 300 A is 0.00025", required: true})
			s.number("gain", &sc.Gain, span{min: -1000, max: 1000}, about{doc: "of the amplifier, not 0; 1 without one; negative turns the sign", required: true})
			s.number("zero_v", &sc.ZeroV, span{-5.5, 5.5, "V"}, about{doc: "volts at the pin without current; 0 for a shunt across a pair of inputs", required: true})
		case NTCBeta:
			s.number("r25_ohm", &sc.R25Ohm, span{100, 1e6, "ohm"}, about{doc: "thermistor's resistance at 25 °C", required: true})
			s.number("beta_k", &sc.BetaK, span{1000, 6000, "K"}, about{doc: "thermistor's beta, from its data sheet", required: true})
		case NTCSteinhartHart:
			s.number("a", &sc.A, span{0, 0.01, "1/K"}, about{doc: "first coefficient, for kelvin and ohm", required: true})
			s.number("b", &sc.B, span{1e-5, 0.001, "1/K"}, about{doc: "coefficient of ln R", required: true})
			s.number("c", &sc.C, span{0, 1e-5, "1/K"}, about{doc: "coefficient of (ln R)^3", required: true})
		}
		if kind == NTCBeta || kind == NTCSteinhartHart {
			s.number("pullup_ohm", &sc.PullupOhm, span{100, 1e6, "ohm"}, about{doc: "resistor from the pin to the supply", required: true})
			s.number("supply_v", &sc.SupplyV, span{1.8, 5.5, "V"}, about{doc: "volts at the top of the pull-up", required: true})
		}
	})
}

func (c *Contact) read(s *section) {
	choose(s, "signal", &c.Signal, contactSignals, about{doc: "what the contact tells", required: true})
	s.text("pin", &c.Pin, "the pin's name as the system has it, such as GPIO17", isName, about{doc: "pin it is wired to", required: true})
	active := "high"
	choose(s, "active", &active, []string{"high", "low"}, about{doc: "level at which it is on"})
	c.ActiveLow = active == "low"
	c.Pull, c.Debounce = PullNone, 5*time.Millisecond
	choose(s, "pull", &c.Pull, []Pull{PullUp, PullDown, PullNone}, about{doc: "the pin's own resistor; none where the board has one"})
	s.duration("debounce", &c.Debounce, 0, 200*time.Millisecond, about{doc: "a change must last this long; 0s takes each at once"})
}

func (sc *Scan) read(s *section) {
	s.duration("rest_every", &sc.RestEvery, 200*time.Millisecond, time.Minute, about{doc: "between scans while the motor stands"})
	s.duration("run_tail", &sc.RunTail, 0, time.Minute, about{doc: "scanning stays fast this long after the motor stops; 0s ends it with the run"})
	s.number("run_below_a", &sc.RunBelowA, span{-200, -1, "A"}, about{doc: "a bank current below it starts fast scanning where motor_command isn't wired"})
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
