// Package view has what the templates of several pages see.
package view

import (
	"strings"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/words"
)

// Choice is one item to choose.
type Choice struct {
	Value, Text string
	Chosen      bool
}

// Measured returns a figure with its unit; a temperature is in the reader's.
func Measured(to *words.Reader, v *float64, unit string) string {
	if v == nil {
		return figures.Unknown
	}
	if unit == "°C" {
		v, unit = to.Temp(v), to.TempUnit()
	}
	return strings.TrimSpace(figures.Number(*v, 0) + " " + unit)
}
