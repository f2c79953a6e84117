package scenariofile

import (
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"liftbank/agent/config/strict"
	"liftbank/sim/scenario"
)

// A field of a scenario's types has its key in the tag `yaml` and what it accepts in the tag
// `want`: a range "0 to 100", of a list of structs that of its length, or "one of" some words.

const yearRange = "a time such as 2025-03-03T05:00:00Z, whole seconds, 1970 to 2200"

// maxList limits lists that have no range of their own; our choice, more than any story needs.
const maxList = 100

// fields reads each field of the struct that to points at.
func fields(s *strict.Section, to any) {
	v := reflect.ValueOf(to).Elem()
	for i := range v.NumField() {
		f := v.Type().Field(i)
		want := f.Tag.Get("want")
		if value, ok := s.Field(f.Tag.Get("yaml"), want, strict.Default); ok {
			read(value, v.Field(i), want)
		}
	}
}

// read reads one value into to.
func read(v strict.Value, to reflect.Value, want string) {
	switch p := to.Addr().Interface().(type) {
	case *time.Duration:
		low, high := durations(want)
		v.Duration(p, low, high)
	case *time.Time:
		var text string
		if v.Text(&text, yearRange, isMoment); text != "" {
			*p, _ = time.Parse(time.RFC3339, text)
		}
	case *float64:
		low, high := numbers(want)
		v.Number(p, strict.Range{Min: low, Max: high})
	case *int:
		n := int64(*p)
		whole(v, &n, want)
		*p = int(n)
	case *uint64:
		n := int64(*p)
		whole(v, &n, want)
		*p = uint64(n)
	case *bool:
		v.YesNo(p)
	default:
		readOther(v, to, want)
	}
}

func readOther(v strict.Value, to reflect.Value, want string) {
	switch to.Kind() {
	case reflect.String:
		text := to.String()
		words, listed := strings.CutPrefix(want, "one of ")
		choices := strings.Split(words, ", ")
		accepts := "text"
		if listed {
			accepts = strict.OrList(choices)
		}
		v.Text(&text, accepts, func(t string) bool { return !listed || slices.Contains(choices, t) })
		to.SetString(text)
	case reflect.Struct:
		v.Section(func(s *strict.Section) { fields(s, to.Addr().Interface()) })
	case reflect.Array:
		n := to.Len()
		v.List(n, n, fmt.Sprintf("a list of %d, as in [1, 2]", n), func(int) {}, func(i int, v strict.Value) {
			read(v, to.Index(i), want)
		})
	case reflect.Slice:
		readSlice(v, to, want)
	default:
		panic("bug: scenario: nothing reads a field of type " + to.Type().String())
	}
}

// readSlice reads a list. An entry that is a struct begins as its default.
func readSlice(v strict.Value, to reflect.Value, want string) {
	structs := to.Type().Elem().Kind() == reflect.Struct
	low, high := 0, maxList
	if structs {
		from, until := numbers(want)
		low, high = int(from), int(until)
	}
	begin := func(n int) { to.Set(reflect.MakeSlice(to.Type(), n, n)) }
	v.List(low, high, strict.List(low, high), begin, func(i int, v strict.Value) {
		item := to.Index(i)
		if b, ok := item.Addr().Interface().(*scenario.Battery); ok {
			*b = scenario.DefaultBattery("abcd"[i : i+1])
		}
		if structs {
			v.Item(func(s *strict.Section) { fields(s, item.Addr().Interface()) })
		} else {
			read(v, item, want)
		}
	})
}

func whole(v strict.Value, to *int64, want string) {
	low, high := numbers(want)
	v.Whole(to, int64(low), int64(high), strict.Wholes(int64(low), int64(high)))
}

func isMoment(text string) bool {
	at, err := time.Parse(time.RFC3339, text)
	return err == nil && at.Nanosecond() == 0 && at.Year() >= 1970 && at.Year() <= 2200
}

// numbers returns the ends of a range "low to high".
func numbers(want string) (low, high float64) {
	from, to, _ := strings.Cut(want, " to ")
	low, err := strconv.ParseFloat(from, 64)
	high, err2 := strconv.ParseFloat(to, 64)
	if err != nil || err2 != nil {
		panic("bug: scenario: range " + strconv.Quote(want))
	}
	return low, high
}

// durations returns the ends of a range of times.
func durations(want string) (low, high time.Duration) {
	from, to, _ := strings.Cut(want, " to ")
	low, ok := strict.ParseDuration(from)
	high, ok2 := strict.ParseDuration(to)
	if !ok || !ok2 {
		panic("bug: scenario: range " + strconv.Quote(want))
	}
	return low, high
}
