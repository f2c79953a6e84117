package plot

import (
	"time"

	"liftbank/cmd/internal/score"
	"liftbank/rules"
)

// Trace keeps the course of a run for plotting: a fixed number of bins over its length, each with
// the minimum and maximum of what came in it. A year costs no more than a day, and no motor run is
// lost between two points.
type Trace struct {
	Bins     []Bin
	Width    time.Duration // of a bin
	IDs      []string      // batteries
	Findings []Spell
	Detected []Spell
}

// Bin is one part of the run.
type Bin struct {
	N                   int // readings in it
	MinV, MaxV          float64
	MinA, MaxA          float64
	SoC, Sigma, TruePct [rules.MaxBatteries]float64 // of the last reading in it
	Known               [rules.MaxBatteries]bool
}

// Spell is a time in which a condition was true, or a finding active.
type Spell struct {
	Name        string
	From, Until time.Duration
}

// NewTrace returns a trace for a run of this length.
func NewTrace(length time.Duration, ids []string) *Trace {
	const bins = 2000 // more than the plot has pixels
	return &Trace{Bins: make([]Bin, bins), Width: max(length/bins, time.Millisecond), IDs: ids}
}

// Add adds one step.
func (t *Trace) Add(out *rules.Output, truth func(battery int) float64) {
	b := &t.Bins[min(int(out.At.Mono/t.Width), len(t.Bins)-1)]
	v, a := out.Bank.VoltageV, out.Bank.CurrentA
	if !v.OK() || !a.OK() {
		return
	}
	if b.N == 0 {
		b.MinV, b.MaxV, b.MinA, b.MaxA = v.Value, v.Value, a.Value, a.Value
	}
	b.N++
	b.MinV, b.MaxV = min(b.MinV, v.Value), max(b.MaxV, v.Value)
	b.MinA, b.MaxA = min(b.MinA, a.Value), max(b.MaxA, a.Value)
	for i := range out.Battery {
		s := out.Battery[i].SoCPct
		b.SoC[i], b.Sigma[i], b.Known[i], b.TruePct[i] = s.Value, s.Sigma, s.Known, truth(i)
	}
}

// Close adds the conditions and findings of the finished run.
func (t *Trace) Close(f *score.Findings) {
	for i := range f.Spans {
		s := &f.Spans[i]
		t.Findings = append(t.Findings, Spell{s.Finding, s.From, s.To})
	}
	for i := range f.Raises {
		r := &f.Raises[i]
		t.Detected = append(t.Detected, Spell{r.Finding, r.From, r.To})
	}
}
