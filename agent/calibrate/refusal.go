package calibrate

import "fmt"

// Refusal is why a calibration, or a point of one, can't be right. Value is the figure that says so,
// Want what it is held against, in the unit of the channel where there is one.
type Refusal struct {
	ID          string
	Value, Want float64
}

// Reasons.
const (
	TooFew      = "too-few"      // Value seconds were read, Want are needed
	NoReading   = "no-reading"   // the channel gives none
	Drifts      = "drifts"       // by Value in the span
	Scatters    = "scatters"     // by Value
	BankMoved   = "bank-moved"   // the channel was steady, and the bank's current moved by Value
	MotorRuns   = "motor-runs"   // during a zero
	ChargerOn   = "charger-on"   // during a zero
	ContactShut = "contact-shut" // the disconnect's contact is closed
	FlowsAlike  = "flows-alike"  // all sensors show Value or more, one way
	Circulates  = "circulates"   // between batteries
	ZeroLarge   = "zero-large"   // Value, of a class that allows Want
	Reversed    = "reversed"     // the sign is the other one
	GainWrong   = "gain-wrong"   // Value is no tolerance
	PointsClose = "points-close" // Value apart, Want are needed
	Disagree    = "disagree"     // points are Value off a line, Want at the most
	MeterBeyond = "meter-beyond" // Value is beyond what the channel can show
	OffsetLarge = "offset-large" // Value, Want at the most
	WantsZero   = "wants-zero"   // a gain of a current sensor needs its zero, or a second load
	// WantsConfirm is a gain of Value, far from a class that allows Want: a second measurement must say so.
	WantsConfirm = "wants-confirm"
	NoPoints     = "no-points"
	TooMany      = "too-many" // points
)

// Error returns the reason for a log.
func (r *Refusal) Error() string {
	return fmt.Sprintf("calibration refused: %s: %.4g: want %.4g", r.ID, r.Value, r.Want)
}

// Reasons are all of them.
var Reasons = []string{
	TooFew, NoReading, Drifts, Scatters, BankMoved, MotorRuns, ChargerOn, ContactShut, FlowsAlike, Circulates, ZeroLarge,
	Reversed, GainWrong, PointsClose, Disagree, MeterBeyond, OffsetLarge, WantsZero, WantsConfirm, NoPoints,
	TooMany,
}
