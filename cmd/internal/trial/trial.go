// Package trial plays a scenario through the agent's board, estimators and rules, as fast as it
// can.
package trial

import (
	"context"
	"fmt"
	"time"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/cmd/internal/refboard"
	"liftbank/cmd/internal/rig"
	"liftbank/cmd/internal/score"
	"liftbank/rules"
	"liftbank/sim/scenario"
)

// Options say how a scenario is played.
type Options struct {
	RestEvery  time.Duration       // between scans while the motor is stopped; 0: one second
	Coarse     time.Duration       // added to that, and to ticks of the unit, while nothing happens; a part of a minute
	Sparse     bool                // scans of motor runs are thinned out
	ThroughBus bool                // every reading byte by byte over the emulated bus
	NoCommand  bool                // the contactor coil is not wired
	TapPct     float64             // gain of the dividers may be off by so much; 0 for what the rules assume
	Restarts   Restarts            // the agent loses power now and then
	Jumps      []rig.ClockJump     // the wall clock is wrong now and then
	Moved      func(time.Duration) // called with the simulated time that each scan took; nil for none
}

// CoarseRest is Options.Coarse for trials of months and years. A test holds that it changes neither
// what is counted nor what is said.
const CoarseRest = 30 * time.Second

// coarseTail is how long scans stay fast after a run then: what is read.
const coarseTail = 1500 * time.Millisecond

// Trial is a scenario being played.
type Trial struct {
	Rig  *rig.Rig
	Core *agent.Core

	opts        Options
	name        string
	work        []scenario.Stretch // told to the monitor
	cfg         config.Config
	restartAt   time.Duration
	power       scenario.Power
	boardA      float64 // that the board takes while it is awake
	asleep      bool    // it is to be switched off
	starts      int     // after the first
	saves       agent.SaveSchedule
	saved       *rules.State // what was learned, as last saved
	scansBefore uint64       // by the agents that lost power
	wrote       curveRows
}

// unitName is the simulated unit's.
const unitName = "simulated"

// board returns how a trial's board differs from the reference.
func (o *Options) board() refboard.Options {
	every := o.RestEvery
	if every == 0 {
		every = time.Second
	}
	b := refboard.Options{NoCommand: o.NoCommand, RestEvery: every.String(), TapPct: o.TapPct}
	if o.Coarse > 0 {
		b.RunTail = coarseTail.String()
	}
	return b
}

// ConfigText returns the configuration of a scenario's unit, as a person would write it.
func ConfigText(sc *scenario.Scenario, o Options) string {
	return refboard.YAML(sc, unitName, o.board())
}

// Config returns the configuration of the unit.
func (t *Trial) Config() *config.Config { return &t.cfg }

// New puts a scenario's unit in front of an agent.
func New(sc scenario.Scenario, o Options) (*Trial, error) {
	cfg, err := refboard.Config(&sc, unitName, o.board())
	if err != nil {
		return nil, err
	}
	unit, err := rig.New(sc, cfg, o.ThroughBus)
	if err != nil {
		return nil, err
	}
	unit.Clock.Coarsen(o.Coarse)
	unit.Clock.Sparse(o.Sparse)
	unit.JumpClock(o.Jumps)
	core, err := agent.NewCore(cfg, unit.Parts())
	if err != nil {
		return nil, err
	}
	return &Trial{
		Rig: unit, Core: core, opts: o, name: sc.Name, work: sc.Work, cfg: cfg, restartAt: o.Restarts.Every,
		power: sc.Power, boardA: sc.BoardA,
	}, nil
}

// Play plays until the time since the start reaches end. each, if not nil, is called after every
// scan.
func (t *Trial) Play(ctx context.Context, end time.Duration, each func(*rules.Output) error) error {
	for t.Now() < end {
		before := t.Now()
		out, err := t.next(ctx)
		if err == nil && each != nil {
			err = each(out)
		}
		if err != nil {
			return fmt.Errorf("%s: stopped after %v: %w", t.name, t.Now().Round(time.Second), err)
		}
		if t.opts.Moved != nil {
			t.opts.Moved(t.Now() - before)
		}
	}
	return nil
}

// Now returns the time since the start.
func (t *Trial) Now() time.Duration { return t.Rig.Clock.Now() }

// Fast reports whether the last scan was one of a motor run.
func (t *Trial) Fast() bool { return t.Core.Scan().Fast }

// Scans returns the number of scans so far.
func (t *Trial) Scans() uint64 { return t.scansBefore + t.Core.Stats().Scans }

// Run plays a scenario for a time and compares it with the truth. each, if not nil, is called after
// every scan.
func Run(ctx context.Context, sc scenario.Scenario, o Options, length time.Duration,
	each func(*Trial, *rules.Output) error) (*score.Report, *score.Findings, error) {
	t, err := New(sc, o)
	if err != nil {
		return nil, nil, err
	}
	s := score.New(&sc, t.Rig.Unit, length)
	err = t.Play(ctx, length, func(out *rules.Output) error {
		s.Step(t.Now(), out, t.Fast())
		if each == nil {
			return nil
		}
		return each(t, out)
	})
	if err != nil {
		return nil, nil, err
	}
	t.Core.Forecast()
	rep := s.Report(t.Now(), t.Core.Output())
	rep.Scans = t.Scans()
	return rep, s.Findings, nil
}
