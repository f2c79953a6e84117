package agent

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"time"

	"golang.org/x/sync/errgroup"

	"liftbank/agent/config"
	"liftbank/agent/outlet"
	"liftbank/agent/publish"
	"liftbank/agent/snapshot"
)

// kinds are the outlets that an agent can have.
var kinds = []outlet.Kind{publish.Kind}

// outlets are those that a unit has.
type outlets []outlet.Outlet

// outletNames returns the names of the outlets that a configuration has.
func outletNames(cfg *config.Config) (names []string) {
	for _, k := range kinds {
		if k.Wanted(cfg) {
			names = append(names, k.Name)
		}
	}
	return names
}

// newOutlets makes the outlets of the configuration.
func (a *Agent) newOutlets() error {
	log := a.opts.Log
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	for _, k := range kinds {
		if !k.Wanted(&a.opts.Config) {
			continue
		}
		o := outlet.Options{
			Unit: a.opts.Config.Unit.ID, Session: a.opts.Session, Hub: a.hub, Outbox: a.store.Outlet(k.Name),
			Clock: outlet.Clock{Now: a.opts.Now, After: time.After}, Rand: rand.Float64, Log: log,
		}
		if o.Outbox == nil {
			return fmt.Errorf("outlet %s: the store was opened without it: want OpenStore with this configuration",
				k.Name)
		}
		made, err := k.New(&a.opts.Config, o)
		if err != nil {
			return err
		}
		a.outlets = append(a.outlets, made)
	}
	return nil
}

// run runs all until ctx ends or one fails.
func (all outlets) run(ctx context.Context) error {
	g, ctx := errgroup.WithContext(ctx)
	for _, o := range all {
		g.Go(func() error { return o.Run(ctx) })
	}
	return g.Wait()
}

// wake has all of them look whether there is something new to say.
func (all outlets) wake() {
	for _, o := range all {
		o.Wake()
	}
}

// states returns how each of them does.
func (all outlets) states() (states []outlet.State) {
	for _, o := range all {
		states = append(states, o.State())
	}
	return states
}

// shown returns what the snapshot says of them.
func (all outlets) shown() (list []snapshot.Outlet) {
	for _, s := range all.states() {
		list = append(list, snapshot.Outlet{Name: s.Name, Connected: s.Connected, Problem: s.Problem})
	}
	return list
}

// readingsEvery returns the time between batches of readings; 0 is none. All outlets send the same
// batches, so the one that wants them most often decides.
func (all outlets) readingsEvery() (every time.Duration) {
	for _, o := range all {
		if e := o.ReadingsEvery(); e > 0 && (every == 0 || e < every) {
			every = e
		}
	}
	return every
}

// budgetLevel returns how scarce the scarcest budget of bytes is, 0 (plenty) to 3 (used up).
func (all outlets) budgetLevel() (level int) {
	for _, o := range all {
		level = max(level, o.State().BudgetLevel)
	}
	return level
}
