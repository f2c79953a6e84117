package rules

import (
	"errors"
	"fmt"
	"math"

	"liftbank/rules/finding"
)

// FindingsState is the memory of the findings: their life, and what the detectors remember.
type FindingsState struct {
	Book      finding.BookState
	Detectors Detectors
}

// FindingsState gives what is to be saved.
func (e *Engine) FindingsState() FindingsState {
	return FindingsState{Book: e.book.State(), Detectors: e.det}
}

// RestoreFindings takes over what an engine of the same unit had saved. On an error the engine is unchanged.
func (e *Engine) RestoreFindings(s FindingsState) error {
	if err := s.Detectors.check(); err != nil {
		return fmt.Errorf("restore findings: %w", err)
	}
	if err := e.book.Restore(s.Book); err != nil {
		return err
	}
	e.det = s.Detectors
	e.tempRead = [MaxBatteries]bool{}
	e.out.Findings = e.book.Records
	return nil
}

func (d *Detectors) check() error {
	var errs []error
	figure := func(what string, v, low, high float64) {
		if !(v >= low && v <= high) {
			errs = append(errs, fmt.Errorf("%s: %g: want %g to %g", what, v, low, high))
		}
	}
	count := func(what string, n, most int) {
		if n < 0 || n > most {
			errs = append(errs, fmt.Errorf("%s: %d: want 0 to %d", what, n, most))
		}
	}
	figure("feed: best", d.Feed.BestA, 0, 1e4)
	figure("feed: current", d.Feed.Amps, -1e4, 1e4)
	count("day: known", d.Day.Known, balanceDays)
	for k := range balanceDays {
		figure("day: charge", d.Day.SoC[k], -1e3, 1e3)
		figure("day: feed", d.Day.FeedH[k], 0, 1e3)
		figure("day: wake", d.Day.WakeH[k], 0, 1e3)
		figure("day: charged", d.Day.InAh[k], 0, 1e5)
		figure("day: moved", d.Day.MovedOn[k], -1e5, 1e5)
	}
	figure("day: moved", d.Day.MovedAh, -1e5, 1e5)
	figure("day: charge at its start", d.Day.From, 0, 100)
	for _, n := range d.Day.Uneven {
		count("day: uneven", int(n), unevenDays)
	}
	for _, as := range d.Day.RunAs {
		figure("day: drawn", as, 0, 1e9)
	}
	figure("day: charged", d.Day.Charged, 0, 1e9)
	m := &d.Motor
	count("motor: ratios", m.Ratios, motorRuns)
	count("motor: drops", m.Mohms, dropRuns)
	count("motor: clean", int(m.Clean), cleanRuns)
	figure("motor: usual", m.Mean[0], 0, 1e4)
	figure("motor: drag", m.Mean[1], 0, 1e4)
	figure("motor: last", m.Amps, 0, 1e4)
	for i := range m.Cov {
		figure("motor: covariance", m.Cov[i][i], 0, 1e8)
		for j := range m.Cov {
			figure("motor: covariance", m.Cov[i][j], -1e8, 1e8)
		}
	}
	for _, r := range m.Ratio {
		figure("motor: ratio", r, 0, 1e3)
	}
	for _, r := range m.Mohm {
		figure("motor: drop", r, -1e6, 1e6)
	}
	figure("park: from", d.Park.FromPct, 0, 100)
	for i := range d.Rest.Amps {
		figure("rest: current", d.Rest.Amps[i], -1e4, 1e4)
		figure("sense: carried", d.Sense.Carried[i], -math.MaxFloat64, math.MaxFloat64)
		count("sense: deaf", int(max(d.Sense.DeafV[i], d.Sense.DeafA[i])), deafRuns)
	}
	for i := range d.Sense.Channel {
		c := &d.Sense.Channel[i]
		figure("channel: last", c.Last, -1e6, 1e6)
		figure("channel: reference", c.Ref, -1e6, 1e6)
		figure("channel: noise", c.Noise, 0, 1)
		count("channel: doubt", int(c.Doubt), int(doubts)-1)
	}
	return errors.Join(errs...)
}
