package network

import (
	"time"

	"liftbank/rules/unit"
)

// Sum gathers one channel.
type Sum struct {
	Sum   float64
	Count int
}

func (s *Sum) add(x float64) { s.Sum, s.Count = s.Sum+x, s.Count+1 }

func (s *Sum) merge(x Sum) { s.Sum, s.Count = s.Sum+x.Sum, s.Count+x.Count }

// mean is 0 of nothing.
func (s *Sum) mean() float64 {
	if s.Count == 0 {
		return 0
	}
	return s.Sum / float64(s.Count)
}

// Window gathers scans. The zero value is empty.
type Window struct {
	Scans    int
	At       time.Duration // of the last scan
	Feeding  bool
	DriftV   float64 // at the first post: last half against first, of a window of baseScans
	Positive [unit.MaxBatteries]Sum
	Negative [unit.MaxBatteries]Sum
	Current  [unit.MaxBatteries]Sum
	Feed     Sum
}

func (w *Window) reset() { *w = Window{} }

// No post is below minPostV while the board, which lives from the bank, works. A wire that has come
// off is.
const minPostV = 4.0 // V: at a positive post; our choice

func (w *Window) add(s *unit.Scan, feeding bool, n int) {
	first := s.Battery[0].VoltageV.Value
	if w.Scans < baseScans/2 {
		w.DriftV -= first / (baseScans / 2)
	} else if w.Scans < baseScans {
		w.DriftV += first / (baseScans / 2)
	}
	w.Scans++
	w.At = s.At.Mono
	w.Feeding = w.Feeding || feeding
	for k := range n {
		b := &s.Battery[k]
		if b.VoltageV.OK() && b.VoltageV.Value > minPostV {
			w.Positive[k].add(b.VoltageV.Value)
		}
		if b.NegativeV.OK() {
			w.Negative[k].add(b.NegativeV.Value)
		}
		if b.CurrentA.OK() {
			w.Current[k].add(b.CurrentA.Value)
		}
	}
	if s.FeedV.OK() {
		w.Feed.add(s.FeedV.Value)
	}
}

// merge adds another window's scans.
func (w *Window) merge(x *Window) {
	w.Scans += x.Scans
	w.At = x.At
	w.Feeding = w.Feeding || x.Feeding
	for k := range w.Positive {
		w.Positive[k].merge(x.Positive[k])
		w.Negative[k].merge(x.Negative[k])
		w.Current[k].merge(x.Current[k])
	}
	w.Feed.merge(x.Feed)
}

// totalA returns the mean of the bank's current as far as it was read.
func (w *Window) totalA() (total float64) {
	for k := range w.Current {
		total += w.Current[k].mean()
	}
	return total
}

// scene is a window's means. A value is usable if its bit is set.
type scene struct {
	postV [sides][unit.MaxBatteries]float64
	ampsA [unit.MaxBatteries]float64
	feedV float64

	postOK [sides][unit.MaxBatteries]bool
	ampsOK bool // all currents
	feedOK bool
	totalA float64
}

// means returns the means of the channels that were read in nearly every scan.
func (w *Window) means(n int) scene {
	s := scene{ampsOK: true}
	mean := func(c Sum) (float64, bool) { return c.mean(), c.Count > 0 && c.Count*4 >= w.Scans*3 }
	for k := range n {
		s.postV[Positive][k], s.postOK[Positive][k] = mean(w.Positive[k])
		s.postV[Negative][k], s.postOK[Negative][k] = mean(w.Negative[k])
		var ok bool
		s.ampsA[k], ok = mean(w.Current[k])
		s.ampsOK = s.ampsOK && ok
		s.totalA += s.ampsA[k]
	}
	s.postV[Negative][0], s.postOK[Negative][0] = 0, true // the board's ground
	s.feedV, s.feedOK = mean(w.Feed)
	return s
}

// dropMV returns the voltage over link k of a side, positive for a current from battery k to k+1 on
// the positive rail, and back on the negative.
func (s *scene) dropMV(side Side, k int) (mv float64, ok bool) {
	v := 1000 * (s.postV[side][k] - s.postV[side][k+1])
	if side == Negative {
		v = -v
	}
	return v, s.postOK[side][k] && s.postOK[side][k+1]
}

// commonV returns the voltage that the gains of the two taps of link k act on.
func (s *scene) commonV(side Side, k int) float64 {
	return (s.postV[side][k] + s.postV[side][k+1]) / 2
}

// through returns J of the package's comment, for a lead on battery `place`.
func (s *scene) through(k, place, n int) (a float64) {
	if place <= k {
		for _, i := range s.ampsA[k+1 : n] {
			a += i
		}
		return a
	}
	for _, i := range s.ampsA[:k+1] {
		a -= i
	}
	return a
}

// minus returns the differences against an earlier scene; usable where both are.
func (s *scene) minus(from *scene) scene {
	d := scene{ampsOK: s.ampsOK && from.ampsOK, totalA: s.totalA - from.totalA}
	for k := range unit.MaxBatteries {
		d.ampsA[k] = s.ampsA[k] - from.ampsA[k]
		for side := range d.postV {
			d.postV[side][k] = s.postV[side][k] - from.postV[side][k]
			d.postOK[side][k] = s.postOK[side][k] && from.postOK[side][k]
		}
	}
	return d
}

// Lost remembers since when channels give nothing; 0 is not.
type Lost struct {
	Any     bool
	Current bool // one of the batteries' currents, for longer than lostAfter
	Post    [sides][unit.MaxBatteries]bool

	CurrentSince [unit.MaxBatteries]time.Duration
	PostSince    [sides][unit.MaxBatteries]time.Duration
}

// A reading or two may fail without a figure of many runs becoming doubtful.
const lostAfter = 10 * time.Second // without a reading; our choice

func (l *Lost) step(s *unit.Scan, n int, fitted *[unit.MaxBatteries]bool) {
	good := true
	for k := range n {
		b := &s.Battery[k]
		good = good && b.VoltageV.OK() && b.CurrentA.OK() && (b.NegativeV.OK() || !fitted[k] || k == 0)
	}
	if good && !l.Any {
		return
	}
	l.Any, l.Current = !good, false
	now := s.At.Mono
	follow := func(since *time.Duration, ok bool) bool {
		if ok {
			*since = 0
			return false
		}
		if *since == 0 {
			*since = max(now, 1)
		}
		return now-*since >= lostAfter
	}
	for k := range n {
		b := &s.Battery[k]
		l.Post[Positive][k] = follow(&l.PostSince[Positive][k], b.VoltageV.OK())
		l.Post[Negative][k] = follow(&l.PostSince[Negative][k], b.NegativeV.OK() || !fitted[k] || k == 0)
		l.Current = follow(&l.CurrentSince[k], b.CurrentA.OK()) || l.Current
	}
}

// link reports whether the figure of link k may be of now.
func (l *Lost) link(side Side, k int) bool {
	return !l.Current && !l.Post[side][k] && !l.Post[side][k+1]
}
