package strict

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"
)

var (
	plainNumber  = regexp.MustCompile(`^[-+]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][-+]?[0-9]{1,3})?$`)
	hexNumber    = regexp.MustCompile(`^0x[0-9a-fA-F]{1,8}$`)
	numberAndTag = regexp.MustCompile(`^([-+]?[0-9.]+(?:[eE][-+]?[0-9]+)?)\s*([^\s0-9.].*)$`)
	timePart     = regexp.MustCompile(`^([0-9]+(?:\.[0-9]+)?)([a-zµ]+)`)
)

// parseNumber parses a decimal number. It returns false for anything else, infinity and NaN
// included.
func parseNumber(text string) (value float64, ok bool) {
	if !plainNumber.MatchString(text) {
		return 0, false
	}
	value, err := strconv.ParseFloat(text, 64)
	return value, err == nil
}

// maxWhole is the largest whole number that a float64 holds exactly, 2^53.
const maxWhole = 1 << 53

// parseWhole parses a whole number: decimal, or 0x and hexadecimal digits.
func parseWhole(text string) (value int64, ok bool) {
	if hexNumber.MatchString(text) {
		n, err := strconv.ParseInt(text[2:], 16, 64)
		return n, err == nil
	}
	n, ok := parseNumber(text)
	if !ok || n != math.Trunc(n) || math.Abs(n) > maxWhole {
		return 0, false
	}
	return int64(n), true
}

// numberHint returns what to write instead of text where a plain number in this unit is wanted: for
// a number with its unit ("100 Ah", "12400 mV"), a decimal comma, or a number in quotes. It returns
// "" if there is no hint.
func numberHint(text, unit string) string {
	text = strings.TrimSpace(text)
	if _, ok := parseNumber(text); ok {
		return "write " + text + " without quotes"
	}
	if decimal := strings.Replace(text, ",", ".", 1); plainNumber.MatchString(decimal) {
		return "write " + decimal + ", with a point"
	}
	m := numberAndTag.FindStringSubmatch(text)
	if m == nil || unit == "" {
		return ""
	}
	value, ok := parseNumber(m[1])
	if !ok {
		return ""
	}
	if factor, ok := unitFactor(m[2], unit); ok {
		plain := strconv.FormatFloat(value*factor, 'g', 12, 64)
		return "wrong unit: write " + plain + ", a plain number: the field is in " + unit
	}
	return "wrong unit: write a plain number: the field is in " + unit
}

// unitFactor returns how many of unit one tag is: 0.001 for mV in V. It returns false if the two
// are of different kinds.
func unitFactor(tag, unit string) (factor float64, ok bool) {
	spelling := strings.NewReplacer("Ω", "ohm", "Ohm", "ohm", "ohms", "ohm", "Ohms", "ohm", "°", "",
		"volts", "V", "volt", "V", "amps", "A", "amp", "A")
	tag, unit = spelling.Replace(strings.TrimSpace(tag)), spelling.Replace(unit)
	if strings.EqualFold(tag, unit) {
		return 1, true
	}
	for prefix, factor := range map[string]float64{"m": 1e-3, "k": 1e3, "M": 1e6, "u": 1e-6, "µ": 1e-6} {
		if base, found := strings.CutPrefix(tag, prefix); found && strings.EqualFold(base, unit) {
			return factor, true
		}
	}
	return 0, false
}

// timeUnits are the units of a duration.
var timeUnits = map[string]time.Duration{
	"ms": time.Millisecond, "s": time.Second, "m": time.Minute, "h": time.Hour, "d": 24 * time.Hour,
}

// otherTimeUnits are spellings that are refused, with what to write instead.
var otherTimeUnits = map[string]string{
	"sec": "s", "secs": "s", "second": "s", "seconds": "s", "min": "m", "mins": "m", "minute": "m", "minutes": "m",
	"hr": "h", "hrs": "h", "hour": "h", "hours": "h", "day": "d", "days": "d",
	"msec": "ms", "millisecond": "ms", "milliseconds": "ms",
}

// ParseDuration parses one or more numbers with units: 250ms, 1s, 24h, 7d, 1h30m. There is no sign
// and no bare number, zero included. It returns false for anything else, and for more than 100
// years.
func ParseDuration(text string) (d time.Duration, ok bool) {
	if text == "" {
		return 0, false
	}
	for text != "" {
		m := timePart.FindStringSubmatch(text)
		if m == nil {
			return 0, false
		}
		unit, known := timeUnits[m[2]]
		number, err := strconv.ParseFloat(m[1], 64)
		if !known || err != nil {
			return 0, false
		}
		part := math.Round(number * float64(unit))
		const century = 100 * 366 * 24 * time.Hour
		if part > float64(century) {
			return 0, false
		}
		if d += time.Duration(part); d > century {
			return 0, false
		}
		text = text[len(m[0]):]
	}
	return d, true
}

// durationHint returns what to write instead of text where a duration is wanted, or "". like is a
// duration in the usual unit of the field.
func durationHint(text string, like time.Duration) string {
	text = strings.TrimSpace(text)
	if _, ok := parseNumber(text); ok {
		unit := usualUnit(like)
		return "no unit: write " + strings.TrimPrefix(text, "-") + unit + " if it is meant in " + unitWords[unit]
	}
	m := numberAndTag.FindStringSubmatch(text)
	if m == nil {
		return ""
	}
	tag := strings.ToLower(m[2])
	if short, known := otherTimeUnits[tag]; known {
		tag = short
	}
	if _, known := timeUnits[tag]; !known {
		return "wrong unit: want ms, s, m, h or d"
	}
	if _, ok := ParseDuration(m[1] + tag); !ok {
		return ""
	}
	return "write " + m[1] + tag
}

var unitWords = map[string]string{"ms": "milliseconds", "s": "seconds", "m": "minutes", "h": "hours", "d": "days"}

func usualUnit(d time.Duration) string {
	for _, unit := range []string{"d", "h", "m", "s"} {
		if d >= timeUnits[unit] && d%timeUnits[unit] == 0 {
			return unit
		}
	}
	return "ms"
}

// FormatDuration returns d as it is written in a file, in one unit if that is exact: 90s, 7d.
func FormatDuration(d time.Duration) string {
	if d == 0 {
		return "0s"
	}
	unit := usualUnit(d)
	if unit == "ms" && d%time.Millisecond != 0 {
		return d.String()
	}
	return strconv.FormatInt(int64(d/timeUnits[unit]), 10) + unit
}

// FormatNumber returns f as it is written in a file, without an exponent.
func FormatNumber(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }
