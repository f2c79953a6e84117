package network

import "time"

// sum gathers one channel.
type sum struct {
	sum   float64
	count int
}

func (s *sum) add(x float64) { s.sum, s.count = s.sum+x, s.count+1 }

func (s *sum) merge(x sum) { s.sum, s.count = s.sum+x.sum, s.count+x.count }

// mean is 0 of nothing.
func (s *sum) mean() float64 {
	if s.count == 0 {
		return 0
	}
	return s.sum / float64(s.count)
}

// window gathers scans. The zero value is empty.
type window struct {
	scans    int
	at       time.Duration // of the last scan
	feeding  bool
	drift    float64 // V at the first post: last half against first, of a window of baseScans
	positive [MaxBatteries]sum
	negative [MaxBatteries]sum
	current  [MaxBatteries]sum
	feed     sum
}

func (w *window) reset() { *w = window{} }

// leastPostV: no positive post is under it while the board, which lives from the bank, works. A wire that has come off is.
const leastPostV = 4.0

func (w *window) add(r *Reading, n int) {
	if w.scans < baseScans/2 {
		w.drift -= r.PositiveV[0] / (baseScans / 2)
	} else if w.scans < baseScans {
		w.drift += r.PositiveV[0] / (baseScans / 2)
	}
	w.scans++
	w.at = r.At
	w.feeding = w.feeding || r.Feeding
	for k := range n {
		if r.PositiveOK[k] && r.PositiveV[k] > leastPostV {
			w.positive[k].add(r.PositiveV[k])
		}
		if r.NegativeOK[k] {
			w.negative[k].add(r.NegativeV[k])
		}
		if r.CurrentOK[k] {
			w.current[k].add(r.CurrentA[k])
		}
	}
	if r.FeedOK {
		w.feed.add(r.FeedV)
	}
}

// merge adds another window's scans.
func (w *window) merge(x *window) {
	w.scans += x.scans
	w.at = x.at
	w.feeding = w.feeding || x.feeding
	for k := range w.positive {
		w.positive[k].merge(x.positive[k])
		w.negative[k].merge(x.negative[k])
		w.current[k].merge(x.current[k])
	}
	w.feed.merge(x.feed)
}

// totalA gives the mean of the bank's current as far as it was read.
func (w *window) totalA() (total float64) {
	for k := range w.current {
		total += w.current[k].mean()
	}
	return total
}

// scene is a window's means. A value is usable if its bit is set.
type scene struct {
	postV [sides][MaxBatteries]float64
	ampsA [MaxBatteries]float64
	feedV float64

	postOK [sides][MaxBatteries]bool
	ampsOK bool // all currents
	feedOK bool
	totalA float64
}

// means gives the means of the channels that were read in nearly every scan.
func (w *window) means(n int) scene {
	s := scene{ampsOK: true}
	mean := func(c sum) (float64, bool) { return c.mean(), c.count > 0 && c.count*4 >= w.scans*3 }
	for k := range n {
		s.postV[Positive][k], s.postOK[Positive][k] = mean(w.positive[k])
		s.postV[Negative][k], s.postOK[Negative][k] = mean(w.negative[k])
		var ok bool
		s.ampsA[k], ok = mean(w.current[k])
		s.ampsOK = s.ampsOK && ok
		s.totalA += s.ampsA[k]
	}
	s.postV[Negative][0], s.postOK[Negative][0] = 0, true // the board's ground
	s.feedV, s.feedOK = mean(w.feed)
	return s
}

// dropMV gives the voltage over link k of a side, positive for a current from battery k to k+1 on the positive rail, and back on the
// negative.
func (s *scene) dropMV(side Side, k int) (mv float64, ok bool) {
	v := 1000 * (s.postV[side][k] - s.postV[side][k+1])
	if side == Negative {
		v = -v
	}
	return v, s.postOK[side][k] && s.postOK[side][k+1]
}

// commonV gives the voltage that the gains of the two taps of link k act on.
func (s *scene) commonV(side Side, k int) float64 {
	return (s.postV[side][k] + s.postV[side][k+1]) / 2
}

// through gives J of the package's comment, for a lead on battery `place`.
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

// minus gives the differences against an earlier scene; usable where both are.
func (s *scene) minus(from *scene) scene {
	d := scene{ampsOK: s.ampsOK && from.ampsOK, totalA: s.totalA - from.totalA}
	for k := range MaxBatteries {
		d.ampsA[k] = s.ampsA[k] - from.ampsA[k]
		for side := range d.postV {
			d.postV[side][k] = s.postV[side][k] - from.postV[side][k]
			d.postOK[side][k] = s.postOK[side][k] && from.postOK[side][k]
		}
	}
	return d
}

// lostChannels remembers since when a channel gives nothing.
type lostChannels struct {
	any     bool
	current bool // one of the batteries' currents, for longer than lostAfter
	post    [sides][MaxBatteries]bool

	sinceCurrent [MaxBatteries]time.Duration
	sincePost    [sides][MaxBatteries]time.Duration
}

// lostAfter: a reading or two may fail without a figure of many runs becoming doubtful.
const lostAfter = 10 * time.Second

func (l *lostChannels) step(r *Reading, n int, fitted *[MaxBatteries]bool) {
	good := true
	for k := range n {
		good = good && r.PositiveOK[k] && r.CurrentOK[k] && (r.NegativeOK[k] || !fitted[k] || k == 0)
	}
	if good && !l.any {
		return
	}
	l.any, l.current = !good, false
	follow := func(since *time.Duration, ok bool) bool {
		if ok {
			*since = 0
			return false
		}
		if *since == 0 {
			*since = max(r.At, 1)
		}
		return r.At-*since >= lostAfter
	}
	for k := range n {
		l.post[Positive][k] = follow(&l.sincePost[Positive][k], r.PositiveOK[k])
		l.post[Negative][k] = follow(&l.sincePost[Negative][k], r.NegativeOK[k] || !fitted[k] || k == 0)
		l.current = follow(&l.sinceCurrent[k], r.CurrentOK[k]) || l.current
	}
}

// link reports whether the figure of link k may be of now.
func (l *lostChannels) link(side Side, k int) bool {
	return !l.current && !l.post[side][k] && !l.post[side][k+1]
}
