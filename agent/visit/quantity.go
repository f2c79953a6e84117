package visit

import (
	"math"
	"regexp"
	"strconv"
	"strings"
)

// ParseNumber reads a number as people type it: with a point or a comma before the decimals, with
// any of the usual minus signs.
func ParseNumber(text string) (float64, bool) {
	text = strings.ReplaceAll(plainMinus(strings.TrimSpace(text)), ",", ".")
	if text == "" || len(text) > 20 || strings.Trim(text, "+-.0123456789") != "" {
		return 0, false
	}
	v, err := strconv.ParseFloat(text, 64)
	return v, err == nil
}

// plainMinus turns a minus, hyphen or dash before a number into ASCII.
func plainMinus(text string) string {
	for _, sign := range []string{"-", "−", "–", "‐", "‑", "－"} {
		if rest, is := strings.CutPrefix(text, sign); is {
			return "-" + strings.TrimSpace(rest)
		}
	}
	return text
}

// quantityForm is a number with or without a unit: 12,70 or 12.70 V or −1 250 A.
var quantityForm = regexp.MustCompile(`^([+-]?[0-9.,\s'’]*[0-9.,])\s*(\D*)$`)

// grouped is a whole number whose thousands are set apart.
var grouped = regexp.MustCompile(`^[+-]?[0-9]{1,3}(?:[\s'’][0-9]{3})+(?:[.,][0-9]+)?$`)

// byThousands is a number that may have one comma between thousands, or before its decimals.
var byThousands = regexp.MustCompile(`^[+-]?[1-9][0-9]{0,2},[0-9]{3}$`)

// ParseQuantity reads a number with or without a unit as people type it, and returns it in unit.
func ParseQuantity(text, unit string) (float64, Problem) {
	f := Field{Kind: Number, Unit: unit, Min: -anyReading, Max: anyReading}
	return f.quantity(text)
}

// quantity reads what was typed into a field of numbers. What has two meanings is taken only if one
// of them alone is within the field's span.
func (f *Field) quantity(text string) (float64, Problem) {
	text = plainMinus(strings.TrimSpace(strings.NewReplacer("\u00a0", " ", "\u2009", " ", "\u202f", " ").Replace(text)))
	m := quantityForm.FindStringSubmatch(text)
	if m == nil || len(text) > 40 {
		return 0, NotNumber
	}
	number := strings.TrimSpace(m[1])
	if grouped.MatchString(number) {
		number = strings.NewReplacer(" ", "", "\t", "", "'", "", "’", "").Replace(number)
	}
	v, ok := ParseNumber(number)
	if !ok {
		return 0, NotNumber
	}
	v, ok = convert(v, m[2], f.Unit)
	switch {
	case !ok && f.Unit == "":
		return 0, NotNumber
	case !ok:
		return 0, WrongUnit
	}
	if byThousands.MatchString(number) {
		large, _ := convert(1000*mustNumber(number), m[2], f.Unit)
		switch {
		case f.takes(v) && f.takes(large):
			return 0, Ambiguous
		case f.takes(large):
			v = large
		}
	}
	if !f.takes(v) {
		return 0, OutOfSpan
	}
	return math.Round(v*1e9)/1e9 + 0, "" // no more digits than its text can hold, and no −0
}

func mustNumber(text string) float64 {
	v, _ := ParseNumber(text)
	return v
}

func (f *Field) takes(v float64) bool { return v >= f.Min && v <= f.Max }

// scale is a unit: what it measures, and how many of the first unit of that kind it is.
type scale struct {
	kind   string
	factor float64
}

// scales are units by the ways that people write them, in lower case. Conversions: NIST SP 811,
// appendix B (psi, bar, inch).
var scales = map[string]scale{
	"v": {"V", 1}, "volt": {"V", 1}, "volts": {"V", 1}, "voltios": {"V", 1}, "vdc": {"V", 1}, "mv": {"V", 1e-3},
	"a": {"A", 1}, "amp": {"A", 1}, "amps": {"A", 1}, "amperes": {"A", 1}, "amperios": {"A", 1}, "ma": {"A", 1e-3},
	"ka": {"A", 1e3},
	"ω":  {"ohm", 1}, "ohm": {"ohm", 1}, "ohms": {"ohm", 1}, "mω": {"ohm", 1e-3}, "mohm": {"ohm", 1e-3},
	"mohms": {"ohm", 1e-3}, "µω": {"ohm", 1e-6}, "μω": {"ohm", 1e-6},
	"s": {"s", 1}, "sec": {"s", 1}, "secs": {"s", 1}, "second": {"s", 1}, "seconds": {"s", 1}, "seg": {"s", 1},
	"segundos": {"s", 1}, "min": {"s", 60}, "h": {"s", 3600},
	"mm": {"mm", 1}, "cm": {"mm", 10}, "m": {"mm", 1000}, "in": {"mm", 25.4}, "inch": {"mm", 25.4},
	"inches": {"mm", 25.4}, `"`: {"mm", 25.4}, "”": {"mm", 25.4}, "pulg": {"mm", 25.4},
	"kpa": {"kPa", 1}, "mpa": {"kPa", 1e3}, "bar": {"kPa", 100}, "bars": {"kPa", 100}, "psi": {"kPa", 6.894757},
	"%": {"%", 1}, "pct": {"%", 1},
}

// convert turns a value of the unit typed into another unit. No unit typed is the right one.
func convert(v float64, typed, unit string) (float64, bool) {
	typed = strings.TrimSuffix(strings.ToLower(strings.TrimSpace(typed)), ".")
	want := strings.ToLower(unit)
	if typed == "" || typed == want {
		return v, true
	}
	if unit == "°C" {
		switch typed {
		case "c", "° c", "ºc":
			return v, true
		case "f", "°f", "° f", "ºf":
			return ToCelsius(v), true
		}
		return 0, false
	}
	from, ok := scales[typed]
	to, known := scales[want]
	if !ok || !known || from.kind != to.kind {
		return 0, false
	}
	if from == to {
		return v, true
	}
	v, _ = strconv.ParseFloat(strconv.FormatFloat(v*from.factor/to.factor, 'g', 6, 64), 64)
	return v, true
}

// ToCelsius converts a thermometer's reading, to a hundredth of a degree.
func ToCelsius(f float64) float64 { return math.Round((f-32)*5/9*100) / 100 }

// ToFahrenheit converts back, to a tenth.
func ToFahrenheit(c float64) float64 { return math.Round((c*9/5+32)*10) / 10 }
