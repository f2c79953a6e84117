// Package readings turns what is measured each second into what is stored and sent: aggregates over
// a minute (minimum, mean, maximum), their compact form on disk, and batches of them for the wire,
// thinned by a swinging door within stated error bounds.
//
// It is pure: time is handed in, nothing is read or written.
package readings

import (
	"math"
	"time"
)

// Step is the width of an aggregate.
const Step = time.Minute

// Figures that are kept, named as in the snapshot.
const (
	VoltageV     = "voltage_v"
	CurrentA     = "current_a"
	TemperatureC = "temperature_c"
	SoCPct       = "soc_pct"
	FeedV        = "feed_voltage_v"
	MotorV       = "motor_voltage_v"
	SoCSigmaPct  = "soc_sigma_pct" // one standard deviation of a battery's charge; kept here, not sent
)

// decimals that a figure is stored with: a tenth of what the sensors can resolve, or finer.
var decimals = map[string]int{
	VoltageV: 3, CurrentA: 2, TemperatureC: 1, SoCPct: 1, FeedV: 3, MotorV: 3, SoCSigmaPct: 1,
}

// Series names one figure; Battery is empty for those of the bank, the feed and the motor.
type Series struct {
	Figure  string `json:"figure"`
	Battery string `json:"battery,omitempty"`
}

// Layout is the order of the figures in an aggregate.
type Layout []Series

// LayoutOf returns the figures of a unit: the bank's, the feed's, the motor's, then each battery's.
func LayoutOf(batteries []string) Layout {
	l := Layout{{Figure: VoltageV}, {Figure: CurrentA}, {Figure: SoCPct}, {Figure: FeedV}, {Figure: MotorV}}
	for _, id := range batteries {
		for _, f := range []string{VoltageV, CurrentA, TemperatureC, SoCPct, SoCSigmaPct} {
			l = append(l, Series{f, id})
		}
	}
	return l
}

// TraceFigures returns the order of the values in a [Sample] of a unit with this layout.
func (l Layout) TraceFigures() (figures []Series) {
	for _, s := range l {
		if s.Figure == VoltageV && s.Battery != "" {
			figures = append(figures, s, Series{CurrentA, s.Battery})
		}
	}
	return append(figures, Series{Figure: MotorV})
}

// valid reports whether every figure is one that can be stored.
func (l Layout) valid() bool {
	for _, s := range l {
		if _, known := decimals[s.Figure]; !known {
			return false
		}
	}
	return len(l) > 0 && len(l) <= maxSeries
}

const maxSeries = 64

// scale returns steps per unit of series i.
func (l Layout) scale(i int) float64 { return math.Pow10(decimals[l[i].Figure]) }

// Value is a figure at one instant; it is unknown unless OK.
type Value struct {
	X  float64
	OK bool
}

// Stat is one figure over a span. The numbers are whole steps of the figure's last decimal.
type Stat struct {
	Min, Mean, Max int32
	Known          bool
}

// Row is one aggregate: all figures over the span that begins at Start, an instant of the monotonic
// timeline.
type Row struct {
	Start time.Duration
	Stats []Stat
}

// maxHold is how long a value counts for what was not read: the slowest scan is once a minute.
const maxHold = 90 * time.Second

// Aggregator makes rows of single values. The mean is weighted by time, so that fast scans during a
// motor run don't weigh more. It belongs to one goroutine.
type Aggregator struct {
	layout Layout
	scale  []float64
	sums   []sum
	begun  bool
	start  time.Duration
	last   time.Duration
}

type sum struct {
	weighed, weight, min, max float64
}

// NewAggregator returns an aggregator that has seen nothing.
func NewAggregator(l Layout) *Aggregator {
	a := &Aggregator{layout: l, sums: make([]sum, len(l))}
	for i := range l {
		a.scale = append(a.scale, l.scale(i))
	}
	return a
}

// Add adds the values at the instant at, in the layout's order. If a minute has ended before it,
// Add returns that minute's row with done; the row is the caller's.
func (a *Aggregator) Add(at time.Duration, values []Value) (row Row, done bool) {
	if a.begun && at < a.last {
		return Row{}, false // the timeline never goes back
	}
	minute := at.Truncate(Step)
	if a.begun && minute != a.start {
		row, done = a.Take()
	}
	weight := (time.Second).Seconds()
	if a.begun {
		weight = min(at-a.last, maxHold).Seconds()
	}
	a.begun, a.start, a.last = true, minute, at
	weight = max(weight, 1e-6)
	for i, v := range values {
		if !v.OK || math.IsNaN(v.X) || math.IsInf(v.X, 0) {
			continue
		}
		s := &a.sums[i]
		if s.weight == 0 || v.X < s.min {
			s.min = v.X
		}
		if s.weight == 0 || v.X > s.max {
			s.max = v.X
		}
		s.weighed += v.X * weight
		s.weight += weight
	}
	return row, done
}

// Take ends the minute under way and returns its row; done is false when there is nothing in it.
func (a *Aggregator) Take() (row Row, done bool) {
	row = Row{Start: a.start, Stats: make([]Stat, len(a.sums))}
	for i := range a.sums {
		s := &a.sums[i]
		if s.weight > 0 {
			done = true
			mean := min(max(s.weighed/s.weight, s.min), s.max)
			row.Stats[i] = Stat{Min: a.steps(i, s.min), Mean: a.steps(i, mean), Max: a.steps(i, s.max), Known: true}
		}
		*s = sum{}
	}
	return row, done
}

// steps rounds x to whole steps, within the range of 32 bits.
func (a *Aggregator) steps(i int, x float64) int32 {
	return int32(min(max(math.Round(x*a.scale[i]), math.MinInt32), math.MaxInt32))
}

// Merge joins rows of one layout into one that begins at start.
func Merge(start time.Duration, rows []Row) Row {
	out := Row{Start: start}
	for _, r := range rows {
		if out.Stats == nil {
			out.Stats = make([]Stat, len(r.Stats))
		}
	}
	for i := range out.Stats {
		var total, n int64
		s := &out.Stats[i]
		for _, r := range rows {
			if i >= len(r.Stats) || !r.Stats[i].Known {
				continue
			}
			v := r.Stats[i]
			if !s.Known {
				*s = v
			}
			s.Min, s.Max = min(s.Min, v.Min), max(s.Max, v.Max)
			total += int64(v.Mean)
			n++
		}
		if n > 0 {
			s.Mean = int32(math.Round(float64(total) / float64(n)))
		}
	}
	return out
}

// Real returns steps of series i as a number in the figure's unit.
func (l Layout) Real(i int, steps int32) float64 { return float64(steps) / l.scale(i) }
