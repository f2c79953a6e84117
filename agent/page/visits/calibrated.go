package visits

import (
	"math"
	"strings"

	"liftbank/agent/calibrate"
	"liftbank/agent/page/figures"
	"liftbank/agent/page/words"
)

// Calibrated returns a calibration in a line: the channel, each point before and after, the correction,
// the meter, and the spread of several points.
func Calibrated(to *words.Reader, r *calibrate.Record) string {
	name := ChannelName(to, r.Channel)
	if r.Kind == calibrate.TakenOff {
		return words.Fill(to.W["CalibratedBack"], "channel", name, "after", CorrectionText(to, r.After, r.Unit), "by", r.By)
	}
	var points []string
	for _, p := range r.Points {
		key := "CalibratedPoint"
		if p.Zero {
			key = "CalibratedZero"
		}
		points = append(points, words.Fill(to.W[key], "meter", Reading(to, p.Meter, r.Unit), "before", Reading(to, p.Before, r.Unit),
			"after", Reading(to, p.After, r.Unit), "u", Width(to, p.U, r.Unit)))
	}
	text := name + ": " + strings.Join(points, "; ") + ". " + words.Fill(to.W["CalibratedFrom"], "before",
		CorrectionText(to, r.Before, r.Unit), "after", CorrectionText(to, r.After, r.Unit), "by", r.By)
	if r.Meter != nil {
		text += " " + words.Fill(to.W["CalibratedMeter"], "meter", MeterText(to, *r.Meter, r.Unit))
	}
	if r.Spread > 0 {
		text += " " + words.Fill(to.W["CalibratedSpread"], "spread", Width(to, r.Spread, r.Unit))
	}
	return text
}

// decimals are those that a calibration's figures have, one more than elsewhere.
func decimals(v float64, unit string) int {
	const large = 20 // A: what a hundredth is to a small current, a tenth is to a large one
	if unit == "A" && math.Abs(v) >= large {
		return 1
	}
	return map[string]int{"V": 3, "A": 2, "°C": 1}[unit]
}

// Reading writes a value of a channel, with its sign if it is a current.
func Reading(to *words.Reader, v float64, unit string) string {
	shown := unit
	if unit == "°C" {
		v, shown = *to.Temp(&v), to.TempUnit()
	}
	v = math.Round(v*1e6)/1e6 + 0
	return figures.Short(&v, decimals(v, unit), unit == "A") + "\u00a0" + shown
}

// Width writes an uncertainty, a spread or a difference without its sign.
func Width(to *words.Reader, v float64, unit string) string {
	v = math.Abs(v)
	shown := unit
	if unit == "°C" {
		if shown = to.TempUnit(); to.Fahrenheit {
			v *= 9.0 / 5
		}
	}
	return figures.Short(&v, decimals(v, unit), false) + "\u00a0" + shown
}

// CorrectionText writes a correction: what is added, and the factor. An offset of a temperature is a
// difference.
func CorrectionText(to *words.Reader, c calibrate.Correction, unit string) string {
	offset, shown := c.Offset, unit
	if unit == "°C" {
		if shown = to.TempUnit(); to.Fahrenheit {
			offset *= 9.0 / 5
		}
	}
	return figures.Short(&offset, decimals(offset, unit), true) + "\u00a0" + shown + ", ×\u00a0" + figures.Short(&c.Gain, 4, false)
}

// MeterText names a meter with its accuracy.
func MeterText(to *words.Reader, m calibrate.Meter, unit string) string {
	var parts []string
	if m.Share > 0 {
		pct := 100 * m.Share
		parts = append(parts, figures.Number(math.Round(pct*1e4)/1e4, 0)+"\u00a0%")
	}
	if m.Fixed > 0 {
		fixed, shown := m.Fixed, unit
		if unit == "°C" && to.Fahrenheit {
			fixed, shown = fixed*9/5, to.TempUnit()
		}
		parts = append(parts, figures.Number(math.Round(fixed*1e4)/1e4, 0)+"\u00a0"+shown)
	}
	return to.Label("Meter", m.ID) + ", ±\u00a0(" + strings.Join(parts, " + ") + ")"
}
