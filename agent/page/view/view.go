// Package view has what the templates of several pages see.
package view

import (
	"fmt"
	"html/template"
	"math"
	"strings"
	"time"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/words"
)

// Choice is one item to choose.
type Choice struct {
	Value, Text string
	Chosen      bool
}

// Measured returns a figure with its unit and all its digits; a temperature is in the reader's.
func Measured(to *words.Reader, v *float64, unit string) string {
	if v == nil {
		return figures.Unknown
	}
	if unit == "°C" {
		v, unit = to.Temp(v), to.TempUnit()
	}
	return strings.TrimSpace(figures.Number(*v, 0) + " " + unit)
}

// Figure returns a figure with its unit and the digits that it deserves.
func Figure(to *words.Reader, v float64, unit string) string {
	shown := to.Label("Unit", unit)
	if unit == "°C" {
		v, shown = *to.Temp(&v), to.TempUnit()
	}
	if shown == "" {
		return number(v, unit)
	}
	return number(v, unit) + "\u00a0" + shown
}

// number writes a figure of a unit. A count has all its digits.
func number(v float64, unit string) string {
	if unit == "" {
		return figures.Number(math.Round(v*100)/100, 0)
	}
	return figures.Short(&v, decimalsOf(v, unit), false)
}

// decimalsOf are fewer where a figure is large, and more where a current is small: 591 A, but 0.4 A, and a leak of
// 0.03 A, which is not none.
func decimalsOf(v float64, unit string) int {
	if unit == "A" && v != 0 && math.Abs(v) < 0.095 {
		return 2
	}
	if (unit == "A" || unit == "Ah" || unit == "mΩ") && math.Abs(v) >= 99.95 {
		return 0
	}
	return figures.Decimals(unit)
}

// Time returns a time of day for a page. It is in UTC; a script turns it into the reader's own zone,
// by what is in datetime. The title keeps UTC.
func Time(to *words.Reader, t, now time.Time) template.HTML {
	t, now = t.UTC(), now.UTC()
	if t.IsZero() {
		return figures.Unknown
	}
	date := fmt.Sprintf("%d %s", t.Day(), to.Label("Month", fmt.Sprint(int(t.Month()))))
	text := t.Format("15:04") + " UTC"
	switch days := now.Sub(t).Abs(); {
	case t.Year() != now.Year() && days > 300*24*time.Hour:
		text = fmt.Sprintf("%s %d", date, t.Year())
	case days > 7*24*time.Hour:
		text = date
	case t.YearDay() != now.YearDay():
		text = date + ", " + text
	}
	return template.HTML(fmt.Sprintf(`<time datetime="%s" title="%s UTC">%s</time>`, t.Format(time.RFC3339),
		t.Format("2006-01-02 15:04:05"), template.HTMLEscapeString(text)))
}
