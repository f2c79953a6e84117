package network

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// State is all that a meter has learnt, as plain values to be saved.
type State struct {
	Batteries      int
	NegativeFitted [MaxBatteries]bool
	Run            [sides][maxLinks]Runs
	Fed            [sides][maxLinks]Runs // as Run, of runs with the converter on throughout
	Charge         [sides][maxLinks]Line
	ChargeShare    [MaxBatteries]float64 // of a charge, by battery
	ChargeCount    float64               // moments in it, up to 20
	Motor, Feed    Line
	MotorAt        int // battery whose positive post the path begins at
	FeedAt         int
	Held           [sides]Places // once sure of them
	Passing        Passing
}

// Passing is what a meter has read and not yet learnt from, so that a restart loses none of it but a run under way.
type Passing struct {
	Now, Settle           time.Duration
	Base, Before, Stretch Window
	Lost                  Lost
}

// Window is readings gathered.
type Window struct {
	Scans                       int
	At                          time.Duration
	Feeding                     bool
	DriftV                      float64
	Positive, Negative, Current [MaxBatteries]Sum
	Feed                        Sum
}

// Sum is of one channel's readings.
type Sum struct {
	Sum   float64
	Count int
}

// Lost is since when channels give nothing; 0 is not.
type Lost struct {
	Any     bool
	Current [MaxBatteries]time.Duration
	Post    [sides][MaxBatteries]time.Duration
	AreLost [sides][MaxBatteries]bool
	NoAmps  bool
}

func saved(w *window) Window {
	out := Window{Scans: w.scans, At: w.at, Feeding: w.feeding, DriftV: w.drift, Feed: Sum{w.feed.sum, w.feed.count}}
	for k := range MaxBatteries {
		out.Positive[k] = Sum{w.positive[k].sum, w.positive[k].count}
		out.Negative[k] = Sum{w.negative[k].sum, w.negative[k].count}
		out.Current[k] = Sum{w.current[k].sum, w.current[k].count}
	}
	return out
}

func restored(w *Window) window {
	out := window{scans: w.Scans, at: w.At, feeding: w.Feeding, drift: w.DriftV, feed: sum{w.Feed.Sum, w.Feed.Count}}
	for k := range MaxBatteries {
		out.positive[k] = sum{w.Positive[k].Sum, w.Positive[k].Count}
		out.negative[k] = sum{w.Negative[k].Sum, w.Negative[k].Count}
		out.current[k] = sum{w.Current[k].Sum, w.Current[k].Count}
	}
	return out
}

// sane reports whether a window can be one.
func (w *Window) sane() bool {
	ok := func(s Sum) bool {
		return s.Count >= 0 && s.Count <= w.Scans && within(s.Sum, -1e9, 1e9) && (s.Count > 0 || s.Sum == 0)
	}
	good := w.Scans >= 0 && w.Scans <= mostScans && within(w.DriftV, -1e6, 1e6) && ok(w.Feed)
	for k := range MaxBatteries {
		good = good && ok(w.Positive[k]) && ok(w.Negative[k]) && ok(w.Current[k])
	}
	return good
}

// mostScans: no window gathers more while the motor stands.
const mostScans = longScans + 2*baseScans

// Places is where the leads of one side sit: a battery, or -1.
type Places struct{ Run, Charge int }

// What is believed of the sensors at first: offsets of ±10 mV and gains of ±1 %, evenly within, make a tenth of these; and of what they
// look at.
const (
	firstOffsetMV   = 10.0
	firstGainMVPerV = 8.0 // mV/V between two taps
	firstLinkMohm   = 3.0
	firstPathMohm   = 10.0
)

func newState(n int, fitted [MaxBatteries]bool) State {
	s := State{Batteries: n, NegativeFitted: fitted, Held: [sides]Places{{-1, -1}, {-1, -1}}}
	for k := range maxLinks {
		s.Charge[Positive][k] = newLinkLine(firstOffsetMV, firstGainMVPerV, firstLinkMohm)
		s.Charge[Negative][k] = newLinkLine(firstOffsetMV, 0, firstLinkMohm)
	}
	s.Motor = newLine(firstOffsetMV, firstGainMVPerV, firstPathMohm)
	s.Feed = newLine(firstOffsetMV, firstGainMVPerV, firstPathMohm)
	return s
}

// State gives what was learnt, to be saved.
func (m *Meter) State() State {
	s := m.state
	l := &m.lost
	s.Passing = Passing{Now: m.now, Settle: m.settle, Base: saved(&m.base), Before: saved(&m.before), Stretch: saved(&m.stretch),
		Lost: Lost{l.any, l.sinceCurrent, l.sincePost, l.post, l.current}}
	if m.running { // what is under way in a run is left out; it is over when this is restored
		s.Passing.Settle = m.now + settleFor
	}
	return s
}

// Restore takes over what a meter of the same bank had learnt. On an error the meter is unchanged.
func (m *Meter) Restore(s State) error {
	if err := s.check(m.n, m.fitted); err != nil {
		return fmt.Errorf("restore network: %w", err)
	}
	p := &s.Passing
	*m = Meter{n: m.n, fitted: m.fitted, state: s, now: p.Now, settle: p.Settle,
		base: restored(&p.Base), before: restored(&p.Before), stretch: restored(&p.Stretch),
		lost: lostChannels{any: p.Lost.Any, current: p.Lost.NoAmps, post: p.Lost.AreLost, sinceCurrent: p.Lost.Current, sincePost: p.Lost.Post}}
	m.state.Passing = Passing{}
	m.weighAll()
	return nil
}

func (s *State) check(n int, fitted [MaxBatteries]bool) error {
	var errs []error
	wrong := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if s.Batteries != n || s.NegativeFitted != fitted {
		wrong("batteries: %d with taps %v: want %d with %v", s.Batteries, s.NegativeFitted, n, fitted)
	}
	if !within(s.ChargeCount, 0, shareRuns) {
		wrong("charge count: %g: want 0 to %g", s.ChargeCount, shareRuns)
	}
	for k, x := range s.ChargeShare {
		if !within(x, -10, 10) {
			wrong("charge share %d: %g: want a share", k, x)
		}
	}
	for side := range Side(sides) {
		if h := s.Held[side]; min(h.Run, h.Charge) < -1 || max(h.Run, h.Charge) >= n {
			wrong("%s leads: on %d and %d: want -1 to %d", side, h.Run, h.Charge, n-1)
		}
		for k := range maxLinks {
			if !s.Run[side][k].sane() || !s.Fed[side][k].sane() || !s.Charge[side][k].sane() {
				wrong("%s link %d: figures that can't be", side, k)
			}
		}
	}
	if min(s.MotorAt, s.FeedAt) < 0 || max(s.MotorAt, s.FeedAt) >= n {
		wrong("paths: at batteries %d and %d: want 0 to %d", s.MotorAt, s.FeedAt, n-1)
	}
	if p := &s.Passing; !p.Base.sane() || !p.Before.sane() || !p.Stretch.sane() || p.Now < 0 || p.Settle < 0 || p.Settle > p.Now+settleFor {
		wrong("readings gathered: figures that can't be")
	}
	if !s.Motor.sane() || !s.Feed.sane() {
		wrong("paths: figures that can't be")
	}
	return errors.Join(errs...)
}

func (l *Line) sane() bool {
	for i := range l.Mean {
		if !within(l.Mean[i], -1e6, 1e6) || !within(l.Cov[i][i], 0, 1e9) {
			return false
		}
		for j := range l.Mean {
			if !(math.Abs(l.Cov[i][j]) <= 1.001*math.Sqrt(l.Cov[i][i]*l.Cov[j][j])+1e-9) || l.Cov[i][j] != l.Cov[j][i] {
				return false
			}
		}
	}
	return l.Count >= 0 && l.Count <= lineCount && l.Odd >= 0 && within(l.Calm, 0, calmMost)
}

func (l *Runs) sane() bool {
	return within(l.Count, 0, runMemory) && within(l.Var, 0, 1e9) && within(l.Lean, -1e6, 1e6) && l.Mean.sane() && l.Odd.sane()
}

func (c *Change) sane() bool {
	return within(c.DropMohm, -1e6, 1e6) && within(c.DipVPerA, -1e3, 1e3) && within(c.Right, -100, 100) &&
		within(c.Near, -100, 100) && within(c.Far, -100, 100)
}

// within is false for NaN.
func within(x, low, high float64) bool { return x >= low && x <= high }
