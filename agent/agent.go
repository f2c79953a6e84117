// Package agent is one unit's agent: it scans the board, works the scans out, and hands the result to everything that shows,
// sends or serves it.
//
// The loop alone owns the board and the rules, so neither has locks. Everyone else reads immutable snapshots from a hub. Parts stop in
// the order that data flows: scanning, publishing, page.
package agent

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/http"
	"sync"
	"time"

	"liftbank/agent/config"
	"liftbank/agent/metrics"
	"liftbank/agent/page"
	"liftbank/agent/publish"
	"liftbank/agent/readings"
	"liftbank/agent/snapshot"
	"liftbank/agent/store"
	"liftbank/rules"
)

// Options are what an agent is made of besides its configuration.
type Options struct {
	Config    config.Config
	Parts     Parts
	Listener  net.Listener // of the page; the agent closes it
	Session   string       // this start of the agent; unique among starts
	StateFile string       // where what was learnt is kept over restarts; empty: nowhere
	Version   string
	Revision  string
	Store     *store.Store // the agent runs it; nil keeps the unit's past in memory
	Alive     func()       // called after each scan and not otherwise, for a watchdog; nil for none
	Log       *slog.Logger
	// Now is the process's clock. It paces snapshots, connections and time-outs: sockets and people live by it, however fast the
	// unit's own clock runs in a demonstration.
	Now func() time.Time
}

// snapshotEvery is how often a new snapshot is made while nothing happens.
const snapshotEvery = time.Second

// Agent is one unit's agent.
type Agent struct {
	opts      Options
	core      *Core
	hub       *snapshot.Hub
	publisher *publish.Publisher // nil where nothing is sent
	server    *page.Server
	memory    *memory // nil where nothing is kept
	saves     Saves
	store     *store.Store
	rec       *recorder
	seq       uint64
	lastMade  time.Time
	orders    chan order
	stopped   chan struct{} // closed when the loop has ended
}

// New puts an agent together. Nothing runs before Run.
func New(o Options) (*Agent, error) {
	core, err := NewCore(o.Config, o.Parts)
	if err != nil {
		return nil, fmt.Errorf("agent: %w", err)
	}
	a := &Agent{opts: o, core: core, hub: snapshot.NewHub(o.Now), store: o.Store, orders: make(chan order), stopped: make(chan struct{})}
	if o.StateFile != "" {
		a.memory = newMemory(o.StateFile, o.Log)
		a.memory.restore(core)
	}
	if a.store == nil {
		if a.store, err = OpenStore(o.Config, "", o.Session, o.Now, o.Log); err != nil {
			return nil, fmt.Errorf("agent: %w", err)
		}
	}
	if m := o.Config.MQTT; m != nil {
		if a.publisher, err = a.newPublisher(m); err != nil {
			return nil, fmt.Errorf("agent: %w", err)
		}
	}
	a.rec = a.newRecorder()
	po, err := a.pageOptions()
	if err != nil {
		return nil, fmt.Errorf("agent: %w", err)
	}
	if a.server, err = page.New(po); err != nil {
		return nil, fmt.Errorf("agent: %w", err)
	}
	return a, nil
}

func (a *Agent) newPublisher(m *config.MQTT) (*publish.Publisher, error) {
	return publish.New(publish.Options{
		Broker: m.Broker, Username: m.Username, PasswordFile: m.PasswordFile,
		CAFile: m.CAFile, CertFile: m.CertFile, KeyFile: m.KeyFile,
		Prefix: m.Prefix, Unit: a.opts.Config.Unit.ID, Session: a.opts.Session,
		Hub: a.hub, Clock: publish.Clock{Now: a.opts.Now, After: time.After}, Rand: rand.Float64, Log: a.opts.Log,
		Outbox: a.store, Budget: m.DailyKB * 1000, SenML: m.Encoding == config.SenML, Deflate: m.Deflate,
		Every: m.SnapshotEvery, Limits: publish.Limits{KeepAlive: m.KeepAlive},
	})
}

// OpenStore opens the store that a unit's configuration describes, in dir; "" keeps everything in memory.
func OpenStore(cfg config.Config, dir, session string, now func() time.Time, log *slog.Logger) (*store.Store, error) {
	return store.Open(store.Options{
		Dir: dir, Session: session, Layout: readings.LayoutOf(batteryIDs(&cfg)), Now: now, Log: log,
		Limits: store.Limits{Minutes: cfg.Store.Minutes, Tens: cfg.Store.History, FileBytes: int64(cfg.Store.MaxMB) << 20},
	})
}

func batteryIDs(cfg *config.Config) (ids []string) {
	for _, b := range cfg.Bank.Batteries {
		ids = append(ids, b.ID)
	}
	return ids
}

func (a *Agent) newRecorder() *recorder {
	every, thrift := time.Duration(0), func() int { return 0 }
	if a.publisher != nil {
		every, thrift = a.opts.Config.MQTT.ReadingsEvery, a.publisher.Thrift
	}
	return newRecorder(a.store, batteryIDs(&a.opts.Config), every, thrift, func() time.Duration { return a.core.shift }, a.opts.Log)
}

func (a *Agent) metrics() http.Handler {
	o := metrics.Options{Hub: a.hub, Version: a.opts.Version, Revision: a.opts.Revision, Started: a.opts.Now()}
	o.Store = a.store.Health
	if a.publisher != nil {
		o.Publish = a.publisher.State
	}
	return metrics.Handler(metrics.New(o))
}

// Hub gives the snapshots.
func (a *Agent) Hub() *snapshot.Hub { return a.hub }

// Store gives the unit's past; it can be asked while Run runs.
func (a *Agent) Store() *store.Store { return a.store }

// Published gives how publishing goes; zero where nothing is sent.
func (a *Agent) Published() publish.State {
	if a.publisher == nil {
		return publish.State{}
	}
	return a.publisher.State()
}

// Core gives the measuring part; its figures belong to the loop while Run runs.
func (a *Agent) Core() *Core { return a.core }

// Run works until ctx ends or a part fails, then stops all parts in order and returns the first failure; nil when it was only
// told to stop. It leaves no goroutine behind.
func (a *Agent) Run(ctx context.Context) error {
	ctx, fail := context.WithCancelCause(ctx)
	defer fail(nil)
	var scanning, keeping, publishing, serving, storing sync.WaitGroup
	// What is kept, publishing and page outlive scanning, so that the last snapshot still goes out; the store outlives all that ask it.
	keepCtx, stopKeeping := context.WithCancel(context.WithoutCancel(ctx))
	defer stopKeeping()
	storeCtx, stopStoring := context.WithCancel(context.WithoutCancel(ctx))
	defer stopStoring()
	pubCtx, stopPublishing := context.WithCancel(context.WithoutCancel(ctx))
	defer stopPublishing()
	pageCtx, stopServing := context.WithCancel(context.WithoutCancel(ctx))
	defer stopServing()

	storing.Go(func() { report(fail, a.store.Run(storeCtx)) })
	serving.Go(func() { report(fail, a.server.Serve(pageCtx, a.opts.Listener)) })
	if a.publisher != nil {
		publishing.Go(func() { report(fail, a.publisher.Run(pubCtx)) })
	}
	if a.memory != nil {
		keeping.Go(func() { a.memory.run(keepCtx) })
	}
	scanning.Go(func() { report(fail, a.loop(ctx)) })

	<-ctx.Done()
	scanning.Wait()
	stopKeeping()
	keeping.Wait()
	a.writeRest(storeCtx)
	stopPublishing()
	publishing.Wait()
	stopServing()
	serving.Wait()
	stopStoring()
	storing.Wait()
	if err := context.Cause(ctx); !errors.Is(err, context.Canceled) && !errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return nil
}

// writeRest has the card take what the last scans brought before the broker is left, within a bound.
func (a *Agent) writeRest(ctx context.Context) {
	const limit = 5 * time.Second
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	if err := a.store.Flush(ctx); err != nil {
		a.opts.Log.Warn("stopping: not everything is on the card", "err", err)
	}
}

func report(fail context.CancelCauseFunc, err error) {
	if err != nil {
		fail(err)
	}
}

// loop scans and works out until ctx ends.
func (a *Agent) loop(ctx context.Context) error {
	defer close(a.stopped)
	for {
		out, err := a.core.Next(ctx)
		if err != nil {
			if a.seq > 0 {
				a.publishSnapshot(a.opts.Now()) // the last word
				a.rec.end(a.core.Output().At)
				a.save()
			}
			return nil
		}
		if a.opts.Alive != nil {
			a.opts.Alive()
		}
		a.rec.step(out, a.core.Input())
		ordered := a.takeOrders()
		changed := a.handleEvents(out) || ordered
		if a.saves.Due(out) || ordered {
			a.save()
		}
		if now := a.opts.Now(); changed || now.Sub(a.lastMade) >= snapshotEvery {
			a.publishSnapshot(now)
		}
	}
}

func (a *Agent) save() {
	if a.memory != nil {
		a.memory.give(a.core.State())
	}
}

// handleEvents keeps runs and findings, and reports whether a finding changed.
func (a *Agent) handleEvents(out *rules.Output) (changed bool) {
	l := labels{out.At}
	for _, ev := range out.Events {
		switch ev.Kind {
		case rules.RunEnded:
			a.rec.run(out.At, ev.Run, runOf(ev.Run, l))
		case rules.FindingRaised, rules.FindingCleared, rules.FindingChanged:
			changed = true
			f := changeOf(out, ev, l)
			a.opts.Log.Info("finding changed", "unit", a.opts.Config.Unit.ID, "finding", f.Name, "subject", f.Subject, "state", f.State, "change", f.Change, "seq", f.Seq)
			a.rec.finding(out.At, f)
		}
	}
	return changed
}

func (a *Agent) publishSnapshot(now time.Time) {
	a.seq++
	a.lastMade = now
	a.hub.Publish(a.core.Snapshot(a.opts.Session, a.seq))
}
