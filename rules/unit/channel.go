package unit

// Signal is what a channel measures.
type Signal uint8

// Signals. The first four exist once for each battery.
const (
	BatteryVoltage Signal = iota
	BatteryNegative
	BatteryCurrent
	BatteryTemp
	FeedVoltage
	MotorVoltage
)

const perBattery = 4 // count: signals of a battery; our choice

// Unit returns the unit of a signal.
func (s Signal) Unit() string { return [...]string{"V", "V", "A", "°C", "V", "V"}[s] }

// Channel names one measuring channel of a unit: a signal, and whose.
type Channel uint8

// The unit's own channels follow those of the batteries. Channels is how many there can be.
const (
	Feed     = Channel(MaxBatteries * perBattery)
	Motor    = Feed + 1
	Channels = int(Motor) + 1 // count: channels of the largest unit; our choice
)

// ChannelOf returns the channel of a signal of a battery; the feed's and the motor's have none.
func ChannelOf(s Signal, battery int) Channel {
	switch s {
	case FeedVoltage:
		return Feed
	case MotorVoltage:
		return Motor
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
	switch c {
	case Feed:
		return FeedVoltage
	case Motor:
		return MotorVoltage
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
