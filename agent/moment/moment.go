// Package moment keeps instants whose time of day is not known yet.
//
// A board without a battery-backed clock starts with a wrong time of day. What it records until the
// clock is set carries a stand-in for each time: an instant of the session's monotonic timeline, in
// the form of a time of day in a year that no clock shows. Whoever reads the record later calls
// [Resolve], which turns every stand-in into the time of day by what is known then.
package moment

import (
	"reflect"
	"time"
)

// origin is the stand-in for the start of the session's monotonic timeline. A [time.Duration]
// reaches 292 years to both sides, so no stand-in meets the zero time or a real one.
var origin = time.Date(1000, 1, 1, 0, 0, 0, 0, time.UTC)

// StandIn returns the stand-in for an instant of the session's monotonic timeline.
func StandIn(mono time.Duration) time.Time { return origin.Add(mono) }

// IsStandIn reports whether t is a stand-in, and for which instant.
func IsStandIn(t time.Time) (mono time.Duration, ok bool) {
	if y := t.Year(); y < 700 || y > 1300 {
		return 0, false
	}
	return t.Sub(origin), true
}

// Resolve replaces every stand-in inside the value that v points to by what clock returns for its
// instant. Other times stay as they are.
func Resolve(v any, clock func(mono time.Duration) time.Time) {
	Each(v, func(t *time.Time) {
		if mono, ok := IsStandIn(*t); ok {
			*t = clock(mono)
		}
	})
}

// Each calls do for every time inside the value that v points to: in fields, pointers, and
// elements of slices and arrays. It leaves unexported fields and maps alone.
func Each(v any, do func(*time.Time)) { each(reflect.ValueOf(v), do) }

var timeType = reflect.TypeFor[time.Time]()

func each(v reflect.Value, do func(*time.Time)) {
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			each(v.Elem(), do)
		}
	case reflect.Slice, reflect.Array:
		for i := range v.Len() {
			each(v.Index(i), do)
		}
	case reflect.Struct:
		if v.Type() == timeType {
			do(v.Addr().Interface().(*time.Time))
			return
		}
		for i := range v.NumField() {
			if f := v.Type().Field(i); f.IsExported() || f.Anonymous {
				each(v.Field(i), do)
			}
		}
	}
}
