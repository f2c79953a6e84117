package scenario

import (
	"slices"
	"strings"
)

// Findings names everything that can be found wrong with a unit, in the order in which it is
// explained to people.
var Findings = []string{
	"feed-lost", "feed-weak", "feed-high", "feed-low", "wake-missing", "bank-flat", "bank-low",
	"bank-undercharged", "balance-negative", "share-uneven", "link-resistive", "battery-tired",
	"battery-failed", "blocks-unequal", "near-reversal", "circulating", "series-wired", "parallel-wired", "feed-mismatch", "reversed", "motor-overrun", "motor-hungry",
	"motor-starved", "motor-stuck", "motor-dead", "control-dead", "indicator-dead", "relief-off", "motor-drop", "parked-drain", "freeze-risk", "hot",
	"label-mismatch", "service-due", "middle-tap-open", "sense-fault", "clock-unsure",
}

// Kind is what can go wrong with a unit: its name, the fields of Fault it needs, and the findings
// it is the root cause of.
type Kind struct {
	Name   string
	Needs  []string
	Causes []string
	About  string
}

// Kinds lists the kinds of Fault.
var Kinds = []Kind{
	{"feed-unplugged", nil, []string{"feed-lost"}, "no voltage from the tractor: plug, cable or its protection"},
	{"converter-dead", nil, []string{"feed-lost"}, "the converter is off although the wake line is on"},
	{"charge-breaker-open", nil, []string{"feed-lost"}, "the breaker between converter and bank is open"},
	{"wake-broken", nil, []string{"wake-missing"}, "the ignition signal does not reach the box"},
	{"feed-cable-resistive", []string{"mohm"}, []string{"feed-weak"}, "this resistance is added to the tractor's cable"},
	{"feed-lead-resistive", []string{"side", "mohm"}, []string{"feed-weak"},
		"this resistance is added to one lead from the converter to the bank"},
	{"feed-set-low", []string{"volt"}, []string{"feed-low"},
		"the converter is set so that it never holds more than this"},
	{"feed-stuck-high", []string{"volt"}, []string{"feed-high"},
		"the converter holds this voltage at any temperature"},
	{"link-resistive", []string{"battery", "side", "mohm"}, []string{"link-resistive"},
		"this resistance is added to the link from this battery to the next"},
	{"link-open", []string{"battery", "side"}, []string{"link-resistive"},
		"the link from this battery to the next has come off"},
	{"post-resistive", []string{"battery", "side", "mohm"}, []string{"link-resistive"},
		"this resistance is added to the joint at this post"},
	{"battery-aged", []string{"battery", "aging"}, []string{"battery-tired", "battery-failed", "circulating"},
		"the battery has this aging from then on"},
	{"drain", []string{"amp"}, []string{"parked-drain"}, "something left on draws this current all the time"},
	{"contactor-stuck", nil, []string{"motor-stuck"}, "the motor contactor does not open"},
	{"contactor-dead", nil, []string{"motor-dead"}, "the motor contactor does not close"},
	{"motor-breaker-open", nil, []string{"motor-dead"}, "the motor breaker is open"},
	{"disconnect-open", nil, []string{"motor-dead"}, "the disconnect is open"},
	{"control-breaker-open", nil, []string{"control-dead"}, "the breaker of the lift's controls is open"},
	{"lamp-fuse-open", nil, []string{"indicator-dead"}, "the fuse of the charging lamp's line is open"},
	{"relief-set", []string{"factor"}, []string{"relief-off"}, "the relief valve opens at this many times its setting"},
	{"pump-dragging", []string{"factor"}, []string{"motor-hungry"}, "the pump's torque is multiplied by this, above 1"},
	{"pump-worn", []string{"factor"}, []string{"motor-starved"}, "the pump's torque is multiplied by this, below 1"},
	{"held-at-top", []string{"hold"}, []string{"motor-overrun"}, "the button is held this long at the end of travel"},
	{"load-lead-resistive", []string{"side", "mohm"}, []string{"motor-drop"},
		"this resistance is added to one lead from the bank to the motor"},
	{"posts-charged", []string{"battery", "volt", "amp"}, []string{"sense-fault"},
		"a charger of this voltage and most current is clamped on the battery's posts, past its current sensor"},
	{"tap-load", []string{"battery", "amp"}, []string{"blocks-unequal"},
		"a 12 V load on this battery of a string alone, as a resistance that draws this current at 12 V, past its sensor"},
	{"self-discharge", []string{"battery", "amp"}, []string{"blocks-unequal"},
		"the battery loses this current at 12 V by itself: a soft short in it, or its wet and dirty top"},
	{"posts-loaded", []string{"battery", "amp"}, nil,
		"a tester on the battery's posts draws this current, past its current sensor"},
}

// SensorKinds lists the kinds of SensorFault; Needs are its fields. All are sense-faults but the
// last.
var SensorKinds = []Kind{
	{"channel-open", []string{"channel"}, []string{"sense-fault"}, "wire off: the pin floats near ground"},
	{"channel-stuck", []string{"channel", "value"}, []string{"sense-fault"}, "reads this value always"},
	{"channel-off", []string{"channel", "value"}, []string{"sense-fault"}, "reads too high by this"},
	{"channel-warm", []string{"channel", "value"}, []string{"sense-fault"},
		"reads too high by this for each °C over 25"},
	{"channel-scaled", []string{"channel", "value"}, []string{"sense-fault"},
		"reads so many times the true value; below 0: the wrong way round"},
	{"channels-swapped", []string{"channel", "with"}, []string{"sense-fault"},
		"reads what belongs to the other, and the other way round"},
	{"channel-noisy", []string{"channel", "value"}, []string{"sense-fault"}, "noise of this RMS value"},
	{"dropouts", []string{"channel", "every"}, []string{"sense-fault"}, "one reading lost this often"},
	{"chip-silent", []string{"chip"}, []string{"sense-fault"}, "the input chip does not acknowledge"},
	{"chip-slow", []string{"chip"}, []string{"sense-fault"}, "the input chip is never ready in time"},
	{"bus-stuck", nil, []string{"sense-fault"}, "a data line held low: every transfer times out"},
	{"clock-unset", nil, []string{"clock-unsure"}, "the board does not know the time of day"},
}

// Channels lists the quantities a board can measure; the first four are followed by a dash and a
// battery's id (voltage-a).
var Channels = []string{"voltage", "negative", "current", "temperature", "feed", "motor", "input", "control", "ambient", "oil"}

// perBattery is how many of Channels exist once a battery.
const perBattery = 4

// KindNamed returns the kind with this name, or nil.
func KindNamed(kinds []Kind, name string) *Kind {
	for i := range kinds {
		if kinds[i].Name == name {
			return &kinds[i]
		}
	}
	return nil
}

// SplitChannel returns the quantity and the battery of a channel name; the battery is empty for
// those of the unit, and a quantity standing for all batteries. ok is false for an unknown name.
func SplitChannel(name string) (quantity, battery string, ok bool) {
	quantity, battery, hasBattery := strings.Cut(name, "-")
	at := slices.Index(Channels, quantity)
	if at < 0 || (hasBattery && at >= perBattery) {
		return "", "", false
	}
	if hasBattery && !slices.Contains([]string{"a", "b", "c", "d"}, battery) {
		return "", "", false
	}
	return quantity, battery, true
}

// RootFindings returns the findings of which a fault of this kind is the root cause; nil for an
// unknown kind.
func RootFindings(kind string) []string {
	for _, kinds := range [][]Kind{Kinds, SensorKinds} {
		if k := KindNamed(kinds, kind); k != nil {
			return k.Causes
		}
	}
	return nil
}
