//go:build !board

package main

import (
	"context"
	"fmt"
	"io"
	"net"
	"slices"
	"time"

	"liftbank/agent"
	"liftbank/agent/visit"
	"liftbank/cmd/internal/rig"
	"liftbank/rules"
	"liftbank/sim/scenario"
)

// Past that a demonstration plays before its page opens.
const (
	usualPast = 14 * 24 * time.Hour
	mostPast  = 60 * 24 * time.Hour
	// coarsePast is added to the time between scans of the past while nothing happens: every minute
	// still has some, and two weeks take a third of the time. Scans of motor runs are thinned out, too.
	coarsePast = 10 * time.Second
)

// past is how much is played first: two weeks, or a longer story that something is found in, whole. A fleet's
// broker gets none: that is a trial of a unit, and invented weeks would stand among real ones.
func (c demoCmd) past(sc *scenario.Scenario) time.Duration {
	switch {
	case c.Past != nil:
		return *c.Past
	case c.Broker.URL != "":
		return 0
	case len(sc.Expect) > 0:
		return min(max(usualPast, sc.Length()), mostPast)
	}
	return usualPast
}

// recent moves a scenario into the last weeks, in the season that it was written for. What goes wrong in a
// story that is shorter than the past goes wrong in the last days of that, later by so much, and before them
// is ordinary work.
func recent(sc scenario.Scenario, past time.Duration, now time.Time) (moved scenario.Scenario, later time.Duration) {
	const day, week = 24 * time.Hour, 7
	midnight := sc.Start.UTC().Truncate(day)
	weekday := midnight.Weekday()
	later = (past - sc.Length()).Truncate(day)
	if later > 0 && len(sc.Faults)+len(sc.Sensors.Faults)+len(sc.Work) > 0 {
		sc.Faults, sc.Sensors.Faults, sc.Work = slices.Clone(sc.Faults), slices.Clone(sc.Sensors.Faults), slices.Clone(sc.Work)
		for i := range sc.Work {
			sc.Work[i].At += later
		}
		for i := range sc.Faults {
			sc.Faults[i].At += later
		}
		for i := range sc.Sensors.Faults {
			sc.Sensors.Faults[i].At += later
		}
		// The page opens on a Friday: the days before are working days, on which things show.
		weekday = time.Weekday((int(time.Friday) - int(past/day)%week + week) % week)
	} else {
		later = 0
	}
	start := now.UTC().Truncate(day).Add(-day - past.Truncate(day))
	for start.Weekday() != weekday {
		start = start.Add(-day)
	}
	const year = 365
	sc.Weather.WarmestDay = (sc.Weather.WarmestDay+start.YearDay()-midnight.YearDay()-1+2*year)%year + 1
	sc.Start = start.Add(sc.Start.Sub(midnight))
	return sc, later
}

// played paces a demonstration: first the past, as fast as the machine can, then at its speed.
type played struct {
	unit  *rig.Rig
	agent *agent.Agent
	out   io.Writer

	opens  time.Duration      // when the page does, on the unit's clock; the past ends
	visit  time.Duration      // when there was a service visit; 0: none
	work   []scenario.Stretch // when somebody works on the unit and has told it
	begun  bool               // the first of work was told
	pacer  *pacer
	over   chan struct{} // closed when the past is
	open   chan struct{} // closed when the page can be looked at
	isOver bool
	looks  uint64    // at the time of day, those left out too
	began  time.Time // of playing
	told   time.Time // how far it has come
}

const (
	tellEvery = 2 * time.Second
	lookEvery = 256 // moves of the unit's clock: asking for the time takes as long as a move
	// A lift is looked for this far ahead; a trailer that stays parked has none.
	liftWithin = 4 * 24 * time.Hour
	// Before the first lift there is this much time to look at the page, at the speed of the demonstration,
	// but at most as long for the unit.
	beforeLift, mostBefore = 6 * time.Second, 5 * time.Minute
	// A visit is 60 % into the past.
	visitAt = 0.6
)

func newPlayed(unit *rig.Rig, past time.Duration, speed float64, out io.Writer) *played {
	p := &played{unit: unit, out: out, pacer: newPacer(speed), over: make(chan struct{}), open: make(chan struct{})}
	unit.Clock.Pace = p.pace
	if past == 0 {
		p.isOver = true
		close(p.over)
		return p
	}
	p.opens = past
	if lift, ok := unit.Unit.NextPress(past, past+liftWithin); ok {
		p.opens = max(past, lift-min(time.Duration(speed*float64(beforeLift)), mostBefore))
	}
	p.visit = time.Duration(visitAt * float64(past))
	unit.Clock.Coarsen(coarsePast)
	unit.Clock.Sparse(true)
	unit.Quick(true)
	return p
}

// at is what the unit's clock shows when the page opens.
func (p *played) at() time.Time { return p.unit.Unit.StartWall().Add(p.opens) }

// listener returns what hands the page its listener once the past is played: a browser waits until then. It is
// called until it succeeds.
func (p *played) listener(l net.Listener) func(context.Context) (net.Listener, error) {
	return func(ctx context.Context) (net.Listener, error) {
		select {
		case <-p.over:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
		if hub := p.agent.Hub(); hub.Current() != nil { // which may be a second old, or days of the past
			if _, err := hub.Next(ctx, hub.Current().Seq); err != nil {
				return nil, err
			}
		}
		close(p.open)
		return l, nil
	}
}

// pace is called by the loop after each move of the unit's clock.
func (p *played) pace(ctx context.Context, now time.Duration) error {
	if err := p.tell(now); err != nil {
		return err
	}
	if p.isOver {
		return p.pacer.wait(ctx, now)
	}
	const settle = 5 * time.Minute // with the usual scans
	if now >= p.opens-settle {
		p.unit.Clock.Coarsen(0)
		p.unit.Clock.Sparse(false)
		p.unit.Quick(false)
	}
	if p.visit > 0 && now >= p.visit {
		p.visit = 0
		if err := p.serve(); err != nil {
			fmt.Fprintf(p.out, "          without a visit: %v\n", err)
		}
	}
	if p.looks++; p.looks%lookEvery != 1 && now < p.opens {
		return ctx.Err()
	}
	real := time.Now()
	if p.began.IsZero() {
		p.began, p.told = real, real
		fmt.Fprintf(p.out, "past      %s are played first; the page opens then\n", days(p.opens))
	}
	if now >= p.opens {
		p.isOver = true
		fmt.Fprintf(p.out, "          played in %.1f s\n", real.Sub(p.began).Seconds())
		close(p.over)
	} else if real.Sub(p.told) >= tellEvery {
		p.told = real
		fmt.Fprintf(p.out, "          %.0f %%\n", 100*now.Seconds()/p.opens.Seconds())
	}
	return ctx.Err()
}

// technicianName is who serves the simulated unit.
const technicianName = "R. Vega"

// tell presses the switch of work under way as the scenario's story has it. Somebody at the page may have pressed it
// before. It is called in the loop.
func (p *played) tell(now time.Duration) error {
	core := p.agent.Core()
	if len(p.work) == 0 || now < p.work[0].At || core.Output() == nil {
		return nil
	}
	on, left := core.Output().Work.On, p.work[0].At+p.work[0].For-now
	switch {
	case left <= 0:
		p.work, p.begun = p.work[1:], false
		if on && core.Output().Work.By == technicianName {
			return core.SetWork(false, "", 0)
		}
	case !p.begun:
		if p.begun = true; !on {
			return core.SetWork(true, technicianName, min(max(left, rules.MinWork), rules.MaxWork))
		}
	}
	return nil
}

// serve makes a service visit as a technician would, now. It is called in the loop, so that it may ask the
// core; work that the agent takes part in would wait for the loop.
func (p *played) serve() error {
	visits, core := p.agent.Visits(), p.agent.Core()
	if visits == nil || core.Output() == nil {
		return nil
	}
	if _, kept, err := visits.List(1); err != nil || kept > 0 {
		return err // an earlier demonstration's folder
	}
	if visits.Draft() != nil {
		return nil
	}
	snap := core.Snapshot("past", 1)
	now := visit.Facts{At: snap.At, Snapshot: snap, ClockTrusted: snap.ClockTrusted, InLoop: true}
	d, err := visits.Begin(technicianName, "demo01", now)
	if err != nil {
		return err
	}
	fields := map[string]string{"place": "Quarry Lane", "note": "Terminals cleaned and greased, water topped up."}
	for _, f := range visits.Form().Fields {
		if f.Kind == visit.Choice && slices.Contains(f.Choices, "ok") {
			fields[f.Key] = "ok"
		}
	}
	fields["check.feed.plug.state"] = "attention"
	if _, err := visits.Save(d.ID, d.Revision, fields, now); err != nil {
		return err
	}
	now.At = now.At.Add(38 * time.Minute)
	_, err = visits.Finish(d.ID, now)
	return err
}

// days writes a time in whole days.
func days(d time.Duration) string {
	n := int((d + 12*time.Hour) / (24 * time.Hour))
	if n == 1 {
		return "1 day"
	}
	return fmt.Sprintf("%d days", n)
}
