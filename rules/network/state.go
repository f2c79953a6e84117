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
		return s.Count >= 0 && s.Count <= w.Scans && finite(s.Sum) && (s.Count > 0 || s.Sum == 0)
	}
	good := w.Scans >= 0 && finite(w.DriftV) && ok(w.Feed)
	for k := range unit.MaxBatteries {
		good = good && ok(w.Positive[k]) && ok(w.Negative[k]) && ok(w.Current[k])
	}
	return good
}

const rounding = 0.001 // ratio: by which a saved covariance may be past its bound; our choice

// Places is where the leads of one side sit: a battery, or -1.
type Places struct{ Run, Charge int }

const firstLinkMohm = 3.0 // mΩ: of a link, as believed at first; our choice

func (c *class) newState(n int, fitted [unit.MaxBatteries]bool) State {
	s := State{Batteries: n, NegativeFitted: fitted, Held: [sides]Places{{-1, -1}, {-1, -1}}}
	for k := range maxLinks {
		positive, negative := c.link[Positive][k], c.link[Negative][k]
		s.Charge[Positive][k] = newLinkLine(positive.offsetMV, positive.firstMVPerV(), firstLinkMohm, c.blocks)
		s.Charge[Negative][k] = newLinkLine(negative.offsetMV, 0, firstLinkMohm, 1)
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
	*m = Meter{n: m.n, fitted: m.fitted, class: m.class, state: s, noCharges: m.noCharges}
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
		if !finite(x) {
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
		if !finite(l.Mean[i]) || !sum(l.Cov[i][i]) {
			return false
		}
		for j := range l.Mean {
			most := (1+rounding)*math.Sqrt(l.Cov[i][i]*l.Cov[j][j]) + 1e-9
			if !(math.Abs(l.Cov[i][j]) <= most) || l.Cov[i][j] != l.Cov[j][i] {
				return false
			}
		}
	}
	return l.Count >= 0 && l.Outliers >= 0 && within(l.ScatterCut, 0, maxScatterCut)
}

func (l *Runs) sane() bool {
	return within(l.Count, 0, runMemory) && sum(l.Var) && finite(l.Drift) &&
		l.Mean.sane() && l.Outlier.sane()
}

func (c *Change) sane() bool {
	return finite(c.DropMohm, c.DipVPerA, c.Right, c.Near, c.Far)
}

func finite(x ...float64) bool {
	var c unit.Check
	c.Finite("", x...)
	return c.Err() == nil
}

func sum(x float64) bool {
	var c unit.Check
	c.Sum("", x)
	return c.Err() == nil
}

// within is false for NaN.
func within(x, low, high float64) bool { return x >= low && x <= high }
