package rules

import (
	"fmt"

	"liftbank/rules/detect"
	"liftbank/rules/feed"
	"liftbank/rules/limit"
	"liftbank/rules/motor"
	"liftbank/rules/pump"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// configure gives the parts that have limits their values.
func (e *Engine) configure() error {
	s := &e.set
	if err := limit.Apply(s.Limits(), e.cfg.Limits); err != nil {
		return err
	}
	e.motor = motor.New(motor.Settings{MinA: s.MotorMinA, CycleRuns: int(s.CycleRuns)})
	e.feed = feed.New(feed.Settings{Allowance: s.FeedAllowance, PresentV: s.FeedPresentV, PresentA: s.FeedPresentA})
	e.output.RatedA = s.FeedRatedA
	e.pump = pump.New(pump.Settings{Batteries: len(e.cfg.Batteries), Layout: e.cfg.Layout, MinA: s.MotorMinA, UsualA: s.MotorUsualA})
	e.ahead = newAhead(&e.cfg, s, &e.class)
	e.book.MaxShelve = s.MaxShelving
	return nil
}

// byConfig is who took a finding out of service in the unit's configuration.
const byConfig = "configuration"

// watch puts the findings to work.
func (e *Engine) watch() error {
	f := &e.frame
	f.State, f.Spec, f.Settings, f.Read = &e.out.State, e.cfg.Batteries, e.set, &e.read
	limit.InSeries(f.Settings.Limits(), e.cfg.Layout.Blocks())
	f.Layout, f.Balancer, f.Fitted, f.Supply = e.cfg.Layout, e.cfg.Balancer, e.cfg.Fitted, &e.supply
	f.Temps, f.Batteries = make([]unit.Reading, len(e.cfg.Batteries)), make([]view.BatteryFacts, len(e.cfg.Batteries))
	f.Trust, f.Pump, f.Days, f.Book = e.trust, &e.pump.State, &e.days.Memory, &e.book
	var err error
	if e.found, err = detect.Start(f, e.cfg.Limits); err != nil {
		return err
	}
	e.out.Findings = e.book.Records
	for i := range e.book.Records {
		r := &e.book.Records[i]
		for _, name := range e.cfg.OutOfService {
			if name != r.Def.Name {
				continue
			}
			if err := e.book.TakeOut(name, r.Subject, byConfig, 0); err != nil {
				return fmt.Errorf("bug: take %s out of service: %w", name, err)
			}
		}
	}
	return nil
}
