// Package agent is one unit's agent: it scans the board, calculates, and hands the result to
// everything that shows, sends or serves it.
//
// The loop alone owns the board and the rules, so neither has locks. Everyone else reads immutable
// snapshots from a hub. Parts stop in the order that data flows: scanning, outlets, page, store.
package agent

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"liftbank/agent/config"
	"liftbank/agent/metrics"
	"liftbank/agent/outlet"
	"liftbank/agent/page"
	"liftbank/agent/readings"
	"liftbank/agent/recording"
	"liftbank/agent/snapshot"
	"liftbank/agent/store"
	settings "liftbank/agent/technician"
	"liftbank/agent/trouble"
	"liftbank/agent/visit"
	"liftbank/rules"
)

// Options are what an agent is made of besides its configuration.
type Options struct {
	Config   config.Config
	File     File // of the configuration
	Parts    Parts
	Listener net.Listener // of the page; the agent closes it; nil opens one
	// Open opens the listener of the page. It is called again and again until it succeeds: a page that
	// can't be served is no reason not to measure.
	Open       func(context.Context) (net.Listener, error)
	Session    string // this start of the agent; unique among starts
	StateFile  string // of the saved state, which outlives restarts; empty: none
	RuntimeDir string // of the service, where it asks to be put to sleep; empty: nowhere
	TriesFile  string // of the PIN's tries, which outlive restarts; empty: beside StateFile
	Version    string
	Revision   string
	Store      *store.Store        // from OpenStore; the agent runs it; nil keeps everything in memory
	Recorder   *recording.Recorder // keeps all scans; the agent runs it; nil for none
	Alive      func()              // called after each scan and not otherwise, for a watchdog; nil for none
	Log        *slog.Logger
	// Now is the process's clock. It paces snapshots, connections and time-outs: sockets and people
	// live by it, however fast the unit's own clock runs in a demonstration.
	Now func() time.Time
}

// snapshotEvery is the time between snapshots while nothing happens.
const snapshotEvery = time.Second

// Agent is one unit's agent.
type Agent struct {
	opts           Options                     // its configuration is the effective one
	base           config.Config               // without what was set at the unit
	settings       *settings.Overlay           // what was; nil: it can't be read
	settingsUnread string                      // its file then
	changing       sync.Mutex                  // one change of what is set at the unit at a time
	named          atomic.Pointer[config.Unit] // as it was set last; nil: as at the start
	core           *Core
	hub            *snapshot.Hub
	outlets        outlets
	server         *page.Server
	state          *stateWriter // nil where nothing is kept
	saves          SaveSchedule
	timeline       atomic.Pointer[timeline]    // of the newest snapshot
	visits         atomic.Pointer[visit.Store] // nil where none are kept
	unused         []needed                    // what the page needs and can't use yet
	troubles       trouble.Book                // of the monitor itself
	store          *store.Store
	rec            *recorder
	seq            uint64
	lastMade       time.Time
	falling        fallingAsleep
	writers        sync.WaitGroup // of what falling asleep writes
	looks          looks
	savingScan     time.Duration // between scans at rest while the board saves
	orders         chan order
	stopped        chan struct{} // closed when the loop has ended
	window         window        // the last readings, for calibrations
	calibrator     *calibrator
	fits           *fitDesk
	again          chan struct{} // somebody wants the agent to end, and to be started again
	ownDrawA       float64       // that the monitor draws, by the configuration
	mixedSaid      string        // how the batteries differ, as was logged last
	scanned        atomic.Int64  // when the loop began to wait for its last scan, in ns of the process's clock
}

// New returns an agent. Nothing runs before Run.
func New(o Options) (*Agent, error) {
	a := &Agent{opts: o, hub: snapshot.NewHub(o.Now), store: o.Store, orders: make(chan order),
		stopped: make(chan struct{}), again: make(chan struct{}, 1)}
	a.useSettings()
	core, err := NewCore(a.opts.Config, o.Parts)
	if err != nil {
		return nil, fmt.Errorf("agent: %w", err)
	}
	a.core, a.savingScan = core, a.opts.Config.Limits.Duration("power.saving_scan")
	a.describe()
	if o.StateFile != "" {
		a.state = newStateWriter(o.StateFile, &a.troubles, o.Log)
		a.state.needs = a.settingsUnread
		a.state.unread = a.settingsUnread != ""
		a.state.restore(core)
	}
	if a.store == nil {
		if a.store, err = OpenStore(o.Config, "", o.Session, o.Now, o.Log); err != nil {
			return nil, fmt.Errorf("agent: %w", err)
		}
	}
	if err := a.newOutlets(); err != nil {
		return nil, fmt.Errorf("agent: %w", err)
	}
	a.rec = a.newRecorder()
	a.calibrator, a.ownDrawA, a.fits = a.openCalibrator(), core.engine.OwnDrawA(), a.openFitDesk()
	if a.server, err = page.New(a.pageOptions()); err != nil {
		return nil, fmt.Errorf("agent: %w", err)
	}
	return a, nil
}

// OpenStore opens the store that a unit's configuration describes, in dir, with a cursor for each
// of its outlets. An empty dir keeps everything in memory.
func OpenStore(cfg config.Config, dir, session string, now func() time.Time, log *slog.Logger) (*store.Store, error) {
	return store.Open(store.Options{
		Dir: dir, Session: session, Layout: readings.LayoutOf(batteryIDs(&cfg)), Outlets: outletNames(&cfg),
		Now: now, Log: log,
		Limits: store.Limits{Minutes: cfg.Store.Minutes, Tens: cfg.Store.History,
			FileBytes: int64(cfg.Store.MaxMB) << 20},
	})
}

func batteryIDs(cfg *config.Config) (ids []string) {
	for _, b := range cfg.Bank.Batteries {
		ids = append(ids, b.ID)
	}
	return ids
}

func (a *Agent) newRecorder() *recorder {
	return newRecorder(a.store, batteryIDs(&a.opts.Config), a.outlets, a.core.timeline, a.opts.Log)
}

func (a *Agent) metrics() http.Handler {
	return metrics.New(metrics.Options{
		Hub: a.hub, StaleAfter: max(page.UsuallyOld, 2*a.savingScan), Outlets: a.outlets.states, Store: a.store.Health,
		Version: a.opts.Version, Revision: a.opts.Revision, Started: a.opts.Now(),
	})
}

// Hub returns the hub of the snapshots.
func (a *Agent) Hub() *snapshot.Hub { return a.hub }

// Store returns the unit's store; it can be asked while Run runs.
func (a *Agent) Store() *store.Store { return a.store }

// Visits returns the visits to the unit, nil where none are kept.
func (a *Agent) Visits() *visit.Store { return a.visits.Load() }

// Outlets returns how each outlet does.
func (a *Agent) Outlets() []outlet.State { return a.outlets.states() }

// Core returns the measuring part. It belongs to the loop while Run runs.
func (a *Agent) Core() *Core { return a.core }

// Run works until ctx ends, somebody at the page wants a restart, or a part fails, then stops all parts in order and returns the first
// failure, nil when it was only told to stop. It leaves no goroutine behind.
func (a *Agent) Run(ctx context.Context) error {
	group, ctx := errgroup.WithContext(ctx)
	start := func(run func(context.Context) error) (stop func()) {
		// Parts outlive ctx: each is stopped in its turn.
		own, cancel := context.WithCancel(context.WithoutCancel(ctx))
		ended := make(chan struct{})
		group.Go(func() error {
			defer close(ended)
			return run(own)
		})
		return func() { cancel(); <-ended }
	}
	// What is kept, outlets and page outlive scanning, so that the last snapshot still goes out;
	// the store outlives all that ask it.
	stopStore := start(a.store.Run)
	stopPage := start(a.servePage)
	stopOutlets := start(a.outlets.run)
	stopSaving := func() {}
	if a.state != nil {
		stopSaving = start(a.state.run)
	}
	stopRecording := func() {}
	if a.opts.Recorder != nil {
		stopRecording = start(a.opts.Recorder.Run)
	}
	stopHanding := start(a.handOver)
	stopRetrying := start(a.retry)
	stopScanning := a.startScanning(group, ctx)

	select {
	case <-ctx.Done():
	case <-a.again:
	}
	stopScanning()
	stopRecording()
	stopHanding()
	stopRetrying()
	stopSaving()
	a.writeRest(context.WithoutCancel(ctx))
	stopOutlets()
	stopPage()
	stopStore()
	return group.Wait()
}

// Times of a scan loop that hangs in a transfer on the bus, which nothing can end. Our choice: the
// service manager's own watchdog would take two and a half minutes.
const (
	hangsAfter  = 10 * time.Second // more than any scan takes, rest_every not counted
	hangsAtMost = 30 * time.Second // then the process ends, and is started again
	hangsAtStop = 3 * time.Second  // that a stop waits for the loop
)

// ErrLoopHangs ends an agent whose scan loop hangs: only the end of the process frees the bus.
var ErrLoopHangs = errors.New("scan loop hangs in a transfer on the bus: ending, to be started again")

// startScanning runs the loop, watched: a loop that hangs is said, and ends the agent. The function
// that it returns stops the loop, and gives up on one that hangs.
func (a *Agent) startScanning(group *errgroup.Group, ctx context.Context) (stop func()) {
	loopCtx, cancel := context.WithCancel(context.WithoutCancel(ctx))
	result := make(chan error, 1)
	go func() { result <- a.loop(loopCtx) }() // outlives Run only if it hangs
	watching := make(chan struct{})
	stopping := make(chan struct{})
	group.Go(func() error {
		defer close(watching)
		return a.watchLoop(result, stopping)
	})
	return func() { cancel(); close(stopping); <-watching }
}

// watchLoop waits for the loop's end and says when it hangs.
func (a *Agent) watchLoop(result <-chan error, stopping <-chan struct{}) error {
	allowed := hangsAfter + max(a.opts.Config.Board.Scan.RestEvery, a.savingScan)
	look := time.NewTicker(time.Second)
	defer look.Stop()
	said := false
	for {
		select {
		case err := <-result:
			return err
		case <-stopping:
			select {
			case err := <-result:
				return err
			case <-time.After(hangsAtStop):
				a.opts.Log.Error("scan loop hangs: stopping without it")
				return nil
			}
		case <-look.C:
		}
		since := a.opts.Now().Sub(time.Unix(0, a.scanned.Load()))
		switch {
		case since > allowed+hangsAtMost-hangsAfter:
			return ErrLoopHangs
		case since > allowed && !said:
			said = true
			a.opts.Log.Error("scan loop hangs in a transfer on the bus", "for", since.Round(time.Second))
			a.troubles.Set(trouble.Bus, "a transfer on the bus does not return")
			a.hub.Stall(true)
			a.outlets.wake()
		case since <= allowed && said:
			said = false
			a.opts.Log.Info("scan loop goes on")
			a.troubles.Set(trouble.Bus, "")
			a.hub.Stall(false)
			a.outlets.wake()
		}
	}
}

// writeRest writes what the last scans brought to the card before the outlets stop, within a time
// limit.
func (a *Agent) writeRest(ctx context.Context) {
	const limit = 5 * time.Second
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	if err := a.store.Flush(ctx); err != nil {
		a.opts.Log.Warn("stopping: some data was not written to the card", "err", err)
	}
}

// loop scans and calculates until ctx ends.
func (a *Agent) loop(ctx context.Context) error {
	defer close(a.stopped)
	defer a.writers.Wait()
	for {
		a.scanned.Store(a.opts.Now().UnixNano())
		out, err := a.core.Next(ctx)
		if err != nil {
			if a.seq > 0 {
				a.publishSnapshot(a.opts.Now()) // the last one
				a.rec.end()
				a.save()
			}
			if a.opts.Recorder != nil {
				a.opts.Recorder.End()
			}
			return nil
		}
		if a.opts.Alive != nil {
			a.opts.Alive()
		}
		if a.opts.Recorder != nil {
			in := a.core.Input()
			a.opts.Recorder.Step(a.core.Scan(), in.At.Wall, in.At.WallTrusted, a.core.Worked())
		}
		a.rec.step(out, a.core.Own())
		a.window.add(a.core)
		a.fits.feed(a.core)
		a.core.hurry(a.fits.live())
		ordered := a.takeOrders()
		now := a.opts.Now()
		a.noteLooks(now)
		changed := a.handleEvents(out) || ordered
		changed = a.stepSleep(ctx, out, now) || changed
		if a.saves.Due(out) || ordered {
			a.save()
		}
		if changed || now.Sub(a.lastMade) >= snapshotEvery {
			a.publishSnapshot(now)
		}
	}
}

func (a *Agent) save() {
	if a.state != nil {
		a.state.enqueue(a.core.State())
	}
}

// handleEvents stores runs and findings, and reports whether a finding changed.
func (a *Agent) handleEvents(out *rules.Output) (changed bool) {
	tl := a.core.timeline()
	l := tl.forRecords()
	for _, ev := range out.Events {
		switch ev.Kind {
		case rules.RunEnded:
			a.rec.run(ev.Run, runOf(ev.Run, l))
		case rules.FindingRaised, rules.FindingCleared, rules.FindingChanged:
			changed = true
			f := changeOf(out, ev, l)
			a.opts.Log.Info("finding changed", "unit", a.opts.Config.Unit.ID, "finding", f.Name, "subject",
				f.Subject, "state", f.State, "change", f.Change, "seq", f.Seq)
			a.rec.finding(f)
		case rules.WorkEnded:
			changed = true
			a.opts.Log.Info("work under way ended by itself", "unit", a.opts.Config.Unit.ID, "by", ev.Work.By, "kind",
				ev.Work.Kind.String())
		}
	}
	return changed
}

func (a *Agent) publishSnapshot(now time.Time) {
	a.seq++
	a.lastMade = now
	s := a.core.Snapshot(a.opts.Session, a.seq)
	s.Outlets = a.outlets.shown()
	s.Troubles = a.troublesNow()
	s.Power.Asleep = a.hub.Asleep()
	tl := a.core.timeline()
	a.timeline.Store(&tl)
	a.hub.Publish(s)
}

// troublesNow returns what is wrong with the monitor itself.
func (a *Agent) troublesNow() (list []snapshot.Trouble) {
	health := a.store.Health()
	card := health.Problem
	if health.Damaged > 0 && card == "" {
		card = fmt.Sprintf("%d damaged rows found and deleted: replace the card soon", health.Damaged)
	}
	a.troubles.Set(trouble.Store, card)
	aside := health.SetAside
	if a.state != nil {
		aside = slices.Concat(a.state.aside, aside)
	}
	if len(aside) > 0 {
		a.troubles.Set(trouble.SetAside, strings.Join(aside, "; "))
	}
	if a.opts.Recorder != nil {
		a.troubles.Set(trouble.Recording, a.opts.Recorder.Problem())
	}
	misled := ""
	for _, o := range a.outlets.states() {
		if o.Connected && o.Problem != "" {
			misled = o.Name + ": " + o.Problem
		}
	}
	a.troubles.Set(trouble.Outlet, misled)
	for _, t := range a.troubles.List() {
		list = append(list, snapshot.Trouble(t))
	}
	return list
}

// Troubles returns what is wrong with the monitor itself, as last looked at.
func (a *Agent) Troubles() []trouble.Trouble { return a.troubles.List() }

// Trouble notes what is wrong with a part of the monitor that the caller has set up.
func (a *Agent) Trouble(part string, err error) { a.troubles.SetError(part, err) }

// reopenEvery is how often opening the page's listener is tried.
const reopenEvery = 30 * time.Second

// servePage serves the page as soon as it can be.
func (a *Agent) servePage(ctx context.Context) error {
	l := a.opts.Listener
	for l == nil {
		var err error
		l, err = a.opts.Open(ctx)
		a.troubles.SetError(trouble.Page, err)
		if err == nil {
			a.opts.Log.Info("page served", "address", l.Addr())
			break
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(reopenEvery):
		}
	}
	return a.server.Serve(ctx, l)
}
