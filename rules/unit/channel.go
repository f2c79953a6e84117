package unit

// Signal is what a channel measures.
type Signal uint8

// Signals. The first four exist once for each battery, the others once a unit; the last four are
// not on every unit.
const (
	BatteryVoltage Signal = iota
	BatteryNegative
	BatteryCurrent
	BatteryTemp
	FeedVoltage
	MotorVoltage
	FeedInput      // ahead of the feed's converter, from the tractor
	ControlVoltage // behind the breaker of the lift's controls
	AmbientTemp    // outside of the batteries' box
	OilPressure    // of the hydraulics, at the pump
	signals
)

const perBattery = 4 // count: signals of a battery; our choice

// Unit returns the unit of a signal.
func (s Signal) Unit() string {
	return [signals]string{"V", "V", "A", "°C", "V", "V", "V", "V", "°C", "bar"}[s]
}

// Channel names one measuring channel of a unit: a signal, and whose.
type Channel uint8

// The unit's own channels follow those of the batteries, in the order of the signals. Channels is
// how many there can be.
const (
	Feed     = Channel(MaxBatteries * perBattery)
	Motor    = Feed + 1
	Input    = Feed + 2
	Control  = Feed + 3
	Ambient  = Feed + 4
	Oil      = Feed + 5
	Channels = int(Oil) + 1 // count: channels of the largest unit; our choice
)

// ChannelOf returns the channel of a signal of a battery; the unit's own have none.
func ChannelOf(s Signal, battery int) Channel {
	if s >= FeedVoltage {
		return Feed + Channel(s-FeedVoltage)
	}
	return Channel(battery*perBattery + int(s))
}

// Battery returns the index of the battery whose channel it is, or -1 for one of the unit's own.
func (c Channel) Battery() int {
	if c >= Feed {
		return -1
	}
	return int(c) / perBattery
}

// Signal returns what the channel measures.
func (c Channel) Signal() Signal {
	if c >= Feed {
		return FeedVoltage + Signal(c-Feed)
	}
	return Signal(c % perBattery)
}

// Reading returns where a scan holds the reading of a channel.
func (s *Scan) Reading(c Channel) *Reading {
	switch c {
	case Feed:
		return &s.FeedV
	case Motor:
		return &s.MotorV
	case Input:
		return &s.InputV
	case Control:
		return &s.ControlV
	case Ambient:
		return &s.AmbientC
	case Oil:
		return &s.OilBar
	}
	b := &s.Battery[c/perBattery]
	switch Signal(c % perBattery) {
	case BatteryVoltage:
		return &b.VoltageV
	case BatteryNegative:
		return &b.NegativeV
	case BatteryCurrent:
		return &b.CurrentA
	}
	return &b.TempC
}

// Fitted says which of the signals that not every unit has are wired on this one.
type Fitted struct {
	Input, Control, Ambient, Oil bool
	Indicator                    bool // the contact of the charging lamp's line
}

// Has reports whether a channel can be there: those that every unit may have always are.
func (f Fitted) Has(c Channel) bool {
	switch c {
	case Input:
		return f.Input
	case Control:
		return f.Control
	case Ambient:
		return f.Ambient
	case Oil:
		return f.Oil
	}
	return true
}
