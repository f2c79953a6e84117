package fit

import (
	"math"
	"strconv"
	"strings"
)

// read returns a typed figure and half of its last digit. It takes a comma for the point and the unit
// behind the figure.
func (a *Ask) read(text string) (value, half float64, err error) {
	want := a.want()
	t := strings.TrimSpace(text)
	if len(t) > 24 {
		return 0, 0, refuse("%.24q...: %s", t, want)
	}
	if a.Unit != "" && len(t) >= len(a.Unit) && strings.EqualFold(t[len(t)-len(a.Unit):], a.Unit) {
		t = strings.TrimSpace(t[:len(t)-len(a.Unit)])
	}
	t = strings.Replace(strings.Replace(t, ",", ".", 1), "−", "-", 1)
	if t == "" || strings.Trim(t, "+-.0123456789") != "" {
		return 0, 0, refuse("%q: %s", text, want)
	}
	value, err = strconv.ParseFloat(t, 64)
	if err != nil || math.IsInf(value, 0) {
		return 0, 0, refuse("%q: %s", text, want)
	}
	if value < a.Min || value > a.Max {
		return 0, 0, refuse("%q: %s", text, want)
	}
	half = 0.5
	if _, decimals, ok := strings.Cut(t, "."); ok {
		half *= math.Pow(10, -float64(len(decimals)))
	}
	return value, half, nil
}

func (a *Ask) want() Phrase {
	if a.Unit == "" {
		return phrase("want a figure from %s to %s", figure(a.Min), figure(a.Max))
	}
	return phrase("want a figure from %s to %s %s", figure(a.Min), figure(a.Max), a.Unit)
}

// figure writes a number without needless digits.
func figure(x float64) string { return strconv.FormatFloat(x, 'g', 6, 64) }

func abs(x float64) float64 { return math.Abs(x) }

// Check returns why a typed text can't be taken; nil if it can.
func (a *Ask) Check(text string) error {
	if strings.TrimSpace(text) == "" && (a.Optional || a.Default != nil) {
		return nil
	}
	_, _, err := a.read(text)
	return err
}
