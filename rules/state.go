package rules

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"liftbank/rules/bank"
	"liftbank/rules/daily"
	"liftbank/rules/detect"
	"liftbank/rules/estimate"
	"liftbank/rules/feed"
	"liftbank/rules/finding"
	"liftbank/rules/forecast"
	"liftbank/rules/label"
	"liftbank/rules/loadtest"
	"liftbank/rules/motor"
	"liftbank/rules/network"
	"liftbank/rules/parked"
	"liftbank/rules/power"
	"liftbank/rules/pump"
	"liftbank/rules/tap"
	"liftbank/rules/trust"
	"liftbank/rules/unit"
	"liftbank/rules/zero"
)

// StateVersion is the version of State that is written. It goes up when an older reader would take
// a figure for another.
const StateVersion = 3 // count: versions of the saved state; our choice

// State is all that an engine has learned, to be saved: the parts' own memories as they are. Its
// instants are on the engine's timeline, which continues over a restart: whoever restores a state
// hands in later instants from then on.
type State struct {
	Version      int
	At           Moment        // of the last scan
	From         time.Duration // of the first scan ever, or the last new battery
	Away         unit.Away     // when nobody watched
	Due          time.Duration // next time that capability, links and the like are worked out
	RestedV      Estimate      // of the bank
	CirculatingA Estimate
	FeedPath     Estimate
	Battery      []BatteryMemory
	Bank         bank.Memory
	Layout       unit.Layout         `json:",omitzero"`
	Middle       network.MiddleState `json:",omitzero"`
	Strung       tap.StringsState    `json:",omitzero"`
	Network      network.State
	Motor        motor.State
	Pump         pump.State
	Feed         feed.State
	Output       feed.OutputState
	Supply       feed.Supply `json:",omitzero"`
	Forecast     forecast.State
	Days         daily.Memory
	Duty         daily.Duty
	Services     services
	Channels     trust.Memory
	Zeros        zero.State
	Taps         tap.State
	Parked       parked.State
	Power        power.State
	Book         finding.BookState
	Findings     detect.Memory
	Work         Work
	Kept         *Kept `json:",omitempty"` // of batteries that were replaced
	// Corrections are those of the channels that this was learned with; nil: not saved yet, and those of now.
	Corrections *[unit.Channels]unit.Correction `json:",omitempty"`
}

// BatteryMemory is what is remembered of one battery, with whose it is.
type BatteryMemory struct {
	ID         string
	Chemistry  string // its name
	RatedAh    float64
	RatedCCA   float64
	Charge     estimate.State
	Label      label.State
	Others     []estimate.State // as other chemistries would have it
	Load       loadtest.State
	Verdict    loadtest.JudgeState
	RestedV    Estimate
	RestedAt   time.Duration
	Capability Estimate
	Resistance Estimate
	CapacityAh Estimate
	RunsJudged uint32
	Said       loadtest.Verdict
	WaitsFor   unit.Saved
}

// State returns what has been learned. It shares no memory with the engine.
func (e *Engine) State() *State {
	s := &State{
		Version: StateVersion, At: e.out.At, From: e.from, Away: e.away, Due: e.due,
		RestedV: e.out.Bank.RestedV, CirculatingA: e.out.Bank.CirculatingA, FeedPath: e.feedPath,
		Bank: e.count.Memory, Layout: e.cfg.Layout, Middle: e.middle.State(), Network: e.net.State(), Motor: e.motor.State(), Pump: e.pump.State, Feed: e.feed.State(),
		Output: e.output.OutputState, Supply: e.supply,
		Forecast: e.ahead.meter.State(), Days: e.days.Memory, Duty: e.duty, Services: e.serve, Channels: e.trust.Memory, Zeros: e.zeros.State(),
		Taps: e.taps.State(), Strung: e.strung.StringsState, Parked: e.parked.State(), Power: e.power.State(),
		Book: e.book.State(), Findings: e.found.Save(), Work: e.work,
		Corrections: new(e.cfg.Corrections),
	}
	for i := range e.cfg.Batteries {
		s.Battery = append(s.Battery, e.batteryMemory(i))
	}
	s.Kept = e.kept.clone()
	return s
}

// batteryMemory returns what has been learned of battery i. It shares no memory with the engine.
func (e *Engine) batteryMemory(i int) BatteryMemory {
	b, out := &e.cfg.Batteries[i], &e.out.Battery[i]
	return BatteryMemory{
		ID: b.ID, Chemistry: b.Chemistry.Name, RatedAh: b.RatedAh, RatedCCA: b.RatedCCA,
		Charge: e.cells.est[i].State(), Label: e.cells.labeled[i].judge.State(), Others: e.cells.labeled[i].states(),
		Load: e.cells.load[i].State(), Verdict: e.cells.judge[i].State(),
		RestedV: out.RestedV, RestedAt: out.RestedAt,
		Capability: out.CrankingA, Resistance: out.Resistance, CapacityAh: out.CapacityAh, RunsJudged: out.RunsJudged,
		Said: out.Verdict, WaitsFor: unit.Saved{Text: out.WaitsFor},
	}
}

// ErrStateRefused marks a state of which nothing could be taken over.
var ErrStateRefused = errors.New("state refused")

// Restore takes over what an engine of the same unit had learned; call it before the first Step.
// What can't be taken over, because the unit was rebuilt or the figures can't be, restarts and is
// named in the error; the rest is taken over all the same. After an error that wraps
// ErrStateRefused nothing was taken over.
func (e *Engine) Restore(s *State) error {
	switch {
	case e.begun:
		return fmt.Errorf("rules: restore: %w: the engine has begun", ErrStateRefused)
	case s.Version != StateVersion:
		return fmt.Errorf("rules: restore: %w: version %d: want %d", ErrStateRefused, s.Version, StateVersion)
	case s.At.Mono < 0 || s.From > s.At.Mono:
		return fmt.Errorf(
			"rules: restore: %w: taken at %v, begun at %v: want 0 or later, in order",
			ErrStateRefused,
			s.At.Mono,
			s.From,
		)
	}
	if s.Layout != e.cfg.Layout {
		return e.restoreCounts(s)
	}
	errs := []error{
		e.motor.Restore(s.Motor), e.feed.Restore(s.Feed), e.ahead.meter.Restore(s.Forecast),
		keep(&e.count.Memory, &s.Bank, s.Bank.Check), keep(&e.pump.State, &s.Pump, s.Pump.Check),
		keep(&e.output.OutputState, &s.Output, s.Output.Check),
		keep(&e.supply, &s.Supply, s.Supply.Check), keep(&e.away, &s.Away, s.Away.Check),
		keep(&e.days.Memory, &s.Days, s.Days.Check), keep(&e.duty, &s.Duty, s.Duty.Check),
		e.trust.Restore(s.Channels), e.zeros.Restore(s.Zeros), e.taps.Restore(s.Taps), e.strung.RestoreStrings(s.Strung), e.parked.Restore(s.Parked), e.power.Restore(s.Power),
		e.found.Restore(s.Findings), e.book.Restore(s.Book), keep(&e.work, &s.Work, s.Work.check),
	}
	e.out.Work = e.work.Work
	e.from, e.due, e.serve = s.From, s.Due, s.Services
	e.out.Bank.RestedV, e.out.Bank.CirculatingA = s.RestedV, s.CirculatingA
	same := len(s.Battery) == len(e.cfg.Batteries)
	for i, b := range e.cfg.Batteries {
		k := slices.IndexFunc(s.Battery, func(m BatteryMemory) bool { return m.ID == b.ID })
		same = same && k == i
		if k < 0 {
			errs = append(errs, fmt.Errorf("battery %s: nothing saved of it", b.ID))
			continue
		}
		if err := e.cells.restore(i, &s.Battery[k], &e.out.Battery[i]); err != nil {
			errs = append(errs, fmt.Errorf("battery %s: %w", b.ID, err))
		}
	}
	if !same {
		errs = append(errs, errors.New("links and leads: the bank has other batteries, or in another order"))
	} else if err := errors.Join(e.net.Restore(s.Network), e.middle.Restore(s.Middle)); err != nil {
		errs = append(errs, err)
	} else {
		networkOf(e.net, &e.middle, &e.frame)
		e.feedPath = s.FeedPath
	}
	e.kept = s.Kept.clone()
	e.begun, e.last, e.out.At = true, s.At.Mono, s.At
	e.out.Findings = e.book.Records
	errs = append(errs, e.bringTo(s.Corrections))
	if err := errors.Join(errs...); err != nil {
		return fmt.Errorf("rules: restore: %w", err)
	}
	return nil
}

// restoreCounts takes over from a state of another layout what does not hang on how the batteries are joined.
func (e *Engine) restoreCounts(s *State) error {
	if s.Layout > unit.SeriesPairs {
		return fmt.Errorf("rules: restore: %w: layout %d: want one of %v", ErrStateRefused, s.Layout, unit.Layouts())
	}
	counts := e.State()
	counts.At, counts.From, counts.Away, counts.Due = s.At, s.At.Mono, s.Away, s.Due
	counts.Motor, counts.Feed, counts.Supply, counts.Duty = s.Motor, s.Feed, s.Supply, s.Duty
	counts.Services, counts.Power, counts.Book, counts.Work = s.Services, s.Power, s.Book, s.Work
	err := fmt.Errorf("rules: restore: layout: saved as %v: the configuration has %v: counts are taken over, what was "+
		"learned of batteries, links and sensors starts again", s.Layout, e.cfg.Layout)
	return errors.Join(err, e.Restore(counts))
}

// keep takes a saved memory over unless its check refuses it.
func keep[M any](to, saved *M, check func() error) error {
	if err := check(); err != nil {
		return err
	}
	*to = *saved
	return nil
}

func (b *batteries) restore(i int, m *BatteryMemory, out *BatteryState) error {
	spec := &b.spec[i]
	if !spec.Chemistry.Is(m.Chemistry) || m.RatedAh != spec.RatedAh || m.RatedCCA != spec.RatedCCA {
		return fmt.Errorf("saved of another: %v %g Ah %g A CCA: the configuration has %v %g Ah %g A CCA",
			m.Chemistry, m.RatedAh, m.RatedCCA, spec.Chemistry, spec.RatedAh, spec.RatedCCA)
	}
	if m.Said > loadtest.Failed {
		return fmt.Errorf("verdict %d: want 0 to %d", m.Said, loadtest.Failed)
	}
	err := errors.Join(b.est[i].Restore(m.Charge), b.labeled[i].restore(m), b.load[i].Restore(m.Load),
		b.judge[i].Restore(m.Verdict))
	if err != nil {
		return err
	}
	out.RestedV, out.RestedAt = m.RestedV, m.RestedAt
	out.CrankingA, out.Resistance, out.CapacityAh = m.Capability, m.Resistance, m.CapacityAh
	out.RunsJudged, out.Verdict, out.WaitsFor = m.RunsJudged, m.Said, m.WaitsFor.Text
	out.Trend, out.HealthPct = b.load[i].Trend(), healthPct(out.CapacityAh, spec)
	return nil
}
