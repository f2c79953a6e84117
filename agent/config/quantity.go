package config

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

// parseNumber reads a decimal number. ok is false for anything else, infinities and NaN included.
func parseNumber(text string) (value float64, ok bool) {
	if !plainNumber.MatchString(text) {
		return 0, false
	}
	value, err := strconv.ParseFloat(text, 64)
	return value, err == nil
}

// parseWhole reads a whole number, decimal or 0x and hexadecimal digits.
func parseWhole(text string) (value int, ok bool) {
	if hexNumber.MatchString(text) {
		n, err := strconv.ParseInt(text[2:], 16, 64)
		return int(n), err == nil && n <= math.MaxInt32
	}
	n, ok := parseNumber(text)
	if !ok || n != math.Trunc(n) || math.Abs(n) > math.MaxInt32 {
		return 0, false
	}
	return int(n), true
}

// numberHint says what to write instead of text where a plain number in the given unit is wanted: a number with its unit
// ("100 Ah", "12400 mV"), a decimal comma, or a number in quotes. It is empty where that can't be told.
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
		return "wrong unit: write " + strconv.FormatFloat(value*factor, 'g', 12, 64) + ", a plain number: the field is in " + unit
	}
	return "wrong unit: write a plain number: the field is in " + unit
}

// unitFactor gives how many of unit one tag is: 0.001 for mV in V. ok is false where tag is not of unit's kind.
func unitFactor(tag, unit string) (factor float64, ok bool) {
	spelling := strings.NewReplacer("Ω", "ohm", "Ohm", "ohm", "ohms", "ohm", "Ohms", "ohm", "°", "", "volts", "V", "volt", "V", "amps", "A", "amp", "A")
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

// timeUnits are those a duration may be written in.
var timeUnits = map[string]time.Duration{
	"ms": time.Millisecond, "s": time.Second, "m": time.Minute, "h": time.Hour, "d": 24 * time.Hour,
}

// otherTimeUnits are spellings that are refused with the one to write.
var otherTimeUnits = map[string]string{
	"sec": "s", "secs": "s", "second": "s", "seconds": "s", "min": "m", "mins": "m", "minute": "m", "minutes": "m",
	"hr": "h", "hrs": "h", "hour": "h", "hours": "h", "day": "d", "days": "d", "msec": "ms", "millisecond": "ms", "milliseconds": "ms",
}

// parseDuration reads a time of one or more numbers with units: 250ms, 1s, 24h, 7d, 1h30m. There is no sign and no bare
// number, zero included. ok is false for anything else, and for more than a hundred years.
func parseDuration(text string) (d time.Duration, ok bool) {
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

// durationHint says what to write instead of text where a duration is wanted; empty where that can't be told. like is
// a duration in the unit that is usual for the field.
func durationHint(text string, like time.Duration) string {
	text = strings.TrimSpace(text)
	if _, ok := parseNumber(text); ok {
		return "no unit: write " + strings.TrimPrefix(text, "-") + usualUnit(like) + " if it is meant in " + unitWords[usualUnit(like)]
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
	if _, ok := parseDuration(m[1] + tag); !ok {
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

// formatDuration writes d the way parseDuration reads it, in one unit where it comes out whole.
func formatDuration(d time.Duration) string {
	if d == 0 {
		return "0s"
	}
	unit := usualUnit(d)
	if unit == "ms" && d%time.Millisecond != 0 {
		return d.String()
	}
	return strconv.FormatInt(int64(d/timeUnits[unit]), 10) + unit
}

// formatNumber writes f without exponent, as it is written in a file.
func formatNumber(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }
