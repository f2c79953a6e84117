// Package figures writes figures as the pages show them.
//
// Of, Signed, Number and Estimate keep all the digits they get: what a person typed is shown as
// typed. least is the number of decimals that are filled up with zeros to make columns even. Short
// and Rounded give a figure the digits that it deserves.
package figures

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"liftbank/agent/snapshot"
)

// Decimals that the snapshot's figures have at most.
const (
	VoltDecimals   = 3
	AmpereDecimals = 2
	MohmDecimals   = 2
)

// Unknown is shown for a figure that is not known.
const Unknown = "—"

// Of returns v, or a dash if it is not known.
func Of(v *float64, least int) string {
	if v == nil {
		return Unknown
	}
	return Number(*v, least)
}

// Signed is Of with a sign, for currents.
func Signed(v *float64, least int) string {
	if v == nil {
		return Unknown
	}
	if *v > 0 {
		return "+" + Number(*v, least)
	}
	return Number(*v, least)
}

// Number writes v.
func Number(v float64, least int) string {
	t := strconv.FormatFloat(v+0, 'f', -1, 64) // -0 A is 0 A
	whole, decimals, _ := strings.Cut(t, ".")
	if missing := least - len(decimals); missing > 0 {
		decimals += strings.Repeat("0", missing)
	}
	if decimals != "" {
		whole += "." + decimals
	}
	return strings.Replace(whole, "-", "−", 1)
}

// Estimated is a figure and its standard uncertainty, separate so that a narrow column can break
// between them.
type Estimated struct{ Value, Sigma string }

// Estimate writes an estimate.
func Estimate(e snapshot.Estimate, least int) Estimated {
	shown := Estimated{Value: Of(e.Value, least)}
	if e.Value != nil && e.Sigma != nil {
		shown.Sigma = "±\u00a0" + Number(*e.Sigma, least)
	}
	return shown
}

// Span returns a duration in its two largest units, without line breaks between a number and its
// unit.
func Span(d time.Duration) string {
	d = max(d, 0)
	switch days, hours, minutes := d/(24*time.Hour), d/time.Hour, d/time.Minute; {
	case days > 0:
		return fmt.Sprintf("%d\u00a0d %d\u00a0h", days, hours%24)
	case hours > 0:
		return fmt.Sprintf("%d\u00a0h %d\u00a0min", hours, minutes%60)
	case d >= 2*time.Minute:
		return fmt.Sprintf("%d\u00a0min", minutes)
	default:
		return fmt.Sprintf("%d\u00a0s", d/time.Second)
	}
}

// Seconds is Span for a number of seconds.
func Seconds(s float64) string { return Span(time.Duration(s * float64(time.Second))) }

// MaybeSeconds is Seconds, or a dash if s is not known.
func MaybeSeconds(s *float64) string {
	if s == nil {
		return Unknown
	}
	return Seconds(*s)
}

// TimeOfDay returns a time of day, with the date unless it is today's.
func TimeOfDay(t, today time.Time) string {
	t, today = t.UTC(), today.UTC()
	switch {
	case t.IsZero():
		return Unknown
	case t.YearDay() == today.YearDay() && t.Year() == today.Year():
		return t.Format("15:04:05 UTC")
	}
	return t.Format("2006-01-02 15:04 UTC")
}

// Contact returns the word for a contact that is on, one for off, or a dash if it is not known.
func Contact(on *bool, yes, no string) string {
	switch {
	case on == nil:
		return Unknown
	case *on:
		return yes
	}
	return no
}

// Short returns a figure rounded to that many decimals. What rounds to zero has no sign.
func Short(v *float64, decimals int, sign bool) string {
	if v == nil {
		return Unknown
	}
	text := strconv.FormatFloat(*v, 'f', decimals, 64)
	switch nothing := strings.Trim(text, "-0.") == ""; {
	case nothing:
		return strings.TrimPrefix(text, "-")
	case sign && *v > 0:
		return "+" + text
	}
	return strings.Replace(text, "-", "−", 1)
}

// Decimals returns how many decimals a figure deserves that is measured or estimated in a unit.
func Decimals(unit string) int {
	switch unit {
	case "V", "mΩ":
		return 2
	case "A", "Ah", "Ah/day", "h", "d":
		return 1
	}
	return 0
}

// Rounded writes an estimate with that many decimals; its uncertainty is at least one of the last.
func Rounded(e snapshot.Estimate, decimals int) Estimated {
	shown := Estimated{Value: Short(e.Value, decimals, false)}
	if e.Value != nil && e.Sigma != nil {
		least := max(*e.Sigma, math.Pow10(-decimals))
		shown.Sigma = "±\u00a0" + Short(&least, decimals, false)
	}
	return shown
}

// Text returns value and uncertainty as one text.
func (e Estimated) Text() string {
	if e.Sigma == "" {
		return e.Value
	}
	return e.Value + "\u00a0" + e.Sigma
}

// Count writes a number of things, with a comma for thousands.
func Count(n uint64) string {
	s := strconv.FormatUint(n, 10)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// Rough returns a duration in its largest unit, for what lasts long: "6 weeks" is not 42 d 3 h.
func Rough(d time.Duration) string {
	d = max(d, 0)
	switch days := d / (24 * time.Hour); {
	case days >= 3:
		return fmt.Sprintf("%d\u00a0d", days)
	case d >= 3*time.Hour:
		return fmt.Sprintf("%d\u00a0h", d/time.Hour)
	}
	return Span(d)
}

// Time returns a duration with its uncertainty.
func Time(e snapshot.Estimate) string {
	if e.Value == nil {
		return Unknown
	}
	shown := Seconds(*e.Value)
	if e.Sigma != nil {
		shown += " ±\u00a0" + Seconds(*e.Sigma)
	}
	return shown
}
