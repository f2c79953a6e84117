package agent

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"liftbank/agent/config"
	"liftbank/agent/visit"
	"liftbank/rules"
	"liftbank/rules/view"
)

// technician does what somebody at the unit asks for, in the loop's goroutine.
type technician struct{ agent *Agent }

var _ visit.Actions = technician{}

// do has the loop act; a finding's state and the figures are shown anew, and saved, at once.
func (t technician) do(ctx context.Context, what func(e *rules.Engine, now time.Duration) error) error {
	return t.agent.Do(ctx, func(e *rules.Engine) error { return what(e, e.Now().Mono) })
}

// ReplaceBattery forgets what was learnt of the battery that was in that place.
func (t technician) ReplaceBattery(ctx context.Context, battery, by string) error {
	i := slices.IndexFunc(t.agent.opts.Config.Bank.Batteries, func(b config.Battery) bool { return b.ID == battery })
	t.log("battery replaced", by, "battery", battery)
	return t.do(ctx, func(e *rules.Engine, _ time.Duration) error {
		if !e.ForgetBattery(i) {
			return fmt.Errorf("battery %q: there is none of that name", battery)
		}
		return nil
	})
}

// JointCleaned forgets what was learnt of links and paths.
func (t technician) JointCleaned(ctx context.Context, by string) error {
	t.log("joints cleaned", by)
	return t.do(ctx, func(e *rules.Engine, _ time.Duration) error {
		e.ForgetLinks()
		return nil
	})
}

// ResetService begins the counts of a kind of service anew.
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

// visitOutlet hands finished visits to the store, and with it to the fleet.
type visitOutlet struct{ agent *Agent }

var _ visit.Outlet = visitOutlet{}

// visitWait is how long the card may take; after it the visit is held in memory until the card takes it, and stays in its own folder.
const visitWait = 5 * time.Second

// Visit keeps a finished visit.
func (o visitOutlet) Visit(v *visit.Visit) error {
	document, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("visit %s: %w", v.ID, err)
	}
	now := rules.Moment{Wall: v.Finished, WallTrusted: v.ClockTrusted}
	if s := o.agent.hub.Current(); s != nil {
		now = rules.Moment{Mono: time.Duration(s.UptimeS * float64(time.Second)), Wall: s.At, WallTrusted: s.ClockTrusted}
	}
	ctx, cancel := context.WithTimeout(context.Background(), visitWait)
	defer cancel()
	return o.agent.store.PutVisit(ctx, now, v.ID, int64(v.Revision), document)
}
