package series

import (
	"math"
	"slices"
	"strings"
)

// Label is a name and value of a series.
type Label struct{ Name, Value string }

// Sample is a value at an instant, in ms since 1970-01-01 UTC.
type Sample struct {
	AtMs  int64
	Value float64
}

// Line is one series and samples of it. Labels are in order of their names, __name__ first.
type Line struct {
	Labels  []Label
	Samples []Sample
}

// Set is samples by series. Its zero value is empty.
type Set struct {
	lines map[string]*Line
	order []*Line
	n     int
}

// Len returns the number of samples.
func (s *Set) Len() int { return s.n }

// line returns the line of a series, made where there is none.
func (s *Set) line(labels []Label) *Line {
	slices.SortFunc(labels, func(a, b Label) int { return strings.Compare(a.Name, b.Name) })
	var key strings.Builder
	for _, l := range labels {
		key.WriteString(l.Name)
		key.WriteByte(0xff) // not in UTF-8
		key.WriteString(l.Value)
		key.WriteByte(0xff)
	}
	l, known := s.lines[key.String()]
	if !known {
		if s.lines == nil {
			s.lines = map[string]*Line{}
		}
		l = &Line{Labels: labels}
		s.lines[key.String()] = l
		s.order = append(s.order, l)
	}
	return l
}

// add adds a sample. What is no number is left out: an unknown figure has no sample.
func (s *Set) add(l *Line, atMs int64, v float64) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return
	}
	l.Samples = append(l.Samples, Sample{atMs, v})
	s.n++
}

// Merge adds all of another set.
func (s *Set) Merge(o *Set) {
	for _, from := range o.order {
		to := s.line(from.Labels)
		to.Samples = append(to.Samples, from.Samples...)
		s.n += len(from.Samples)
	}
}

// Lines returns the series in the order in which they were added, the samples of each by time and
// one an instant: the one that was added last.
func (s *Set) Lines() []*Line {
	s.n = 0
	for _, l := range s.order {
		slices.SortStableFunc(l.Samples, func(a, b Sample) int { return int(min(max(a.AtMs-b.AtMs, -1), 1)) })
		kept := l.Samples[:0]
		for i, x := range l.Samples {
			if i+1 < len(l.Samples) && l.Samples[i+1].AtMs == x.AtMs {
				continue
			}
			kept = append(kept, x)
		}
		l.Samples = kept
		s.n += len(kept)
	}
	return s.order
}

// split returns the samples before an instant and the rest.
func (s *Set) split(atMs int64) (before, rest *Set) {
	before, rest = &Set{}, &Set{}
	for _, l := range s.Lines() {
		i, _ := slices.BinarySearchFunc(l.Samples, atMs, func(x Sample, at int64) int { return int(min(max(x.AtMs-at, -1), 1)) })
		for to, samples := range map[*Set][]Sample{before: l.Samples[:i], rest: l.Samples[i:]} {
			if len(samples) > 0 {
				to.line(l.Labels).Samples = slices.Clone(samples)
				to.n += len(samples)
			}
		}
	}
	return before, rest
}

// instants returns the instants of all samples, in order.
func (s *Set) instants() []int64 {
	var all []int64
	for _, l := range s.order {
		for _, x := range l.Samples {
			all = append(all, x.AtMs)
		}
	}
	slices.Sort(all)
	return slices.Compact(all)
}

// halve splits the set in the middle of its instants. Of one instant there is no half: rest is nil.
func (s *Set) halve() (before, rest *Set) {
	all := s.instants()
	if len(all) < 2 {
		return s, nil
	}
	return s.split(all[len(all)/2])
}

// chunks returns sets of at most so many samples, as far as instants allow, oldest first.
func (s *Set) chunks(most int) []*Set {
	if s.Len() <= most {
		return []*Set{s}
	}
	before, rest := s.halve()
	if rest == nil {
		return []*Set{before}
	}
	return append(before.chunks(most), rest.chunks(most)...)
}
