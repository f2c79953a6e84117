package calibrate

import (
	"time"

	"liftbank/sensors/calibration"
)

// Correction is a correction as it is written down.
type Correction struct {
	Offset float64 `json:"offset"` // in the channel's unit, added first
	Gain   float64 `json:"gain"`
}

// Of returns a correction as it is written down.
func Of(c calibration.Correction) Correction { return Correction{c.OffsetAdd, gainOf(c)} }

// Board returns the correction as the board applies it.
func (c Correction) Board() calibration.Correction {
	return calibration.Correction{OffsetAdd: c.Offset, Gain: c.Gain}
}

// Kinds of calibration.
const (
	ByZero   = "zero"   // nothing flowed
	ByMeter  = "meter"  // beside a meter
	TakenOff = "undone" // the one before was taken back
)

// Record is a calibration that was applied: what it rests on, and who signed it. Figures are in the
// unit of the channel; uncertainties are intervals of 95 %.
type Record struct {
	Channel      string     `json:"channel"`
	Unit         string     `json:"unit"`
	Kind         string     `json:"kind"`
	By           string     `json:"by"`
	At           time.Time  `json:"at"`
	ClockTrusted bool       `json:"clock_trusted"`
	Meter        *Meter     `json:"meter,omitempty"`
	Points       []At       `json:"points,omitempty"`
	Before       Correction `json:"before"`
	After        Correction `json:"after"`
	ZeroU        float64    `json:"zero_u,omitempty"`
	GainU        float64    `json:"gain_u,omitempty"` // as a share
	Spread       float64    `json:"spread,omitempty"`
	TempC        *float64   `json:"temp_c,omitempty"` // of the battery, then
}

// Same reports whether two corrections are the same one.
func (c Correction) Same(o Correction) bool { return c == o }
