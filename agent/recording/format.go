// Package recording writes and reads what a unit's board measured, scan by scan, so that the same
// rules can be run on it again elsewhere.
//
// A recording is CSV, plain or compressed with gzip. Lines that begin with # may come first; then
// the header
//
//	time_s,signal,battery,value,quality
//
// and a row for each reading. Rows of one time are one scan, and time never goes back. Signals have
// the names of the configuration: battery_voltage, battery_negative, battery_current and
// battery_temperature with the battery's name, feed_voltage and motor_voltage without; V, A (into
// the battery positive) and °C. Not every unit has feed_input, control_voltage (V),
// ambient_temperature (°C) and oil_pressure (bar). wake_line, motor_command, disconnect and
// indicator_line are 0 or 1.
//
// A channel keeps its last reading until its next row, though not forever; a contact keeps its
// state. Quality is empty or "good" for a reading that may be used, and otherwise one word why it may
// not. Ours are waiting, no-answer, bus-stuck, not-ready, saturated, chip-reset, out-of-range; of a
// contact, unknown. Any other word counts as no-answer, of a contact as unknown. An empty value is no
// reading. A contact's row with the quality "edge" is a change: its time is that of the change, up
// to a second before that of the scan whose rows follow. Rows of contacts alone at some time are
// changes too, and no scan.
//
// The signal work is 1 while work under way was told to the monitor (rules.Engine.BeginWork) and 0 else. It keeps its state
// up to the next row or header; without a row nobody works on the unit.
//
// The signal clock has by how many seconds the time of day is ahead of start + time_s, with the
// quality "unset" while the clock was not set.
//
// Lines of #, header included, may come again: several recordings of one unit can be put one after
// the other.
package recording

import (
	"time"

	"liftbank/agent/config"
	"liftbank/sensors"
)

// Columns is the header line.
const Columns = "time_s,signal,battery,value,quality"

const (
	clockSignal = "clock"
	workSignal  = "work"
)

// Header is what the lines of # say. All of it may be missing.
type Header struct {
	Unit    string
	Start   time.Time // the time of day at time_s 0, as the board's clock had it
	Zone    string    // name of the time zone that people at the unit use
	Session string    // one start of the agent; parts of one session have one time_s
	// Layout is how the unit's configuration had the batteries joined; empty: parallel, or not said. Voltages are
	// over the board's ground, whatever it is.
	Layout string
	// Corrections are of channels that are corrected otherwise from here on.
	Corrections []Correction
}

// Quality says whether a row's value may be used.
type Quality uint8

// Qualities. The first are those of a channel, in the order of sensors.Fault.
const (
	Good    = Quality(sensors.None)
	unknown = Quality(sensors.FaultCount) + iota - 1 // of a contact
	edge                                             // a contact changed
	unset                                            // of the clock
	qualities
)

var qualityNames = [qualities]string{
	sensors.None: "good", sensors.NotSampled: "waiting", sensors.NoAnswer: "no-answer", sensors.BusStuck: "bus-stuck",
	sensors.NotReady: "not-ready", sensors.Saturated: "saturated", sensors.Reset: "chip-reset",
	sensors.OutOfRange: "out-of-range", unknown: "unknown", edge: "edge", unset: "unset",
}

// kind is what sort of signal a row has.
type kind uint8

const (
	channel kind = iota
	contact
	clock
	work
)

// signal is one signal that a recording may have.
type signal struct {
	name       string
	kind       kind
	perBattery bool
	unit       string
	min, max   float64 // of a usable value
}

// signals are all that there are. The limits are wide for a 12 V bank, and narrow enough to refuse
// most recordings in millivolts or milliamperes.
var signals = func() map[string]*signal {
	volts := signal{unit: "V", min: -100, max: 100}
	amps, celsius := signal{unit: "A", min: -5000, max: 5000}, signal{unit: "°C", min: -100, max: 200}
	bar := signal{unit: "bar", min: -100, max: 2000}
	on := signal{kind: contact, max: 1}
	all := map[string]*signal{}
	for _, s := range []struct {
		name       string
		is         signal
		perBattery bool
	}{
		{string(config.BatteryVoltage), volts, true}, {string(config.BatteryNegative), volts, true},
		{string(config.BatteryCurrent), amps, true}, {string(config.BatteryTemperature), celsius, true},
		{string(config.FeedVoltage), volts, false}, {string(config.MotorVoltage), volts, false},
		{string(config.FeedInput), volts, false}, {string(config.ControlVoltage), volts, false},
		{string(config.AmbientTemperature), celsius, false}, {string(config.OilPressure), bar, false},
		{string(config.WakeLine), on, false}, {string(config.MotorCommand), on, false},
		{string(config.Disconnect), on, false}, {string(config.IndicatorLine), on, false},
		{workSignal, signal{kind: work, max: 1}, false},
		{clockSignal, signal{kind: clock, unit: "s", min: -longestS, max: longestS}, false},
	} {
		is := s.is
		is.name, is.perBattery = s.name, s.perBattery
		all[s.name] = &is
	}
	return all
}()

const signalsWanted = "want battery_voltage, battery_negative, battery_current, battery_temperature, feed_voltage, " +
	"motor_voltage, feed_input, control_voltage, ambient_temperature, oil_pressure, wake_line, motor_command, disconnect, " +
	"indicator_line, work or clock"

// longestS is the latest time_s: a time.Duration ends soon after.
const longestS = 9e9
