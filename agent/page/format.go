package page

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"liftbank/agent/snapshot"
)

// Figures are shown with all the digits of the snapshot, which has rounded them, so that the page
// says what the other outlets say; least is only the number of decimals that are filled up with
// zeros to make columns even.

// Decimals that the snapshot's figures have at most; others are said where they are used.
const (
	voltDecimals   = 3
	ampereDecimals = 2
	mohmDecimals   = 2
)

// unknown is shown for a figure that is not known.
const unknown = "—"

// figure returns v, or a dash if it is not known.
func figure(v *float64, least int) string {
	if v == nil {
		return unknown
	}
	return number(*v, least)
}

// signed is figure with a sign, for currents.
func signed(v *float64, least int) string {
	if v == nil {
		return unknown
	}
	if *v > 0 {
		return "+" + number(*v, least)
	}
	return number(*v, least)
}

func number(v float64, least int) string {
	t := strconv.FormatFloat(v, 'f', -1, 64)
	whole, decimals, _ := strings.Cut(t, ".")
	if missing := least - len(decimals); missing > 0 {
		decimals += strings.Repeat("0", missing)
	}
	if decimals != "" {
		whole += "." + decimals
	}
	return strings.Replace(whole, "-", "−", 1)
}

// estimated is a figure and its standard uncertainty, separate so that a narrow column can break
// between them.
type estimated struct{ Value, Sigma string }

func estimate(e snapshot.Estimate, least int) estimated {
	shown := estimated{Value: figure(e.Value, least)}
	if e.Value != nil && e.Sigma != nil {
		shown.Sigma = "±\u00a0" + number(*e.Sigma, least)
	}
	return shown
}

// span returns a duration in its two largest units, without line breaks between a number and its
// unit.
func span(d time.Duration) string {
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

func seconds(s float64) string { return span(time.Duration(s * float64(time.Second))) }

func maybeSeconds(s *float64) string {
	if s == nil {
		return unknown
	}
	return seconds(*s)
}

// timeOfDay returns a time of day, with the date unless it is today's.
func timeOfDay(t, today time.Time) string {
	t, today = t.UTC(), today.UTC()
	switch {
	case t.IsZero():
		return unknown
	case t.YearDay() == today.YearDay() && t.Year() == today.Year():
		return t.Format("15:04:05 UTC")
	}
	return t.Format("2006-01-02 15:04 UTC")
}

func contact(on *bool, yes, no string) string {
	switch {
	case on == nil:
		return unknown
	case *on:
		return yes
	}
	return no
}
