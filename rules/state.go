package rules

import (
	"errors"
	"fmt"
	"time"

	"liftbank/rules/estimate"
	"liftbank/rules/feed"
	"liftbank/rules/forecast"
	"liftbank/rules/leadacid"
	"liftbank/rules/loadtest"
	"liftbank/rules/motor"
	"liftbank/rules/network"
)

// StateVersion is the version of State that is written. It goes up when an older reader would take a figure for another.
const StateVersion = 1

// State is all that an engine has learnt, as plain values to be saved. Its instants are on the engine's timeline, which goes on over a
// restart: whoever restores a state hands in later instants from then on.
type State struct {
	Version  int
	At       Moment // of the last input
	Bank     BankMemory
	Battery  []BatteryMemory
	Network  network.State
	FeedPath Estimate
	Motor    motor.State
	Feed     feed.State
	Forecast forecast.State
	Findings FindingsState
}

// BankMemory is what is remembered of the bank as a whole.
type BankMemory struct {
	Start                 time.Duration // of the first input ever
	ChargedWh, DrawnWh    float64
	LastW                 float64
	LastWKnown            bool
	JudgeAt               time.Duration // next time that capability and verdict are worked out
	RestedV               Estimate
	CirculatingA          Estimate
	ShareDrawn, ShareTook [MaxBatteries]float64 // Ah, fading sums
}

// BatteryMemory is what is remembered of one battery, with whose it is.
type BatteryMemory struct {
	ID         string
	Chemistry  leadacid.Chemistry
	RatedAh    float64
	RatedCCA   float64
	Charge     estimate.State
	Load       loadtest.State
	Verdict    loadtest.JudgeState
	RestedV    Estimate
	RestedAt   time.Duration
	Capability Estimate
	Resistance Estimate
	CapacityAh Estimate
	RunsJudged uint32
	Said       loadtest.Verdict
	WaitsFor   string
}

// State gives what has been learnt. It shares no memory with the engine.
func (e *Engine) State() *State {
	s := &State{
		Version: StateVersion, At: e.out.At, Network: e.net.State(), FeedPath: e.feedPath, Motor: e.motor.State(), Feed: e.feed.State(), Forecast: e.ahead.meter.State(), Findings: e.FindingsState(),
		Bank: BankMemory{
			Start: e.startA, ChargedWh: e.chargedWh, DrawnWh: e.drawnWh,
			LastW: e.lastW, LastWKnown: e.haveW, JudgeAt: e.judgeAt, RestedV: e.out.Bank.RestedV,
			CirculatingA: e.out.Bank.CirculatingA,
			ShareDrawn:   e.share.drawnAh, ShareTook: e.share.chargedAh,
		},
	}
	for i, b := range e.cfg.Batteries {
		out := &e.out.Battery[i]
		s.Battery = append(s.Battery, BatteryMemory{
			ID: b.ID, Chemistry: b.Chemistry, RatedAh: b.RatedAh, RatedCCA: b.RatedCCA,
			Charge: e.est[i].State(), Load: e.load[i].State(), Verdict: e.judge[i].State(),
			RestedV: out.RestedV, RestedAt: out.RestedAt,
			Capability: out.CrankingA, Resistance: out.Resistance, CapacityAh: out.CapacityAh, RunsJudged: out.RunsJudged,
			Said: out.Verdict, WaitsFor: out.WaitsFor,
		})
	}
	return s
}

// Restore takes over what an engine of the same unit had learnt; call it before the first Step. What can't be taken over, because the
// unit was rebuilt or the figures can't be, starts anew and is told of in the error; the rest is taken over all the same. After an
// error that wraps ErrStateRefused nothing was taken over.
func (e *Engine) Restore(s *State) error {
	switch {
	case e.begun:
		return fmt.Errorf("rules: restore: %w: the engine has begun", ErrStateRefused)
	case s.Version != StateVersion:
		return fmt.Errorf("rules: restore: %w: version %d: want %d", ErrStateRefused, s.Version, StateVersion)
	case s.At.Mono < 0 || s.Bank.Start > s.At.Mono:
		return fmt.Errorf("rules: restore: %w: taken at %v, begun at %v: want 0 or later, in order", ErrStateRefused, s.At.Mono, s.Bank.Start)
	}
	var errs []error
	errs = append(errs, e.motor.Restore(s.Motor), e.feed.Restore(s.Feed), e.restoreBank(&s.Bank), e.ahead.meter.Restore(s.Forecast), e.RestoreFindings(s.Findings))
	same := len(s.Battery) == len(e.cfg.Batteries)
	for i, b := range e.cfg.Batteries {
		k := memoryOf(s.Battery, b.ID)
		same = same && k == i
		if k < 0 {
			errs = append(errs, fmt.Errorf("battery %s: nothing saved of it", b.ID))
			continue
		}
		if err := e.restoreBattery(i, &s.Battery[k]); err != nil {
			errs = append(errs, fmt.Errorf("battery %s: %w", b.ID, err))
		}
	}
	if same {
		if err := e.net.Restore(s.Network); err != nil {
			errs = append(errs, err)
		} else {
			e.feedPath = s.FeedPath
			e.summariseNetwork()
		}
	} else {
		errs = append(errs, errors.New("links and leads: the bank has other batteries, or in another order"))
	}
	e.begun, e.last, e.out.At = true, s.At.Mono, s.At
	if err := errors.Join(errs...); err != nil {
		return fmt.Errorf("rules: restore: %w", err)
	}
	return nil
}

// ErrStateRefused marks a state of which nothing could be taken over.
var ErrStateRefused = errors.New("state refused")

func memoryOf(saved []BatteryMemory, id string) int {
	for k := range saved {
		if saved[k].ID == id {
			return k
		}
	}
	return -1
}

func (e *Engine) restoreBank(b *BankMemory) error {
	sums := []float64{b.ChargedWh, b.DrawnWh}
	sums = append(append(sums, b.ShareDrawn[:]...), b.ShareTook[:]...)
	for _, x := range sums {
		if !(x >= 0 && x < 1e9) {
			return fmt.Errorf("bank: a sum of %g: want 0 or more", x)
		}
	}
	if !(b.LastW > -1e6 && b.LastW < 1e6) {
		return fmt.Errorf("bank: power %g W: want one that can be", b.LastW)
	}
	e.startA, e.judgeAt = b.Start, b.JudgeAt
	e.chargedWh, e.drawnWh, e.lastW, e.haveW = b.ChargedWh, b.DrawnWh, b.LastW, b.LastWKnown
	e.share = shareState{drawnAh: b.ShareDrawn, chargedAh: b.ShareTook}
	e.out.Bank.RestedV, e.out.Bank.CirculatingA = b.RestedV, b.CirculatingA
	return nil
}

func (e *Engine) restoreBattery(i int, m *BatteryMemory) error {
	b := &e.cfg.Batteries[i]
	if m.Chemistry != b.Chemistry || m.RatedAh != b.RatedAh || m.RatedCCA != b.RatedCCA {
		return fmt.Errorf("saved of another: %v %g Ah %g A CCA: the configuration has %v %g Ah %g A CCA", m.Chemistry, m.RatedAh, m.RatedCCA, b.Chemistry, b.RatedAh, b.RatedCCA)
	}
	if m.Said > loadtest.Failed {
		return fmt.Errorf("verdict %d: want 0 to %d", m.Said, loadtest.Failed)
	}
	if err := errors.Join(e.est[i].Restore(m.Charge), e.load[i].Restore(m.Load), e.judge[i].Restore(m.Verdict)); err != nil {
		return err
	}
	out := &e.out.Battery[i]
	out.RestedV, out.RestedAt = m.RestedV, m.RestedAt
	out.CrankingA, out.Resistance, out.CapacityAh = m.Capability, m.Resistance, m.CapacityAh
	out.RunsJudged, out.Verdict, out.WaitsFor = m.RunsJudged, m.Said, m.WaitsFor
	return nil
}
