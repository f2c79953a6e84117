package strict

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Value is one value of a file, to be read into a destination. A value that is not accepted is
// reported and leaves the destination as it is.
type Value struct {
	r    *Reading
	path string
	node *node
}

// Range is the range of a number, ends included, in a unit.
type Range struct {
	Min, Max float64
	Unit     string // empty for a count or a ratio
}

// String returns the range in words.
func (l Range) String() string {
	return strings.TrimSpace(fmt.Sprintf("%s to %s %s", FormatNumber(l.Min), FormatNumber(l.Max), l.Unit))
}

// Times returns the range of a duration in words.
func Times(minimum, maximum time.Duration) string {
	return "a time from " + FormatDuration(minimum) + " to " + FormatDuration(maximum)
}

// Wholes returns the range of a whole number in words.
func Wholes(minimum, maximum int64) string {
	return fmt.Sprintf("a whole number from %d to %d", minimum, maximum)
}

// Numbers returns a choice of numbers in words.
func Numbers(choices []float64, unit string) string {
	words := make([]string, len(choices))
	for i, c := range choices {
		words[i] = FormatNumber(c)
	}
	return strings.TrimSpace(OrList(words) + " " + unit)
}

// List returns the length of a list in words.
func List(minimum, maximum int) string { return fmt.Sprintf("a list of %d to %d", minimum, maximum) }

// Text reads a text that ok accepts. accepts says so in words.
func (v Value) Text(to *string, accepts string, ok func(string) bool) {
	if text, plain := v.plain(accepts); plain && !ok(text) {
		v.wrong(accepts, "")
	} else if plain {
		*to = text
	}
}

// Number reads a plain number within l.
func (v Value) Number(to *float64, l Range) {
	v.number(to, l.String(), l.Unit, func(x float64) bool { return x >= l.Min && x <= l.Max })
}

// OneOf reads a number that must be one of a few.
func (v Value) OneOf(to *float64, choices []float64, unit string) {
	v.number(to, Numbers(choices, unit), unit, func(x float64) bool { return slices.Contains(choices, x) })
}

func (v Value) number(to *float64, accepts, unit string, ok func(float64) bool) {
	text, plain := v.plain(accepts)
	if !plain {
		return
	}
	x, number := parseNumber(text)
	switch {
	case !number || v.node.quoted:
		v.wrong(accepts, numberHint(text, unit))
	case !ok(x):
		v.wrong(accepts, "")
	default:
		*to = x
	}
}

// Setting reads a value that set accepts. With number the value must be a number; set gets it in
// its shortest decimal form.
func (v Value) Setting(number bool, accepts, unit string, set func(string) bool) {
	text, plain := v.plain(accepts)
	if !plain {
		return
	}
	if number {
		digits, ok := plainDigits(text)
		if !ok || v.node.quoted {
			v.wrong(accepts, numberHint(text, unit))
			return
		}
		text = digits
	}
	if !set(text) {
		v.wrong(accepts, "")
	}
}

// plainDigits returns a number, decimal or hexadecimal, in the shortest decimal form.
func plainDigits(text string) (string, bool) {
	if n, ok := parseWhole(text); ok {
		return strconv.FormatInt(n, 10), true
	}
	x, ok := parseNumber(text)
	return FormatNumber(x), ok
}

// Whole reads a whole number within a range that accepts puts in words.
func (v Value) Whole(to *int64, minimum, maximum int64, accepts string) {
	text, plain := v.plain(accepts)
	if !plain {
		return
	}
	x, whole := parseWhole(text)
	switch {
	case !whole || v.node.quoted:
		v.wrong(accepts, numberHint(text, ""))
	case x < minimum || x > maximum:
		v.wrong(accepts, "")
	default:
		*to = x
	}
}

// YesNo reads true or false.
func (v Value) YesNo(to *bool) {
	const accepts = "true or false"
	text, plain := v.plain(accepts)
	switch {
	case !plain:
	case v.node.quoted || text != "true" && text != "false":
		v.wrong(accepts, "")
	default:
		*to = text == "true"
	}
}

// Duration reads a time with its unit, minimum to maximum.
func (v Value) Duration(to *time.Duration, minimum, maximum time.Duration) {
	accepts := Times(minimum, maximum)
	text, plain := v.plain(accepts)
	if !plain {
		return
	}
	d, ok := ParseDuration(text)
	switch {
	case !ok:
		v.wrong(accepts, durationHint(text, max(*to, minimum)))
	case d < minimum || d > maximum:
		v.wrong(accepts, "")
	default:
		*to = d
	}
}

// Section reads the fields of a mapping, and reports whether it is one.
func (v Value) Section(read func(*Section)) bool {
	if v.node.kind != mapping && v.node.kind != nothing {
		v.r.Refuse(v.path, wordOf(v.node), "want a section: its fields on lines of their own, indented")
		return false
	}
	v.r.section(v.path, v.node, read)
	return true
}

// List reads a list of minimum to maximum values; accepts says so in words. It calls begin with
// their number and then each with every value.
func (v Value) List(minimum, maximum int, accepts string, begin func(n int), each func(i int, v Value)) {
	n := v.node
	switch {
	case n.kind != sequence && (n.kind != nothing || minimum > 0):
		v.r.Refuse(v.path, wordOf(n), "want "+accepts)
		return
	case len(n.items) < minimum || len(n.items) > maximum:
		v.r.Refuse(v.path, fmt.Sprintf("a list of %d", len(n.items)), "want "+accepts)
		return
	}
	begin(len(n.items))
	for i, item := range n.items {
		of := Value{r: v.r, path: fmt.Sprintf("%s[%d]", v.path, i), node: item}
		v.r.places[of.path] = item.place
		if item.kind == scalar {
			v.r.values[of.path] = item.text
		}
		each(i, of)
	}
}

// Item reads the fields of a list's entry, which must be a mapping. Any other is reported.
func (v Value) Item(read func(*Section)) {
	if v.node.kind != mapping {
		if !v.r.HasError(v.path) {
			v.refuse(wordOf(v.node), "a section: its fields in {} or on lines of their own")
		}
		return
	}
	v.r.section(v.path, v.node, read)
}

// plain returns the text of a plain value. Anything else is reported.
func (v Value) plain(accepts string) (text string, ok bool) {
	if v.node.kind != scalar {
		if !v.r.bad[v.path] {
			v.refuse(v.node.kind.String(), accepts)
		}
		return "", false
	}
	return v.node.text, true
}

// wrong reports the value, with a hint what to write instead if there is one.
func (v Value) wrong(accepts, hint string) {
	value := Show(v.node.text)
	if v.node.quoted {
		value = `"` + strings.Trim(value, `"`) + `"`
	}
	if hint != "" {
		accepts += " (" + hint + ")"
	}
	v.refuse(value, accepts)
}

func (v Value) refuse(value, accepts string) {
	v.r.refuseAt(v.node.place, v.path, value, "want "+accepts)
}

// wordOf returns what the file has, for an error: a plain value as written, anything else by its
// kind.
func wordOf(n *node) string {
	if n.kind == scalar {
		return Show(n.text)
	}
	return n.kind.String()
}
