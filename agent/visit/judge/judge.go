// Package judge says what a technician's own tests of a battery show: a load test at half the rated
// cold cranking current, an electronic tester's reading, a hydrometer. Each is judged against the
// published table, and compared with what the monitor has learned. What a table can't judge is
// refused, with the reason.
//
// It is pure: plain values in, plain values out. The zero value of a result says nothing.
package judge

import "math"

// Outcome is what a test shows.
type Outcome string

// Outcomes.
const (
	NotJudged  Outcome = "not-judged"
	Passes     Outcome = "passes"
	Borderline Outcome = "borderline" // so little below the limit that a meter may be wrong about it
	Fails      Outcome = "fails"
)

// Agreement is how a test and the monitor's own figure go together.
type Agreement string

// Agreements. Disagree is said only beyond both uncertainties.
const (
	Unknown  Agreement = "" // the monitor has no figure, or the test was not judged
	Agree    Agreement = "agree"
	Unsure   Agreement = "unsure" // neither contradicts the other
	Disagree Agreement = "disagree"
)

// Reason is why a test is not judged, or what limits the judgment. The page has the words.
type Reason string

// Reasons.
const (
	Incomplete    Reason = "incomplete"     // a figure is missing: load, seconds or volts
	NoRating      Reason = "no-rating"      // the rated current is not known
	NoTemperature Reason = "no-temperature" // the battery's
	TooCold       Reason = "too-cold"       // below the table
	TooHot        Reason = "too-hot"
	LoadLow       Reason = "load-low"  // less than half the rating: what holds here may fail there
	LoadHigh      Reason = "load-high" // more than half: what fails here may hold there
	TooShort      Reason = "too-short" // what holds so long may still fall
	TooLong       Reason = "too-long"
	NotCharged    Reason = "not-charged" // below 12.4 V or 75 %
	ChargeUnknown Reason = "charge-unknown"
	SurfaceCharge Reason = "surface-charge" // it makes a weak battery pass
	NotFlooded    Reason = "not-flooded"    // no cell can be opened
	SixCells      Reason = "six-cells"      // of a 12 V battery
	NotDensity    Reason = "not-density"    // no electrolyte has that
	Strong        Reason = "strong"         // more than any battery is filled with: acid was added
)

// Figure is what the monitor knows: a value with its standard uncertainty; nil: not known.
type Figure struct{ Value, Sigma *float64 }

func (f Figure) known() bool { return f.Value != nil && f.Sigma != nil }

// row is one line of a published table.
type row struct{ at, value float64 }

// interpolate returns the value of a table at x, on the straight line between two rows: the tables
// give none for between. Outside it is that of the nearest row.
func interpolate(table []row, x float64) float64 {
	if x <= table[0].at {
		return table[0].value
	}
	for i := 1; i < len(table); i++ {
		if a, b := table[i-1], table[i]; x <= b.at {
			return a.value + (x-a.at)/(b.at-a.at)*(b.value-a.value)
		}
	}
	return table[len(table)-1].value
}

// beyond reports whether two figures differ by more than twice their uncertainties together.
func beyond(a, sigmaA, b, sigmaB float64) bool { return math.Abs(a-b) > 2*math.Hypot(sigmaA, sigmaB) }
