package trial

import (
	"time"

	"liftbank/rules"
)

// Trace keeps the course of a run for drawing: a fixed number of bins over its length, each with the least and most of what came in
// it, so that a year costs no more than a day and no motor run is lost between two points.
type Trace struct {
	Bins     []Bin
	Width    time.Duration // of a bin
	IDs      []string      // batteries
	Findings []Spell
	Detected []Spell
}

// Bin is one stretch of the run.
type Bin struct {
	N                   int // readings in it
	MinV, MaxV          float64
	MinA, MaxA          float64
	SoC, Sigma, TruePct [rules.MaxBatteries]float64 // of the last reading in it
	Known               [rules.MaxBatteries]bool
}

// Spell is a stretch in which a condition was true, or a finding stood.
type Spell struct {
	Name        string
	From, Until time.Duration
}

// NewTrace prepares for a run of the length given. More than two thousand bins would not show.
func NewTrace(length time.Duration, ids []string) *Trace {
	const bins = 2000
	return &Trace{Bins: make([]Bin, bins), Width: max(length/bins, time.Millisecond), IDs: ids}
}

// add takes one step.
func (t *Trace) add(out *rules.Output, truth func(battery int) float64) {
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

// close takes over the conditions and findings of the finished run, in the order of their first onset.
func (t *Trace) close(r *run, end time.Duration) {
	at := func(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }
	for _, c := range r.trials {
		until := end
		if !c.active {
			until = c.ended
		}
		t.Findings = append(t.Findings, Spell{c.score.Finding, at(c.score.OnsetS), until})
		if c.score.DetectedS == nil {
			continue
		}
		until = end
		if c.score.ClearedS != nil {
			until = at(*c.score.ClearedS)
		}
		t.Detected = append(t.Detected, Spell{c.score.Finding, at(*c.score.DetectedS), until})
	}
	for _, f := range r.report.False {
		t.Detected = append(t.Detected, Spell{f.Finding, at(f.DetectedS), end})
	}
}
