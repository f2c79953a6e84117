package agent

import (
	"context"
	"errors"
	"fmt"
	"time"

	"liftbank/agent/config"
	"liftbank/agent/page"
	settings "liftbank/agent/technician"
	"liftbank/rules"
	"liftbank/rules/leadacid"
	"liftbank/rules/limit"
)

var _ page.Settings = technician{}

// Settings returns all that can be set at the unit, as it holds, and what was changed, oldest first.
// ok is false while what was set can't be read.
func (t technician) Settings() (all []settings.Effective, journal []settings.Entry, ok bool) {
	a := t.agent
	if a.settings == nil {
		over, err := settings.Open("")
		if err != nil {
			return nil, nil, false
		}
		_, all = over.Apply(a.base)
		return all, nil, false
	}
	_, all = a.settings.Apply(a.base)
	return all, a.settings.Journal(), true
}

// SetSettings changes settings, on the card first and then in the running agent. It returns the
// entries of the journal that came of it; those of a form that was sent twice are the first ones.
func (t technician) SetSettings(ctx context.Context, c settings.Change) ([]settings.Entry, error) {
	return t.change(ctx, func() (settings.Change, error) { return c, nil })
}

// UndoSetting takes back a change of the journal, with a new one.
func (t technician) UndoSetting(ctx context.Context, seq int, by, id string) ([]settings.Entry, error) {
	return t.change(ctx, func() (settings.Change, error) {
		c, err := t.agent.settings.Undo(&t.agent.base, seq)
		c.By, c.ID = by, id
		return c, err
	})
}

func (t technician) change(ctx context.Context, what func() (settings.Change, error)) ([]settings.Entry, error) {
	a := t.agent
	if a.settings == nil {
		return nil, errNoSettings
	}
	a.changing.Lock()
	defer a.changing.Unlock()
	c, err := what()
	if err != nil {
		return nil, err
	}
	if made := a.settings.Done(c.ID); made != nil {
		return made, nil
	}
	if c.At, c.ClockTrusted, err = t.wall(ctx); err != nil {
		return nil, err
	}
	before := a.settings.Journal()
	if err := a.settings.Set(&a.base, c); err != nil {
		return nil, err
	}
	var made []settings.Entry
	back := settings.Change{Values: map[string]string{}, By: c.By, At: c.At, ClockTrusted: c.ClockTrusted}
	for _, e := range a.settings.Journal() {
		if len(before) == 0 || e.Seq > before[len(before)-1].Seq {
			made, back.Values[e.Path] = append(made, e), e.Old
			t.log("setting changed", c.By, "setting", e.Path, "from", e.Old, "to", e.New)
		}
	}
	err = t.do(ctx, func(e *rules.Engine, _ time.Duration) error { return a.adopt(e) })
	if err != nil {
		return nil, errors.Join(err, a.settings.Set(&a.base, back))
	}
	return made, nil
}

// adopt has the running agent go by the settings as they are now. It belongs to the loop.
func (a *Agent) adopt(e *rules.Engine) error {
	cfg, all := a.settings.Apply(a.base)
	values := limit.Values{}
	for _, s := range all {
		if settings.IsInterval(s.Path) {
			values[s.Path] = cfg.Limits.Of(s.Path)
		}
	}
	errs := []error{e.SetIntervals(values)}
	for i, b := range cfg.Bank.Batteries {
		chemistry, err := leadacid.Parse(string(b.Chemistry))
		if err == nil {
			err = e.CorrectRatings(i, rules.BatteryConfig{ID: b.ID, Chemistry: chemistry, RatedAh: b.RatedAh, RatedCCA: b.RatedCCA})
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("battery %s: %w", b.ID, err))
			continue
		}
		a.core.cfg.Bank.Batteries[i] = b
	}
	a.core.cfg.Unit, a.core.cfg.Counter, a.core.cfg.Limits = cfg.Unit, cfg.Counter, cfg.Limits
	a.named.Store(&cfg.Unit)
	a.describe()
	return errors.Join(errs...)
}

// unitNow returns how people name the unit, and where it is, as it was set last.
func (a *Agent) unitNow() config.Unit {
	if u := a.named.Load(); u != nil {
		return *u
	}
	return a.opts.Config.Unit
}
