package agent

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"

	"liftbank/agent/calibrate"
	"liftbank/agent/config"
	"liftbank/agent/safefile"
	"liftbank/agent/snapshot"
	settings "liftbank/agent/technician"
	"liftbank/agent/trouble"
	"liftbank/agent/visit"
	"liftbank/rules"
	"liftbank/rules/leadacid"
)

var _ visit.Fitter = technician{}

// useSettings applies what was set at the unit over its configuration. Settings that are there and
// can't be read now must not be taken for none: the agent begins by the configuration alone, saves
// nothing over what it had learned, and ends when they can be read again.
func (a *Agent) useSettings() {
	a.base = a.opts.Config
	path := settings.File(&a.base)
	over, err := settings.Open(path)
	if err != nil {
		a.troubles.SetError(trouble.Settings, err)
		a.opts.Log.Error("settings made at the unit can't be read", "err", err)
	}
	if over == nil { // there, and can't be read
		a.settingsUnread = path
		return
	}
	a.settings = over
	over.Settle(&a.base)
	if err := over.Stamp(&a.base); err != nil {
		a.opts.Log.Warn("what corrections were measured at can't be stored", "err", err)
	}
	cfg, all := over.Apply(a.base)
	for _, e := range all {
		switch {
		case e.Unused != "":
			a.opts.Log.Warn("setting made at the unit is not used", "setting", e.Path, "why", e.Unused)
		case e.Origin == settings.FromTechnician:
			a.opts.Log.Info("setting made at the unit", "setting", e.Path, "value", e.Value, "instead of", e.Base, "by", e.By)
		}
	}
	a.opts.Config = cfg
}

// describe puts what is known of each battery into the snapshots from now on. It belongs to the
// loop.
func (a *Agent) describe() {
	defer a.sayMixed()
	if a.settings == nil {
		return
	}
	_, all := a.settings.Apply(a.base)
	a.core.signed = make([]*calibrate.Record, len(a.core.cfg.Board.Channels))
	for i := range a.core.signed {
		a.core.signed[i] = a.signedOf(&a.core.cfg.Board.Channels[i])
	}
	for i, b := range a.base.Bank.Batteries {
		a.core.known[i] = known{passport: a.settings.Passport(b.ID)}
		for _, rating := range []string{settings.Chemistry, settings.RatedAh, settings.RatedCCA} {
			path := settings.BatteryPath(b.ID, rating)
			if slices.ContainsFunc(all, func(e settings.Effective) bool {
				return e.Path == path && e.Origin == settings.FromTechnician && e.Unused == ""
			}) {
				a.core.known[i].ratingsFrom = settings.FromTechnician
			}
		}
	}
}

// FitBattery takes up that another battery stands in a place.
func (t technician) FitBattery(ctx context.Context, battery string, now visit.Fitted, by string) error {
	t.log("battery replaced", by, "battery", battery, "chemistry", now.Chemistry, "rated_ah", now.RatedAh,
		"rated_cca_a", now.RatedCCA)
	return t.fit(ctx, battery, now, by, func(e *rules.Engine, i int, spec rules.BatteryConfig) error {
		return e.ReplaceBattery(i, spec)
	})
}

// TakeBackBattery takes up that a battery was not replaced after all.
func (t technician) TakeBackBattery(ctx context.Context, battery string, was visit.Fitted, by string) error {
	t.log("battery not replaced after all", by, "battery", battery)
	return t.fit(ctx, battery, was, by, func(e *rules.Engine, i int, spec rules.BatteryConfig) error {
		err := e.TakeBackBattery(i)
		if errors.Is(err, rules.ErrNotKept) { // the power went before it was saved
			t.log("battery taken back without what was learned of it", by, "battery", battery)
			err = e.ReplaceBattery(i, spec)
		}
		return err
	})
}

// errNoSettings says that what is set at the unit can't be kept now.
var errNoSettings = errors.New("settings made at the unit can't be read now: try again when the card can be read")

// fit writes down which battery stands in a place, then has the engine act. Where it can't, what was
// written is taken back.
func (t technician) fit(
	ctx context.Context, battery string, f visit.Fitted, by string,
	act func(e *rules.Engine, i int, spec rules.BatteryConfig) error,
) error {
	a := t.agent
	a.changing.Lock()
	defer a.changing.Unlock()
	i := slices.IndexFunc(a.base.Bank.Batteries, func(b config.Battery) bool { return b.ID == battery })
	switch {
	case i < 0:
		return fmt.Errorf("battery %q: not in this bank: want one of its batteries", battery)
	case a.settings == nil:
		return errNoSettings
	}
	chemistry, err := leadacid.Parse(f.Chemistry)
	if err != nil {
		return fmt.Errorf("battery %s: %w", battery, err)
	}
	wall, trusted, err := t.wall(ctx)
	if err != nil {
		return err
	}
	before, _ := a.settings.Apply(a.base)
	was := a.settings.Passport(battery)
	if err := a.settings.Set(&a.base, ratings(battery, f, by, wall, trusted)); err != nil {
		return err
	}
	err = t.do(ctx, func(e *rules.Engine, _ time.Duration) error {
		spec := rules.BatteryConfig{ID: battery, Chemistry: chemistry, RatedAh: f.RatedAh, RatedCCA: f.RatedCCA}
		if err := act(e, i, spec); err != nil {
			return err
		}
		b := &a.core.cfg.Bank.Batteries[i]
		b.Chemistry, b.RatedAh, b.RatedCCA = config.Chemistry(f.Chemistry), f.RatedAh, f.RatedCCA
		a.describe()
		return nil
	})
	if err == nil {
		return nil
	}
	b := before.Bank.Batteries[i]
	back := visit.Fitted{Chemistry: string(b.Chemistry), RatedAh: b.RatedAh, RatedCCA: b.RatedCCA, Passport: was}
	return errors.Join(err, a.settings.Set(&a.base, ratings(battery, back, by, wall, trusted)))
}

// ratings returns the change that has a battery of these ratings in a place.
func ratings(battery string, f visit.Fitted, by string, at time.Time, trusted bool) settings.Change {
	text := func(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }
	c := settings.Change{
		Values: map[string]string{
			settings.BatteryPath(battery, settings.Chemistry): f.Chemistry,
			settings.BatteryPath(battery, settings.RatedAh):   text(f.RatedAh),
			settings.BatteryPath(battery, settings.RatedCCA):  text(f.RatedCCA),
		},
		Passports: map[string]snapshot.Passport{battery: {}}, By: by, At: at, ClockTrusted: trusted,
	}
	if f.Passport != nil {
		c.Passports[battery] = *f.Passport
	}
	return c
}

// DescribeBattery takes up what is known of a battery that stays.
func (t technician) DescribeBattery(ctx context.Context, battery string, p snapshot.Passport, by string) error {
	a := t.agent
	if a.settings == nil {
		return errNoSettings
	}
	if !slices.Contains(batteryIDs(&a.base), battery) {
		return fmt.Errorf("battery %q: not in this bank: want one of its batteries", battery)
	}
	a.changing.Lock()
	defer a.changing.Unlock()
	t.log("battery described", by, "battery", battery)
	wall, trusted, err := t.wall(ctx)
	if err != nil {
		return err
	}
	c := settings.Change{Passports: map[string]snapshot.Passport{battery: p}, By: by, At: wall, ClockTrusted: trusted}
	if err := a.settings.Set(&a.base, c); err != nil {
		return err
	}
	return t.do(ctx, func(*rules.Engine, time.Duration) error {
		a.describe()
		return nil
	})
}

// SettleBatteries lets go of what is kept of batteries that were replaced.
func (t technician) SettleBatteries(ctx context.Context) error {
	return t.do(ctx, func(e *rules.Engine, _ time.Duration) error {
		e.SettleBatteries()
		return nil
	})
}

// known is what is known of a battery besides its ratings.
type known struct {
	passport    *snapshot.Passport
	ratingsFrom string // empty: the configuration
}

// readable reports whether a document that could not be read at the start can be read now.
func readable(path string) bool {
	_, err := safefile.Load(path)
	return path == "" || !errors.Is(err, safefile.ErrUnreadable)
}

// wall returns the unit's time of day. The loop reads it: the core is the loop's.
func (t technician) wall(ctx context.Context) (now time.Time, trusted bool, err error) {
	err = t.do(ctx, func(*rules.Engine, time.Duration) error {
		now, trusted = t.agent.core.wall()
		return nil
	})
	return now, trusted, err
}
