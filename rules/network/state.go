package network

import (
	"errors"
	"fmt"
	"math"
)

// State is all that a meter has learnt, as plain values to be saved.
type State struct {
	Batteries      int
	NegativeFitted [MaxBatteries]bool
	Run            [sides][maxLinks]Runs
	Charge         [sides][maxLinks]Line
	ChargeShare    [MaxBatteries]float64 // of a charge, by battery
	ChargeCount    float64               // moments in it, up to 20
	Motor, Feed    Line
	MotorAt        int // battery whose positive post the path begins at
	FeedAt         int
	Held           [sides]Places // once sure of them
}

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
func (m *Meter) State() State { return m.state }

// Restore takes over what a meter of the same bank had learnt. On an error the meter is unchanged.
func (m *Meter) Restore(s State) error {
	if err := s.check(m.n, m.fitted); err != nil {
		return fmt.Errorf("restore network: %w", err)
	}
	m.state = s
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
			if !s.Run[side][k].sane() || !s.Charge[side][k].sane() {
				wrong("%s link %d: figures that can't be", side, k)
			}
		}
	}
	if min(s.MotorAt, s.FeedAt) < 0 || max(s.MotorAt, s.FeedAt) >= n {
		wrong("paths: at batteries %d and %d: want 0 to %d", s.MotorAt, s.FeedAt, n-1)
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
	return l.Count >= 0 && l.Count <= lineCount && l.Odd >= 0
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
