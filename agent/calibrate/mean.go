// Package calibrate works out how a channel of the board is to be corrected, from its readings beside
// a meter: what a steady span showed, a line through points, what is left uncertain of it, and why a
// calibration can't be right. It is pure: no clock, no input or output.
//
// Uncertainties are worked out as JCGM 100:2008 (the GUM) says: those of readings from their scatter
// (4.2), those of meters and of the input chip from stated limits as rectangular distributions (4.3.7),
// combined over what they have in common (5.2), and stated as an interval of 95 % by the effective
// degrees of freedom (G.4).
//
// A reading here is nominal: as the channel's scale has it, without any correction. The corrected
// quantity is (reading + offset) · gain.
package calibrate

import (
	"math"
	"time"
)

// blocks is how many parts a span is divided into for the uncertainty of its mean: what wanders from
// second to second shows between them, and does not between neighboring readings.
const blocks = 8

// Sample is one reading.
type Sample struct {
	At    time.Duration
	Value float64
}

// Mean is what a channel showed over a span.
type Mean struct {
	Value  float64 `json:"value"`
	Sigma  float64 `json:"sigma"`  // standard uncertainty of Value, from the scatter of the blocks
	DF     float64 `json:"df"`     // its degrees of freedom
	Spread float64 `json:"spread"` // standard deviation of one reading about that drift
	Drift  float64 `json:"drift"`  // from begin to end, by a straight line
	Count  int     `json:"count"`
	OverS  float64 `json:"over_s"`
}

// Average returns the mean of a span; ok is false for fewer than eight readings, or without a number.
func Average(span []Sample) (m Mean, ok bool) {
	n := len(span)
	if n < blocks {
		return Mean{Count: n}, false
	}
	m.Count, m.OverS = n, (span[n-1].At - span[0].At).Seconds()
	for _, s := range span {
		m.Value += s.Value / float64(n)
	}
	var ss, middle, tt, ty float64
	for _, s := range span {
		middle += s.At.Seconds() / float64(n)
	}
	for _, s := range span {
		t := s.At.Seconds() - middle
		tt, ty = tt+t*t, ty+t*(s.Value-m.Value)
	}
	slope := 0.0
	if tt > 0 {
		slope = ty / tt
	}
	m.Drift = slope * m.OverS
	for _, s := range span {
		ss += sq(s.Value - m.Value - slope*(s.At.Seconds()-middle))
	}
	m.Spread = math.Sqrt(ss / float64(n-2))
	var of [blocks]float64
	var in [blocks]int
	for i, s := range span {
		k := i * blocks / n
		of[k] += s.Value
		in[k]++
	}
	between, mean := 0.0, 0.0
	for k := range of {
		of[k] /= float64(in[k])
		mean += of[k] / blocks
	}
	for k := range of {
		between += sq(of[k] - mean)
	}
	m.DF = blocks - 1
	m.Sigma = math.Sqrt(between / m.DF / blocks)
	return m, !math.IsNaN(m.Value) && !math.IsInf(m.Value, 0)
}

// Class is how well a channel measures, in its unit: limits of its zero and of its gain as a share,
// the scatter of one reading, and the step of the input chip.
type Class struct {
	Zero, Gain, Noise, Step float64
}

// readsOff returns by how much a value of this size may be off within the class.
func (c Class) readsOff(value float64) float64 { return c.Zero + c.Gain*math.Abs(value) }

// Steadiness limits.
const (
	noisy      = 4.0  // ratio: spread over the class's noise, beside rippleShare; our choice
	rippleRate = 0.02 // ratio: of the value, that a motor's current ripples by; our choice
	minDrift   = 3.0  // ratio: drift over what scatter alone makes of it; our choice
)

// Steady returns nil where a mean can stand beside a meter's value, and otherwise what is wanted.
func Steady(m Mean, c Class) *Refusal {
	limit := math.Max(c.readsOff(m.Value), minDrift*m.driftSigma())
	if math.Abs(m.Drift) > limit {
		return &Refusal{ID: Drifts, Value: m.Drift, Want: limit}
	}
	if most := noisy*c.Noise + 2*c.Step + rippleRate*math.Abs(m.Value); m.Spread > most {
		return &Refusal{ID: Scatters, Value: m.Spread, Want: most}
	}
	return nil
}

// sigma returns the standard uncertainty of a mean as the reading beside a meter: the scatter, the
// chip's step, and where in a drift the meter was read.
func (m Mean) sigma(c Class) float64 {
	const surely = 2 // standard deviations that scatter alone explains
	drift := math.Max(math.Abs(m.Drift)-surely*m.driftSigma(), 0)
	return math.Sqrt(sq(m.Sigma) + sq(c.Step)/12 + sq(drift)/12)
}

// driftSigma returns what scatter alone makes of a drift: the slope of a line through n readings that
// are evenly apart has the deviation s·√(12/n) over the span.
func (m Mean) driftSigma() float64 {
	return m.Spread * math.Sqrt(12/float64(max(m.Count, 1)))
}

func sq(x float64) float64 { return x * x }

// student95 returns the factor of a 95 % interval with df degrees of freedom: the quantile 0.975 of
// Student's distribution, by the expansion of Abramowitz and Stegun, 26.7.5.
func student95(df float64) float64 {
	const z = 1.959963984540054
	if math.IsInf(df, 1) || math.IsNaN(df) {
		return z
	}
	df = math.Max(df, 3)
	z3, z5, z7, z9 := z*z*z, math.Pow(z, 5), math.Pow(z, 7), math.Pow(z, 9)
	return z + (z3+z)/4/df + (5*z5+16*z3+3*z)/96/sq(df) + (3*z7+19*z5+17*z3-15*z)/384/math.Pow(df, 3) +
		(79*z9+776*z7+1482*z5-1920*z3-945*z)/92160/math.Pow(df, 4)
}
