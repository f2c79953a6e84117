// Package limit declares the numbers that the owner of a unit may set: each once, as data, beside
// the code that uses it. The configuration's reader and its reference, the engine, `liftbank
// explain` and the schemas all walk the same declarations.
package limit

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"
)

// Origin says where a number comes from.
type Origin uint8

// Origins.
const (
	Published Origin = iota + 1 // a source that can be read, named in Doc
	Standard                    // of a standard
	Physical                    // follows from physics or arithmetic
	Practice                    // practice of the trade, no source
	Memory                      // published, but taken from memory
	Choice                      // our choice
	Fitted                      // fitted to the simulator
	Owner                       // only the unit's owner knows it
)

// String returns the words used everywhere.
func (o Origin) String() string {
	return [...]string{
		"", "published", "standard", "physical", "trade practice", "from memory", "our choice", "fitted to the simulator",
		"the unit's owner",
	}[o]
}

// About is what is said of a limit beside its default and range.
type About struct {
	Path   string // of the configuration's field: findings.hot_c
	Doc    string // what it is and why this figure, with its source
	Origin Origin
	Below  string  // path of a limit that this one must be less than; empty: none
	Tracks string  // path of a limit that the default follows, by Plus
	Plus   float64 // in the limit's unit
	Usual  string  // the default in words, where a number would say too little
	// OfBank is for volts of the bank, its feed or its motor. They are set for one 12 V battery, and so many
	// times as much holds for a bank with so many in series: see InSeries.
	OfBank bool
}

// Number is a limit in a unit, Span one that is a time, Count a whole number. To is where its value
// lives: a field of the struct that its finding reads.
type (
	Number struct {
		About
		To                *float64
		Default, Min, Max float64
		Unit              string
	}
	Span struct {
		About
		To                *time.Duration
		Default, Min, Max time.Duration
	}
	Count struct {
		About
		To                *uint64
		Default, Min, Max uint64
	}
)

// Limit is one of Number, Span and Count. Values go in and out as numbers, those of a Span in
// seconds.
type Limit interface {
	Describe() About
	Value() float64
	Range() (low, high float64)
	Put(v float64) error
	reset()
}

// Describe returns what is said of the limit.
func (l About) Describe() About { return l }

// Value returns the value in the limit's unit.
func (l Number) Value() float64 { return *l.To }

// Range returns the least and the largest value accepted.
func (l Number) Range() (low, high float64) { return l.Min, l.Max }

// Put sets the value; one outside the range is refused.
func (l Number) Put(v float64) error {
	if !(v >= l.Min && v <= l.Max) {
		return fmt.Errorf("%s: %g: want %s", l.Path, v, Accepts(l))
	}
	*l.To = v
	return nil
}

func (l Number) reset() { *l.To = l.Default }

// Value returns the time in seconds.
func (l Span) Value() float64 { return l.To.Seconds() }

// Range returns the shortest and the longest time accepted, in seconds.
func (l Span) Range() (low, high float64) { return l.Min.Seconds(), l.Max.Seconds() }

// Put sets the time from seconds; one outside the range is refused.
func (l Span) Put(v float64) error {
	if !(v >= l.Min.Seconds() && v <= l.Max.Seconds()) {
		return fmt.Errorf("%s: %gs: want %s", l.Path, v, Accepts(l))
	}
	*l.To = time.Duration(math.Round(v * float64(time.Second)))
	return nil
}

func (l Span) reset() { *l.To = l.Default }

// Value returns the number.
func (l Count) Value() float64 { return float64(*l.To) }

// Range returns the least and the largest number accepted.
func (l Count) Range() (low, high float64) { return float64(l.Min), float64(l.Max) }

// Put sets the number; one outside the range, or not whole, is refused.
func (l Count) Put(v float64) error {
	if !(v >= float64(l.Min) && v <= float64(l.Max)) || v != math.Trunc(v) {
		return fmt.Errorf("%s: %g: want %s", l.Path, v, Accepts(l))
	}
	*l.To = uint64(v)
	return nil
}

func (l Count) reset() { *l.To = l.Default }

// Accepts returns in words what a limit accepts.
func Accepts(l Limit) string {
	switch l := l.(type) {
	case Span:
		return Words(l.Min) + " to " + Words(l.Max)
	case Count:
		return fmt.Sprintf("a whole number from %d to %d", l.Min, l.Max)
	case Number:
		return strings.TrimSpace(fmt.Sprintf("%g to %g %s", l.Min, l.Max, l.Unit))
	}
	panic("bug: limit: unknown kind")
}

// Words returns a time as the configuration writes it: 90s, 15m, 1h, 14d.
func Words(d time.Duration) string {
	for _, u := range []struct {
		unit time.Duration
		sign string
	}{{24 * time.Hour, "d"}, {time.Hour, "h"}, {time.Minute, "m"}, {time.Second, "s"}} {
		if d != 0 && d%u.unit == 0 {
			return fmt.Sprintf("%d%s", d/u.unit, u.sign)
		}
	}
	if d == 0 {
		return "0s"
	}
	return d.String()
}

// Values are limits that were set, by path; those of a Span in seconds. A limit that is not among
// them has its default.
type Values map[string]float64

// Apply gives every limit of a set its value: the one in values, or the default.
func Apply(set []Limit, values Values) error {
	var errs []error
	for _, l := range set {
		a := l.Describe()
		l.reset()
		if v, ok := tracked(set, values, a.Tracks); ok {
			errs = append(errs, l.Put(math.Round((v+a.Plus)*1000)/1000)) // 12.45, not 12.450000000000001
		}
		if v, ok := values[a.Path]; ok {
			errs = append(errs, l.Put(v))
		}
	}
	return errors.Join(errs...)
}

// InSeries brings the limits of a set that are of the bank, its feed or its motor from one 12 V battery to so
// many in series. It is for limits that were given their values just now.
func InSeries(set []Limit, blocks int) {
	for _, l := range set {
		if n, ok := l.(Number); ok && n.OfBank {
			*n.To *= float64(blocks)
		}
	}
}

// tracked returns the value of the limit that another one's default follows: it may be of another
// set.
func tracked(set []Limit, values Values, path string) (v float64, ok bool) {
	if l := Find(set, path); l != nil {
		return l.Value(), true
	}
	v, ok = values[path]
	return v, ok
}

// Find returns the limit with this path, or nil.
func Find(set []Limit, path string) Limit {
	for _, l := range set {
		if path != "" && l.Describe().Path == path {
			return l
		}
	}
	return nil
}

// Conflict is two limits that contradict each other: Low must be less than High.
type Conflict struct{ Low, High Limit }

// Error says which.
func (c Conflict) Error() string {
	low, high := c.Low.Describe().Path, c.High.Describe().Path
	return fmt.Sprintf("%s: %s: want less than %s (%s)", low, Written(c.Low), high, Written(c.High))
}

// Written returns a limit's value as the configuration writes it.
func Written(l Limit) string {
	if s, ok := l.(Span); ok {
		return Words(*s.To)
	}
	return fmt.Sprintf("%g", l.Value())
}

// Conflicts returns every pair out of order in the sets of all parts together.
func Conflicts(all []Limit) []Conflict {
	var out []Conflict
	for _, l := range all {
		if high := Find(all, l.Describe().Below); high != nil && l.Value() >= high.Value() {
			out = append(out, Conflict{l, high})
		}
	}
	return out
}
