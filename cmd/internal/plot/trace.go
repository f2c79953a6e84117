package plot

import (
	"math"
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

	grows bool          // its length is not known: bins get wider
	from  time.Duration // of the first step
	begun bool
}

// Bin is one part of the run.
type Bin struct {
	N                   int // readings in it
	MinV, MaxV          float64
	MinA, MaxA          float64
	SoC, Sigma, TruePct [rules.MaxBatteries]float64 // of the last reading in it; NaN: not known
	Known               [rules.MaxBatteries]bool
}

// Spell is a time in which a condition was true, or a finding active.
type Spell struct {
	Name        string
	From, Until time.Duration
}

// bins is more than the plot has pixels.
const bins = 2000

// NewTrace returns a trace for a run of this length.
func NewTrace(length time.Duration, ids []string) *Trace {
	return &Trace{Bins: make([]Bin, bins), Width: max(length/bins, time.Millisecond), IDs: ids}
}

// NewOpenTrace returns a trace for a run whose length is not known. It begins with the first step.
func NewOpenTrace(ids []string) *Trace {
	return &Trace{Bins: make([]Bin, 0, bins), Width: time.Second, IDs: ids, grows: true}
}

// Since returns the time since the trace began.
func (t *Trace) Since(at time.Duration) time.Duration { return at - t.from }

// bin returns the bin of a time.
func (t *Trace) bin(at time.Duration) *Bin {
	if !t.grows {
		return &t.Bins[min(int(at/t.Width), len(t.Bins)-1)]
	}
	if !t.begun {
		t.begun, t.from = true, at
	}
	for (at-t.from)/t.Width >= bins {
		t.widen()
	}
	i := int((at - t.from) / t.Width)
	for len(t.Bins) <= i {
		t.Bins = append(t.Bins, Bin{})
	}
	return &t.Bins[i]
}

// widen makes one bin of two.
func (t *Trace) widen() {
	half := (len(t.Bins) + 1) / 2
	for i := range half {
		b := t.Bins[2*i]
		if 2*i+1 < len(t.Bins) {
			b = b.and(&t.Bins[2*i+1])
		}
		t.Bins[i] = b
	}
	t.Bins, t.Width = t.Bins[:half], 2*t.Width
}

// and returns a bin with a later one.
func (b Bin) and(later *Bin) Bin {
	if b.N == 0 || later.N == 0 {
		if later.N > 0 {
			return *later
		}
		return b
	}
	sum := *later
	sum.N += b.N
	sum.MinV, sum.MaxV = min(b.MinV, sum.MinV), max(b.MaxV, sum.MaxV)
	sum.MinA, sum.MaxA = min(b.MinA, sum.MinA), max(b.MaxA, sum.MaxA)
	return sum
}

// Add adds one step. truth returns a battery's true charge, NaN where it is not known.
func (t *Trace) Add(out *rules.Output, truth func(battery int) float64) {
	b := t.bin(out.At.Mono)
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

// knowsTruth reports whether a bin has a battery's true charge.
func (b *Bin) knowsTruth(battery int) bool { return b.N > 0 && !math.IsNaN(b.TruePct[battery]) }

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
