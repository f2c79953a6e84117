// Package fleet is the collector: it takes what units send into a database, answers them, and serves
// how that goes.
package fleet

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"golang.org/x/sync/errgroup"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/intake"
	"liftbank/agent/fleet/setup"
	"liftbank/agent/fleet/wire"
)

// Part is one more part of the collector, run beside the intake.
type Part interface {
	// Run works until ctx ends. An error ends the collector.
	Run(ctx context.Context) error
	// Problem says what keeps it from its work, "" nothing: then the collector is degraded.
	Problem() string
}

// Options are what a collector needs.
type Options struct {
	Config setup.Config
	Now    func() time.Time // nil: time.Now
	Log    *slog.Logger     // nil logs nothing
	Limits intake.Limits    // those of the configuration apart; a zero field takes the default
	// LeadEvery is how often a standby looks whether it is its turn, and the one at work whether it still
	// is; 2 s.
	LeadEvery time.Duration
}

// Collector owns the database, the intake and all other parts.
type Collector struct {
	opts     Options
	db       *db.DB
	intake   *intake.Intake
	mux      *http.ServeMux
	registry *prometheus.Registry
	parts    []Part
	hears    []func(db.Outcome)
	metrics  *metrics
	standby  atomic.Bool  // another collector with the same client_id is at work
	unled    atomic.Value // string: why it is not known which collector is to work
}

// New opens the database and makes the parts. Nothing is connected before Run. Close the collector if
// it is not run.
func New(ctx context.Context, o Options) (*Collector, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.LeadEvery == 0 {
		o.LeadEvery = 2 * time.Second
	}
	address, err := o.Config.Database.Address()
	if err != nil {
		return nil, err
	}
	store, err := db.Open(ctx, address, db.Options{Now: o.Now})
	if err != nil {
		return nil, err
	}
	c := &Collector{opts: o, db: store, mux: http.NewServeMux(), registry: prometheus.NewRegistry()}
	m := o.Config.MQTT
	o.Limits.Answer = m.AnswerEvery
	c.intake, err = intake.New(intake.Options{
		Broker: m.Broker, ClientID: m.ClientID, Username: m.Username, Files: m.Files, Prefix: m.Prefix,
		Store: store, Now: o.Now, Log: o.Log, Limits: o.Limits,
		Committed: func(out db.Outcome) {
			for _, hear := range c.hears {
				hear(out)
			}
		},
	})
	if err != nil {
		return nil, errors.Join(err, store.Close())
	}
	c.metrics = &metrics{c: c}
	c.registry.MustRegister(c.metrics, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	if err := c.outward(); err != nil {
		return nil, errors.Join(err, store.Close())
	}
	c.mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) { say(w, http.StatusOK, "alive\n") })
	c.mux.HandleFunc("GET /readyz", c.ready)
	c.mux.Handle("GET /metrics", promhttp.HandlerFor(c.registry, promhttp.HandlerOpts{}))
	return c, nil
}

// DB returns the database, for the parts that are added.
func (c *Collector) DB() *db.DB { return c.db }

// Add adds a part, before Run.
func (c *Collector) Add(p Part) { c.parts = append(c.parts, p) }

// Hear has a function called with what each commit did, before Run. It must not block.
func (c *Collector) Hear(f func(db.Outcome)) { c.hears = append(c.hears, f) }

// Handle serves a pattern beside the collector's own, before Run.
func (c *Collector) Handle(pattern string, h http.Handler) { c.mux.Handle(pattern, h) }

// Register adds metrics.
func (c *Collector) Register(p prometheus.Collector) { c.registry.MustRegister(p) }

// Handler returns all that is served.
func (c *Collector) Handler() http.Handler { return c.mux }

// Close closes the database of a collector that is not run.
func (c *Collector) Close() error { return c.db.Close() }

// Run takes in, answers and serves on l until ctx ends; then it commits, acknowledges and answers what
// it has taken, and closes. l may be nil.
func (c *Collector) Run(ctx context.Context, l net.Listener) (err error) {
	defer func() { err = errors.Join(err, c.db.Close()) }()
	// Pages and metrics are there until the intake is done.
	serving, stopServing := context.WithCancel(context.WithoutCancel(ctx))
	var server sync.WaitGroup
	defer server.Wait()
	defer stopServing()
	g, ctx := errgroup.WithContext(ctx)
	if l != nil {
		server.Go(func() {
			if err := serve(serving, l, c.mux); err != nil {
				c.opts.Log.Error("pages can't be served", "err", err)
			}
		})
	}
	g.Go(func() error { return c.lead(ctx) })
	g.Go(func() error { return c.retain(ctx) })
	for _, p := range c.parts {
		g.Go(func() error { return p.Run(ctx) })
	}
	return g.Wait()
}

// lead takes in while no other collector with the same client_id does. A broker lets only the last one
// of two in, so that without that they would throw each other out in turn. Should two be at work for a
// moment, the database still stores each record once.
func (c *Collector) lead(ctx context.Context) error {
	t := time.NewTicker(c.opts.LeadEvery)
	defer t.Stop()
	for ctx.Err() == nil {
		lead, err := c.db.TryLead(ctx, c.opts.Config.MQTT.ClientID)
		if lead != nil {
			c.standby.Store(false)
			c.unled.Store("")
			err = c.leading(ctx, lead, t.C)
		} else if err == nil && !c.standby.Swap(true) {
			c.opts.Log.Info("standby: another collector with this client_id is at work", "client_id", c.opts.Config.MQTT.ClientID)
		}
		if err != nil && ctx.Err() == nil {
			if c.unled.Swap(err.Error()) != err.Error() { // a repeated cause is logged once
				c.opts.Log.Warn("nothing is taken in", "err", err)
			}
		}
		select {
		case <-ctx.Done():
		case <-t.C:
		}
	}
	return nil
}

func (c *Collector) leading(ctx context.Context, lead *db.Lead, tick <-chan time.Time) error {
	defer lead.Release(context.WithoutCancel(ctx))
	working, stop := context.WithCancel(ctx)
	defer stop()
	ended := make(chan error, 1)
	go func() { ended <- c.intake.Run(working) }()
	for {
		select {
		case err := <-ended:
			return err
		case <-tick:
		}
		if err := lead.Check(ctx); err != nil && ctx.Err() == nil {
			stop()
			return errors.Join(err, <-ended)
		}
	}
}

func serve(ctx context.Context, l net.Listener, h http.Handler) error {
	const header, whole, patience = 10 * time.Second, time.Minute, 3 * time.Second
	// No limit on writing: the desk's pages are followed live.
	s := &http.Server{Handler: h, ReadHeaderTimeout: header, ReadTimeout: whole, IdleTimeout: whole, BaseContext: func(net.Listener) context.Context { return ctx }}
	var stopping sync.WaitGroup
	defer stopping.Wait()
	stopping.Go(func() {
		<-ctx.Done()
		late, cancel := context.WithTimeout(context.WithoutCancel(ctx), patience)
		defer cancel()
		if s.Shutdown(late) != nil {
			_ = s.Close()
		}
	})
	if err := s.Serve(l); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("serve on %s: %w", l.Addr(), err)
	}
	return nil
}

// retainEvery is how often what is old is deleted.
const retainEvery = time.Hour

func (c *Collector) retain(ctx context.Context) error {
	k := c.opts.Config.Keep
	r := db.Retention{
		Streams: map[string]time.Duration{
			wire.Readings: k.Readings, wire.Runs: k.Runs, wire.Findings: k.Findings, wire.Visits: k.Visits,
		},
		Alarms: k.Alarms, Audit: k.Audit, Quarantine: k.Quarantine, Days: k.Days, Units: k.Decommissioned,
	}
	t := time.NewTicker(retainEvery)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-t.C:
		}
		deleted, err := c.db.Retain(ctx, c.opts.Now(), r)
		switch {
		case err != nil && ctx.Err() == nil:
			c.opts.Log.Warn("old records not deleted", "err", err)
		case deleted != (db.Deleted{}):
			c.opts.Log.Info("old records deleted", "records", deleted.Records, "units", deleted.Units)
		}
	}
}

// Problems returns what keeps the collector from its work; none: it is ready.
func (c *Collector) Problems() (out []string) {
	s := c.intake.State()
	unled, _ := c.unled.Load().(string)
	switch {
	case unled != "":
		out = append(out, "database away: "+unled)
	case c.standby.Load():
		out = append(out, "standby: another collector with this client_id is at work")
	case s.StoreProblem != "":
		out = append(out, "database away: "+s.StoreProblem)
	case s.Problem != "":
		out = append(out, "broker away: "+s.Problem)
	case !s.Connected:
		out = append(out, "broker away: not connected yet")
	}
	for _, p := range c.parts {
		if problem := p.Problem(); problem != "" {
			out = append(out, problem)
		}
	}
	return out
}

func (c *Collector) ready(w http.ResponseWriter, _ *http.Request) {
	problems := c.Problems()
	if len(problems) == 0 {
		say(w, http.StatusOK, "ready\n")
		return
	}
	say(w, http.StatusServiceUnavailable, "degraded\n"+strings.Join(problems, "\n")+"\n")
}

func say(w http.ResponseWriter, status int, text string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write([]byte(text)) // whoever asked may be gone
}
