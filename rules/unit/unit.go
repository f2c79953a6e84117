// Package unit holds the plain values that all of the rules share: a moment, a reading, an
// estimate, a contact, a channel, a text, and how large a bank may be.
//
// It knows nothing of what they mean and imports nothing of this program.
package unit

import "time"

// MaxBatteries is the largest bank: four 12 V blocks.
const MaxBatteries = 4 // count: batteries of the largest bank; our choice

// Moment is one instant. Durations and integrals use Mono; Wall is only a label and the calendar.
// Results carry monotonic instants alone, so that their labels can be corrected when the wall clock
// becomes known.
type Moment struct {
	Mono        time.Duration // since the agent's clock started; never goes back
	Wall        time.Time     // UTC; zero when not known at all
	WallTrusted bool          // whether Wall comes from a clock known to be set
}

// Quality says whether a reading may be used and, if not, why. The zero value is a sensor that this
// unit does not have.
type Quality uint8

// Qualities of a reading.
const (
	NotFitted  Quality = iota // this unit has no such sensor
	Good                      // value usable
	Waiting                   // fitted, not read yet
	NoAnswer                  // chip did not acknowledge, or answered with an error
	BusStuck                  // bus held by a chip; transfers time out
	NotReady                  // conversion did not finish in time
	Saturated                 // input chip at the end of its range: the true value lies at or beyond Value
	ChipReset                 // chip lost its settings; the value may belong to another input
	OutOfRange                // outside what this channel can be; Value holds it for evidence only
)

// Text returns the quality in words.
func (q Quality) Text() *Text {
	if int(q) < len(qualities) {
		return qualities[q]
	}
	return unknownQuality
}

// String returns the English words, for logs.
func (q Quality) String() string { return q.Text().English }

var (
	qualities = [...]*Text{
		NotFitted:  Says("quality.not-fitted", "not fitted"),
		Good:       Says("quality.good", "good"),
		Waiting:    Says("quality.waiting", "not read yet"),
		NoAnswer:   Says("quality.no-answer", "no answer on the bus"),
		BusStuck:   Says("quality.bus-stuck", "bus stuck"),
		NotReady:   Says("quality.not-ready", "conversion not finished"),
		Saturated:  Says("quality.saturated", "at the end of the input chip's range"),
		ChipReset:  Says("quality.chip-reset", "input chip lost its settings"),
		OutOfRange: Says("quality.out-of-range", "outside the possible range"),
	}
	unknownQuality = Says("quality.unknown", "unknown quality")
)

// Reading is one measured value with its quality. Value has a meaning only with Good (usable), and
// with Saturated and OutOfRange (evidence).
type Reading struct {
	Value   float64
	Quality Quality
}

// OK reports whether the value may be used.
func (r Reading) OK() bool { return r.Quality == Good }

// Faulty reports whether the sensor is fitted and gives no usable value, start-up apart.
func (r Reading) Faulty() bool { return r.Quality > Waiting }

// Shown reports whether there is a value at all, usable or not.
func (r Reading) Shown() bool {
	return r.Quality == Good || r.Quality == Saturated || r.Quality == OutOfRange
}

// Contact is a debounced digital input.
type Contact uint8

// Contact states. The zero value is an input that this unit does not have.
const (
	ContactNotFitted Contact = iota
	ContactOff
	ContactOn
	ContactUnknown // fitted, but it can't be read
)

// Edge is one change of the motor command since the previous scan.
type Edge struct {
	On bool
	At time.Duration // monotonic, as Moment.Mono
}

// Battery is what is measured at one battery.
type Battery struct {
	VoltageV  Reading // at its own positive post, over the board's ground
	NegativeV Reading // at its own negative post, over the same; NotFitted where that is the ground
	CurrentA  Reading // positive into the battery
	TempC     Reading // at the case or post
}

// OwnV returns the voltage between a battery's own posts: without its negative's drop over the
// links. A negative post that can't be read leaves the voltage as it is, some tens of millivolts
// off while the motor runs.
func (b *Battery) OwnV() Reading {
	v := b.VoltageV
	if v.OK() && b.NegativeV.OK() {
		v.Value -= b.NegativeV.Value
	}
	return v
}

// Scan is one look at all channels and contacts of a unit, as physical values.
type Scan struct {
	At           Moment
	Battery      [MaxBatteries]Battery // in the order of the configuration; the rest NotFitted
	FeedV        Reading               // ahead of the charge breaker
	MotorV       Reading               // at the motor terminal
	InputV       Reading               // ahead of the feed's converter, from the tractor
	ControlV     Reading               // behind the breaker of the lift's controls
	AmbientC     Reading               // outside of the batteries' box
	OilBar       Reading               // of the hydraulics, at the pump
	WakeLine     Contact
	MotorCommand Contact // contactor coil
	Disconnect   Contact // on: closed
	Indicator    Contact // on: the charging lamp's line is live, behind its fuse
	CommandEdges []Edge  // changes of MotorCommand since the previous scan, oldest first; valid until the next one
}

// NegativesNear reports whether no negative post of n batteries, or of their strings, is further from the
// board's ground than within volts, as far as they are read.
func (l Layout) NegativesNear(s *Scan, n int, within float64) bool {
	for k := range l.Strings(n) {
		v := s.Battery[l.Lowest(k)].NegativeV
		if v.Quality == Saturated || v.OK() && (v.Value > within || v.Value < -within) {
			return false
		}
	}
	return true
}

// Estimate is a figure with its standard uncertainty. Unknown is neither zero nor NaN: Known is
// false.
type Estimate struct {
	Value float64
	Sigma float64 // standard deviation, same unit as Value
	Known bool
}
