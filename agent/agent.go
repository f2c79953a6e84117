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
	"liftbank/agent/history"
	"liftbank/agent/metrics"
	"liftbank/agent/page"
	"liftbank/agent/publish"
	"liftbank/agent/snapshot"
	"liftbank/agent/visit"
	"liftbank/rules"
)

// Options are what an agent is made of besides its configuration.
type Options struct {
	Config   config.Config
	Parts    Parts
	Listener net.Listener // of the page; the agent closes it
	Session  string       // this start of the agent; unique among starts
	Version  string
	Revision string
	Log      *slog.Logger
	// Now is the process's clock. It paces snapshots, connections and time-outs: sockets and people live by it, however fast the
	// unit's own clock runs in a demonstration.
	Now func() time.Time

	Actions visit.Actions  // what a technician can make the agent do; nil: nothing
	Outlet  visit.Outlet   // where finished visits go besides their folder; nil: nowhere
	History history.Source // nil: no past is kept
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
	seq       uint64
	lastMade  time.Time
}

// New puts an agent together. Nothing runs before Run.
func New(o Options) (*Agent, error) {
	core, err := NewCore(o.Config, o.Parts)
	if err != nil {
		return nil, fmt.Errorf("agent: %w", err)
	}
	a := &Agent{opts: o, core: core, hub: snapshot.NewHub(o.Now)}
	if m := o.Config.MQTT; m != nil {
		if a.publisher, err = a.newPublisher(m); err != nil {
			return nil, fmt.Errorf("agent: %w", err)
		}
	}
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
		Every: m.SnapshotEvery, Limits: publish.Limits{KeepAlive: m.KeepAlive},
	})
}

func (a *Agent) metrics() http.Handler {
	o := metrics.Options{Hub: a.hub, Version: a.opts.Version, Revision: a.opts.Revision, Started: a.opts.Now()}
	if a.publisher != nil {
		o.Publish = a.publisher.State
	}
	return metrics.Handler(metrics.New(o))
}

// Hub gives the snapshots.
func (a *Agent) Hub() *snapshot.Hub { return a.hub }

// Core gives the measuring part; its figures belong to the loop while Run runs.
func (a *Agent) Core() *Core { return a.core }

// Run works until ctx ends or a part fails, then stops all parts in order and returns the first failure; nil when it was only
// told to stop. It leaves no goroutine behind.
func (a *Agent) Run(ctx context.Context) error {
	ctx, fail := context.WithCancelCause(ctx)
	defer fail(nil)
	var scanning, publishing, serving sync.WaitGroup
	// Publishing and page outlive scanning, so that the last snapshot still goes out.
	pubCtx, stopPublishing := context.WithCancel(context.WithoutCancel(ctx))
	defer stopPublishing()
	pageCtx, stopServing := context.WithCancel(context.WithoutCancel(ctx))
	defer stopServing()

	serving.Go(func() { report(fail, a.server.Serve(pageCtx, a.opts.Listener)) })
	if a.publisher != nil {
		publishing.Go(func() { report(fail, a.publisher.Run(pubCtx)) })
	}
	scanning.Go(func() { report(fail, a.loop(ctx)) })

	<-ctx.Done()
	scanning.Wait()
	stopPublishing()
	publishing.Wait()
	stopServing()
	serving.Wait()
	if err := context.Cause(ctx); !errors.Is(err, context.Canceled) && !errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return nil
}

func report(fail context.CancelCauseFunc, err error) {
	if err != nil {
		fail(err)
	}
}

// loop scans and works out until ctx ends.
func (a *Agent) loop(ctx context.Context) error {
	for {
		out, err := a.core.Next(ctx)
		if err != nil {
			if a.seq > 0 {
				a.publishSnapshot(a.opts.Now()) // the last word
			}
			return nil
		}
		changed := a.handleEvents(out)
		if now := a.opts.Now(); changed || now.Sub(a.lastMade) >= snapshotEvery {
			a.publishSnapshot(now)
		}
	}
}

// handleEvents sends runs and findings on, and reports whether a finding changed.
func (a *Agent) handleEvents(out *rules.Output) (changed bool) {
	l := labels{out.At}
	for _, ev := range out.Events {
		switch ev.Kind {
		case rules.RunEnded:
			if a.publisher != nil {
				a.publisher.AddRun(l.at(out.At.Mono), runOf(ev.Run, l))
			}
		case rules.FindingRaised, rules.FindingCleared:
			changed = true
			f := findingOf(&out.Findings[ev.Finding], l)
			a.opts.Log.Info("finding changed", "unit", a.opts.Config.Unit.ID, "finding", f.Name, "subject", f.Subject, "state", f.State)
			if a.publisher != nil {
				a.publisher.AddFinding(l.at(out.At.Mono), f)
			}
		}
	}
	return changed
}

func (a *Agent) publishSnapshot(now time.Time) {
	a.seq++
	a.lastMade = now
	a.hub.Publish(a.core.Snapshot(a.opts.Session, a.seq))
}
