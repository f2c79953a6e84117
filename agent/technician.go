package agent

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"liftbank/agent/config"
	"liftbank/agent/moment"
	"liftbank/agent/records"
	"liftbank/agent/store/outbox"
	"liftbank/agent/visit"
	"liftbank/rules"
	"liftbank/rules/view"
)

// technician does what somebody at the unit asks for, in the loop's goroutine.
type technician struct{ agent *Agent }

var (
	_ visit.Actions = technician{}
	_ visit.Switch  = technician{}
)

// do has the loop act. A new snapshot and a save follow at once.
func (t technician) do(ctx context.Context, what func(e *rules.Engine, now time.Duration) error) error {
	return t.agent.Do(ctx, func(e *rules.Engine) error { return what(e, e.Now().Mono) })
}

// ReplaceBattery forgets what was learned of the battery that was in that place.
func (t technician) ReplaceBattery(ctx context.Context, battery, by string) error {
	i := slices.IndexFunc(t.agent.opts.Config.Bank.Batteries, func(b config.Battery) bool { return b.ID == battery })
	t.log("battery replaced", by, "battery", battery)
	return t.do(ctx, func(e *rules.Engine, _ time.Duration) error {
		if !e.ForgetBattery(i) {
			return fmt.Errorf("battery %q: not in this bank: want one of its batteries", battery)
		}
		return nil
	})
}

// JointCleaned forgets what was learned of links and paths.
func (t technician) JointCleaned(ctx context.Context, by string) error {
	t.log("joints cleaned", by)
	return t.do(ctx, func(e *rules.Engine, _ time.Duration) error {
		e.ForgetLinks()
		return nil
	})
}

// ResetService restarts the counts of a kind of service.
func (t technician) ResetService(ctx context.Context, kind, by string) error {
	t.log("service done", by, "kind", kind)
	for _, k := range []rules.ServiceKind{view.Service, view.Filter, view.Oil} {
		if k.String() == kind {
			return t.do(ctx, func(e *rules.Engine, _ time.Duration) error {
				e.ServiceDone(k)
				return nil
			})
		}
	}
	return fmt.Errorf("service %q: want service, filter or oil", kind)
}

// BeginWork says that somebody works on the unit. A visit takes over the switch's work; what is
// under way already goes on.
func (t technician) BeginWork(ctx context.Context, kind, by string) error {
	k := view.BySwitch
	if kind == view.ByVisit.String() {
		k = view.ByVisit
	}
	span := t.agent.opts.Config.Visits.WorkTime
	if name := []rune(by); len(name) > rules.MaxWorker {
		by = string(name[:rules.MaxWorker])
	}
	err := t.do(ctx, func(e *rules.Engine, _ time.Duration) error { return e.BeginWork(k, by, span) })
	if errors.Is(err, rules.ErrWorkOn) {
		return nil
	}
	if err == nil {
		t.log("work under way", by, "kind", kind, "for", span)
	}
	return err
}

// EndWork says that nobody works on the unit any more.
func (t technician) EndWork(ctx context.Context, by string) error {
	err := t.do(ctx, func(e *rules.Engine, _ time.Duration) error { return e.EndWork() })
	if errors.Is(err, rules.ErrNoWork) {
		return nil
	}
	if err == nil {
		t.log("work under way ended", by)
	}
	return err
}

// Acknowledge: see rules.Engine.
func (t technician) Acknowledge(ctx context.Context, finding, subject, by string) error {
	return t.do(ctx, func(e *rules.Engine, now time.Duration) error {
		return e.Findings().Acknowledge(finding, subject, by, now)
	})
}

// Shelve: see rules.Engine.
func (t technician) Shelve(ctx context.Context, finding, subject, by string, span time.Duration) error {
	return t.do(ctx, func(e *rules.Engine, now time.Duration) error {
		return e.Findings().Shelve(finding, subject, by, now, span)
	})
}

// Unshelve: see rules.Engine.
func (t technician) Unshelve(ctx context.Context, finding, subject, by string) error {
	return t.do(ctx, func(e *rules.Engine, now time.Duration) error {
		return e.Findings().Unshelve(finding, subject, by, now)
	})
}

// Note: see rules.Engine.
func (t technician) Note(ctx context.Context, finding, subject, by, text string) error {
	return t.do(ctx, func(e *rules.Engine, now time.Duration) error {
		return e.Findings().Remark(finding, subject, by, text, now)
	})
}

func (t technician) log(what, by string, more ...any) {
	t.agent.opts.Log.Info(what, append([]any{"unit", t.agent.opts.Config.Unit.ID, "by", by}, more...)...)
}

// visitOutlet hands finished visits to the store, and with it to the outlets.
type visitOutlet struct{ agent *Agent }

var _ visit.Outlet = visitOutlet{}

// visitWait is how long the card may take; after it the visit is held in memory until the card
// takes it, and stays in its own folder.
const visitWait = 5 * time.Second

// Visit stores a finished visit. Its times were read off the wall clock as it stood.
func (o visitOutlet) Visit(v *visit.Visit) error {
	tl := o.agent.timeline.Load()
	if tl == nil {
		return errors.New("no scan yet") // it is offered again after the first
	}
	document := *v
	document.Readings, document.Work = slices.Clone(v.Readings), slices.Clone(v.Work) // these have times
	for i := range document.Work {
		if at := document.Work[i].TakenBack; at != nil {
			document.Work[i].TakenBack = new(*at)
		}
		if c := document.Work[i].Calibrated; c != nil {
			document.Work[i].Calibrated = new(*c)
		}
	}
	later := tl.forRecords()
	moment.Each(&document, func(t *time.Time) { *t = later.correct(*t) })
	body, err := records.VisitBody(document)
	if err != nil {
		return fmt.Errorf("visit %s: %w", v.ID, err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), visitWait)
	defer cancel()
	o.agent.store.AddRecord(tl.momentOfBoard(), outbox.Visits, body)
	return o.agent.store.Flush(ctx)
}

// Technician returns what somebody at the unit can make the agent do.
func (a *Agent) Technician() interface {
	visit.Actions
	visit.Switch
} {
	return technician{a}
}
