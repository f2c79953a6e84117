// Package history has the shapes in which a unit's past is asked for and given: what the store
// answers and the page draws.
package history

import (
	"context"
	"time"
)

// Source reads a unit's history.
type Source interface {
	// Window returns the span [From, To), thinned to at most Points points a series. A span with
	// nothing kept is empty, not an error.
	Window(ctx context.Context, q Query) (Window, error)
	// FirstSecond returns the first second of the motor run that began closest to a time, within
	// half a second. If none is stored, it has no series, and that is no error.
	FirstSecond(ctx context.Context, at time.Time) (Trace, error)
}

// Query asks for a span of the past.
type Query struct {
	From, To time.Time // UTC
	Points   int       // most points of a series, 1 to 4000
}

// Window is a span of the past on one time axis. A bin in which nothing was kept has null in every
// series.
type Window struct {
	From     time.Time `json:"from"`
	To       time.Time `json:"to"`
	StepS    float64   `json:"step_s"` // width of a bin
	TimesS   []int64   `json:"times_s"`
	Series   []Series  `json:"series"`
	Runs     []Run     `json:"runs"`      // at most Points, the longest kept when there are more
	RunCount int       `json:"run_count"` // all in the span
	Findings []Span    `json:"findings"`
}

// Series is one measured or calculated figure over the bins.
type Series struct {
	// as in the snapshot: voltage_v, current_a, soc_pct, temperature_c, ...
	Figure  string     `json:"figure"`
	Battery string     `json:"battery,omitempty"` // empty for the bank, the feed, the motor
	Min     []*float64 `json:"min"`
	Mean    []*float64 `json:"mean"`
	Max     []*float64 `json:"max"`
}

// Run is one motor run.
type Run struct {
	At        time.Time `json:"at"`
	DurationS float64   `json:"duration_s"`
	MeanA     float64   `json:"mean_a"`
	PeakA     float64   `json:"peak_a"`
}

// Span is a finding from its onset to its end.
type Span struct {
	Name     string     `json:"name"`
	Subject  string     `json:"subject,omitempty"`
	Severity string     `json:"severity"`
	From     time.Time  `json:"from"`
	To       *time.Time `json:"to"` // null while it stands
}

// Trace is a motor run's first second at the full rate of the sensors, with what was read shortly
// before.
type Trace struct {
	Start  time.Time     `json:"start"`   // of the run
	TimesS []float64     `json:"times_s"` // after the start; negative: before
	Series []TraceSeries `json:"series"`
}

// TraceSeries is one measured figure of a trace; null where it could not be read.
type TraceSeries struct {
	Figure  string     `json:"figure"`            // voltage_v, current_a or motor_voltage_v
	Battery string     `json:"battery,omitempty"` // empty for the motor
	Values  []*float64 `json:"values"`
}
