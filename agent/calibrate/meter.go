package calibrate

import "math"

// Quantity is what a channel measures.
type Quantity string

// Quantities.
const (
	Current     Quantity = "current"     // A
	Voltage     Quantity = "voltage"     // V
	Temperature Quantity = "temperature" // °C
)

// Meter is what its maker states of a meter: its value is right within Share of it and Fixed besides.
type Meter struct {
	ID    string  `json:"id"` // of a preset, or other
	Share float64 `json:"share"`
	Fixed float64 `json:"fixed"` // in the unit of the quantity
}

// OtherMeter is a meter whose accuracy was typed in.
const OtherMeter = "other"

// Limits of what may be typed in as an accuracy.
const (
	MaxShare = 0.1 // ratio: a meter that is worse is none; our choice
	MaxFixed = 5   // A, V or °C; our choice
)

// meters are common classes of what a technician carries, at a moderate temperature and within a year
// of its own calibration: common practice, no source. A meter's own data sheet is better.
var meters = map[Quantity][]Meter{
	Current: {
		{"clamp", 0.02, 0.5}, {"clamp-fine", 0.01, 0.2}, {"shunt", 0.005, 0.05},
	},
	Voltage: {
		{"multimeter", 0.005, 0.02}, {"multimeter-fine", 0.0005, 0.003},
	},
	Temperature: {
		{"thermometer", 0, 1}, {"infrared", 0.02, 2},
	},
}

// Meters returns the presets for a quantity, the commonest first.
func Meters(q Quantity) []Meter { return meters[q] }

// MeterOf returns a preset.
func MeterOf(q Quantity, id string) (Meter, bool) {
	for _, m := range meters[q] {
		if m.ID == id {
			return m, true
		}
	}
	return Meter{}, false
}

// Possible reports whether somebody may have such a meter.
func (m Meter) Possible() bool {
	return m.Share >= 0 && m.Share <= MaxShare && m.Fixed >= 0 && m.Fixed <= MaxFixed && m.Share+m.Fixed > 0
}

// LimitAt returns within what the meter is right at a value.
func (m Meter) LimitAt(value float64) float64 { return m.Share*math.Abs(value) + m.Fixed }
