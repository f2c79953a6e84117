package draw

import (
	"math"
	"strconv"
	"strings"

	"liftbank/agent/history"
)

// scale turns values into places. Its ends are whole steps.
type scale struct{ low, high, step float64 }

func (s scale) y(v float64) float64 {
	return plotHeight * (s.high - v) / (s.high - s.low)
}

// valueSteps is how many steps a scale has, about.
const valueSteps = 4

// scaleOf returns a scale on which all lines lie.
func scaleOf(lines []*history.Series, q quantity, convert func(float64) float64) (scale, bool) {
	low, high := math.Inf(1), math.Inf(-1)
	for _, l := range lines {
		for _, of := range [][]*float64{l.Min, l.Mean, l.Max} {
			for i := range of {
				if v := finite(of, i); v != nil {
					low, high = min(low, convert(*v)), max(high, convert(*v))
				}
			}
		}
	}
	if low > high || math.IsInf(high-low, 0) {
		return scale{}, false
	}
	if q.Limit != nil {
		low, high = min(low, convert(*q.Limit)), max(high, convert(*q.Limit))
	}
	if q.Zero {
		low, high = min(low, 0), max(high, 0)
	}
	if short := q.Least - (high - low); short > 0 {
		most := max(q.Most, high) // whatever was kept is drawn
		switch {
		case q.Zero && low == 0: // nothing is drawn beyond it
			high = q.Least
		case q.Zero && high == 0:
			low = -q.Least
		default:
			low, high = low-short/2, high+short/2
		}
		if over := high - most; q.Most > 0 && over > 0 {
			low, high = low-over, most
		}
	}
	s := scale{step: niceStep((high - low) / valueSteps)}
	s.low, s.high = math.Floor(low/s.step+1e-9)*s.step, math.Ceil(high/s.step-1e-9)*s.step
	if !(s.high > s.low) || math.IsInf(s.low, 0) || math.IsInf(s.high, 0) {
		return scale{}, false
	}
	return s, true
}

// rule draws a line at each step but the ends, and returns how the steps are called, the top one first.
func (s scale) rule(d *svgBuilder) (names []string) {
	decimals := max(0, int(math.Ceil(-math.Log10(s.step)-1e-9)))
	n := int(math.Round((s.high - s.low) / s.step))
	for i := n; i >= 0; i-- {
		v := s.low + float64(i)*s.step
		names = append(names, withMinus(v, decimals))
		if i > 0 && i < n {
			d.put(`<path class="ruled" d="M0 %.1fH%d"/>`, s.y(v), plotWidth)
		}
	}
	return names
}

func withMinus(v float64, decimals int) string {
	text := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(text, "-0.") == "" {
		return strings.TrimPrefix(text, "-") // rounded to nothing
	}
	return strings.Replace(text, "-", "−", 1)
}

// niceStep returns 1, 2 or 5 times a power of ten, at least x.
func niceStep(x float64) float64 {
	if !(x > 0) || math.IsInf(x, 0) {
		return 1
	}
	p := math.Pow(10, math.Floor(math.Log10(x)))
	for _, m := range []float64{1, 2, 5} {
		if m*p >= x*(1-1e-9) {
			return m * p
		}
	}
	return 10 * p
}
