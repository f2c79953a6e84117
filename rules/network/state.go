package network

import (
	"errors"
	"fmt"
	"math"
	"time"

	"liftbank/rules/unit"
)

// State is all that a meter has learned, as plain values: it works on them, and they are saved as
// they are.
type State struct {
	Batteries      int
	NegativeFitted [unit.MaxBatteries]bool
	Run            [sides][maxLinks]Runs
	Fed            [sides][maxLinks]Runs // as Run, of runs with the converter on throughout
	Charge         [sides][maxLinks]Line
	Shares
	Motor, Feed Line
	MotorAt     int // battery whose positive post the path begins at
	FeedAt      int
	Held        [sides]Places // once sure of them
	Pending     Pending
}

// Pending is what a meter has read and not yet learned from, so that a restart loses only a run in
// progress.
type Pending struct {
	Now     time.Duration
	Settle  time.Duration // nothing is taken before
	Base    Window        // being filled while the motor is off
	Before  Window        // the one completed last
	Stretch Window        // of one state, motor at rest
	Lost    Lost
}

// sane reports whether a window can be one.
func (w *Window) sane() bool {
	ok := func(s Sum) bool {
		return s.Count >= 0 && s.Count <= w.Scans && within(s.Sum, -maxSum, maxSum) && (s.Count > 0 || s.Sum == 0)
	}
	good := w.Scans >= 0 && w.Scans <= maxScans && within(w.DriftV, -maxFigure, maxFigure) && ok(w.Feed)
	for k := range unit.MaxBatteries {
		good = good && ok(w.Positive[k]) && ok(w.Negative[k]) && ok(w.Current[k])
	}
	return good
}

// Bounds of a saved state. No window gathers more than maxScans while the motor is off.
const (
	maxScans  = longScans + 2*baseScans // count: scans of a window; our choice
	maxSum    = 1e9                     // V: and A, of a window's sums; our choice
	maxFigure = 1e6                     // mΩ: mV and mV/V, of what was learned; our choice
	maxVar    = 1e9                     // mΩ²: and the like, of what was learned; our choice
	maxShare  = 10                      // ratio: of a charge, by battery; our choice
	maxSplit  = 100                     // ratio: of a run, by battery; our choice
	maxPerA   = 1e3                     // mV/A: dip of the posts; our choice
	rounding  = 0.001                   // ratio: by which a covariance may be past its bound; our choice
)

// Places is where the leads of one side sit: a battery, or -1.
type Places struct{ Run, Charge int }

const firstLinkMohm = 3.0 // mΩ: of a link, as believed at first; our choice

func (c *class) newState(n int, fitted [unit.MaxBatteries]bool) State {
	s := State{Batteries: n, NegativeFitted: fitted, Held: [sides]Places{{-1, -1}, {-1, -1}}}
	for k := range maxLinks {
		positive, negative := c.link[Positive][k], c.link[Negative][k]
		s.Charge[Positive][k] = newLinkLine(positive.offsetMV, positive.firstMVPerV(), firstLinkMohm)
		s.Charge[Negative][k] = newLinkLine(negative.offsetMV, 0, firstLinkMohm)
	}
	s.Motor, s.Feed = c.newPathLine(), c.newPathLine()
	return s
}

// State returns what was learned, to be saved.
func (m *Meter) State() State {
	s := m.state
	if m.running { // what a run in progress showed is left out; it is over when this is restored
		s.Pending.Settle = s.Pending.Now + settleFor
	}
	return s
}

// Restore replaces what was learned by what a meter of the same bank had learned. On an error the
// meter is unchanged.
func (m *Meter) Restore(s State) error {
	if err := s.check(m.n, m.fitted); err != nil {
		return fmt.Errorf("restore network: %w", err)
	}
	*m = Meter{n: m.n, fitted: m.fitted, class: m.class, state: s}
	m.weighAll()
	return nil
}

func (s *State) check(n int, fitted [unit.MaxBatteries]bool) error {
	var errs []error
	wrong := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if s.Batteries != n || s.NegativeFitted != fitted {
		wrong("batteries: %d with taps %v: want %d with %v", s.Batteries, s.NegativeFitted, n, fitted)
	}
	if !within(s.ChargeCount, 0, shareRuns) {
		wrong("charge count: %g: want 0 to %g", s.ChargeCount, shareRuns)
	}
	for k, x := range s.ChargeShare {
		if !within(x, -maxShare, maxShare) {
			wrong("charge share %d: %g: want a share", k, x)
		}
	}
	for side := range Side(sides) {
		if h := s.Held[side]; min(h.Run, h.Charge) < -1 || max(h.Run, h.Charge) >= n {
			wrong("%s leads: on %d and %d: want -1 to %d", side, h.Run, h.Charge, n-1)
		}
		for k := range maxLinks {
			if !s.Run[side][k].sane() || !s.Fed[side][k].sane() || !s.Charge[side][k].sane() {
				wrong("%s link %d: impossible figures", side, k)
			}
		}
	}
	if min(s.MotorAt, s.FeedAt) < 0 || max(s.MotorAt, s.FeedAt) >= n {
		wrong("paths: at batteries %d and %d: want 0 to %d", s.MotorAt, s.FeedAt, n-1)
	}
	if p := &s.Pending; !p.Base.sane() || !p.Before.sane() || !p.Stretch.sane() ||
		p.Now < 0 || p.Settle < 0 || p.Settle > p.Now+settleFor {
		wrong("readings gathered: impossible figures")
	}
	if !s.Motor.sane() || !s.Feed.sane() {
		wrong("paths: impossible figures")
	}
	return errors.Join(errs...)
}

func (l *Line) sane() bool {
	for i := range l.Mean {
		if !within(l.Mean[i], -maxFigure, maxFigure) || !within(l.Cov[i][i], 0, maxVar) {
			return false
		}
		for j := range l.Mean {
			most := (1+rounding)*math.Sqrt(l.Cov[i][i]*l.Cov[j][j]) + 1e-9
			if !(math.Abs(l.Cov[i][j]) <= most) || l.Cov[i][j] != l.Cov[j][i] {
				return false
			}
		}
	}
	return l.Count >= 0 && l.Count <= maxLine && l.Outliers >= 0 && within(l.ScatterCut, 0, maxScatterCut)
}

func (l *Runs) sane() bool {
	return within(l.Count, 0, runMemory) && within(l.Var, 0, maxVar) && within(l.Drift, -maxFigure, maxFigure) &&
		l.Mean.sane() && l.Outlier.sane()
}

func (c *Change) sane() bool {
	return within(c.DropMohm, -maxFigure, maxFigure) && within(c.DipVPerA, -maxPerA, maxPerA) &&
		within(c.Right, -maxSplit, maxSplit) && within(c.Near, -maxSplit, maxSplit) &&
		within(c.Far, -maxSplit, maxSplit)
}

// within is false for NaN.
func within(x, low, high float64) bool { return x >= low && x <= high }
