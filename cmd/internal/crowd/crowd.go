// Package crowd runs many simulated units with their whole agents in one process, against one
// broker: what a fleet's side has to deal with, and a demonstration can show.
//
// Each unit's past is played as fast as the machine can, so that there is a history and something to
// find, and from then on it lives with the clock on the wall.
package crowd

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"runtime"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/cmd/internal/draw"
	"liftbank/cmd/internal/refboard"
	"liftbank/cmd/internal/rig"
	"liftbank/cmd/internal/suite/healthy"
	"liftbank/cmd/scenariofile"
	"liftbank/sim/scenario"
)

// Options say what the crowd is.
type Options struct {
	Units  int
	Broker string // mqtt://HOST:PORT
	Past   time.Duration
	Seed   uint64
	// Deflate has the units send compressed.
	Deflate bool
	Now     func() time.Time
	Log     *slog.Logger
}

// Place is what a desk knows of a unit besides what it says itself.
type Place struct{ Unit, Place, Group, Model, Contact string }

// Crowd is the units. Its Run runs them.
type Crowd struct {
	o     Options
	units []*member
	slots chan struct{} // for those that play their past
	past  sync.WaitGroup
}

// member is one unit.
type member struct {
	id       string
	scenario string
	agent    *agent.Agent
	addr     string
	gate     *gate
	since    time.Time // it has come up with the clock on the wall
	rig      *rig.Rig
	start    time.Time
	holds    bool // a slot
}

// troubled are the scenarios of the library that some units have; the others are well. Each shows
// within days.
var troubled = []string{
	"battery-tired", "series-unequal", "feed-lost", "link-resistive", "battery-failed", "series-wired", "balance-negative", "motor-drop",
	"feed-weak-lead", "service-due", "bank-flat", "circulating", "motor-hungry", "sense-open", "feed-high", "same-post-year",
	"parked-drain",
}

// coarse is added to the time between scans of the past: every minute still has some.
const coarse = 10 * time.Second

// every is one troubled unit in so many.
const every = 3

// New makes the units. Nothing runs yet.
func New(o Options) (*Crowd, error) {
	c := &Crowd{o: o, slots: make(chan struct{}, runtime.GOMAXPROCS(0))}
	for k := range o.Units {
		m, err := c.unit(k)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("simulated unit %d: %w", k+1, err), c.close())
		}
		c.units = append(c.units, m)
	}
	c.past.Add(len(c.units))
	return c, nil
}

// ID returns the name of a unit by its index.
func ID(k int) string { return fmt.Sprintf("%04d", 4001+k) }

// scenarioOf returns what happens to a unit.
func (c *Crowd) scenarioOf(k int) (sc scenario.Scenario, err error) {
	seed := c.o.Seed + uint64(k)
	if k%every != 0 {
		sc, _ = healthy.Scenario(seed)
	} else if sc, err = scenariofile.Load(troubled[k/every%len(troubled)]); err != nil {
		return sc, err
	}
	sc.Seed = seed
	draw.Sensors(&sc, draw.Random, seed)
	// Units begin at five in the morning of some day, as people do.
	day := c.o.Now().Add(-c.o.Past).UTC().Truncate(24 * time.Hour)
	sc.Start = day.Add(5 * time.Hour)
	return sc, nil
}

func (c *Crowd) unit(k int) (*member, error) {
	sc, err := c.scenarioOf(k)
	if err != nil {
		return nil, err
	}
	id := ID(k)
	door, err := newGate(strings.TrimPrefix(c.o.Broker, "mqtt://"))
	if err != nil {
		return nil, err
	}
	text := refboard.YAML(&sc, id, refboard.Options{Listen: "127.0.0.1:0", Broker: "mqtt://" + door.Addr().String(), RestEvery: "5s", RunTail: "1.5s"})
	// As real units: sparing with their messages.
	text = strings.ReplaceAll(text, "snapshot_every: 1s, daily_kb: 0", fmt.Sprintf("daily_kb: 0, deflate: %v", c.o.Deflate))
	cfg, err := config.Parse(id+".yaml", []byte(text))
	if err != nil {
		return nil, err
	}
	m := &member{id: id, scenario: sc.Name, start: sc.Start, gate: door}
	if m.rig, err = rig.New(sc, cfg, false); err != nil {
		return nil, err
	}
	m.rig.Clock.Coarsen(coarse) // while it plays its past
	m.rig.Clock.Pace = func(ctx context.Context, now time.Duration) error { return c.pace(ctx, m, now) }
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	m.addr = l.Addr().String()
	session := fmt.Sprintf("%s-%d", id, c.o.Now().UnixMilli())
	kept, err := agent.OpenStore(cfg, "", session, c.o.Now, c.o.Log)
	if err != nil {
		return nil, errors.Join(err, l.Close())
	}
	m.agent, err = agent.New(agent.Options{
		Config: cfg, Parts: m.rig.Parts(), Listener: l, Session: session, Store: kept, Log: c.o.Log, Now: c.o.Now,
	})
	if err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return m, nil
}

// pace lets a unit run until it has come up with the clock on the wall, and keeps it with that from then
// on.
func (c *Crowd) pace(ctx context.Context, m *member, now time.Duration) error {
	const near, settle = 20 * time.Millisecond, 3 * time.Second // a snapshot of the past is one second old
	ahead := m.start.Add(now).Sub(c.o.Now())
	if ahead >= -time.Minute {
		m.rig.Clock.Coarsen(0)
		c.release(m)
		switch {
		case ahead < -time.Second:
		case m.since.IsZero():
			m.since = c.o.Now()
		case c.o.Now().Sub(m.since) > settle && c.shows(m):
			m.gate.lift()
		}
	}
	if ahead < near {
		return ctx.Err()
	}
	t := time.NewTimer(ahead)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// shows reports whether a unit's newest snapshot is of now: at rest it scans every few seconds.
func (c *Crowd) shows(m *member) bool {
	s := m.agent.Hub().Current()
	return s != nil && c.o.Now().Sub(s.At) < time.Minute
}

func (c *Crowd) release(m *member) {
	if m.holds {
		m.holds = false
		<-c.slots
		c.past.Done()
	}
}

// CaughtUp is closed once all units have played their past, or have ended. It wants Run under way.
func (c *Crowd) CaughtUp() <-chan struct{} {
	done := make(chan struct{})
	go func() {
		c.past.Wait()
		close(done)
	}()
	return done
}

// Places returns what a desk would know of the units: invented.
func (c *Crowd) Places() (all []Place) {
	first := []string{"Quarry", "Canal", "Mill", "Harbor", "Ferry", "Tannery", "Gasworks", "Orchard", "Signal", "Weir"}
	second := []string{"Lane", "Street", "Yard", "Gate", "Row"}
	groups := []string{"north", "south", "coast"}
	for k, m := range c.units {
		all = append(all, Place{
			Unit: m.id, Place: first[k%len(first)] + " " + second[k/len(first)%len(second)], Group: groups[k%len(groups)],
			Model: fmt.Sprintf("platform lift %d kg", 500+250*(k%4)),
		})
	}
	return all
}

// Page returns the address of a unit's own page.
func (c *Crowd) Page(id string) (address string, ok bool) {
	for _, m := range c.units {
		if m.id == id {
			return m.addr, true
		}
	}
	return "", false
}

// Run runs the units until ctx ends.
func (c *Crowd) Run(ctx context.Context) error {
	g, ctx := errgroup.WithContext(ctx)
	for _, m := range c.units {
		g.Go(func() error {
			select { // a unit that waited in mid-scan would take its bus for hanging
			case c.slots <- struct{}{}:
				m.holds = true
				defer c.release(m)
			case <-ctx.Done():
				c.past.Done()
			}
			passing, stop := context.WithCancel(context.WithoutCancel(ctx))
			var door sync.WaitGroup
			door.Go(func() { m.gate.run(passing) })
			defer door.Wait()
			defer stop() // after the agent's last words
			if err := m.agent.Run(ctx); err != nil {
				return fmt.Errorf("unit %s: %w", m.id, err)
			}
			return nil
		})
	}
	return g.Wait()
}

// close is for units that will not run: an agent closes its listener and store when it has run.
func (c *Crowd) close() error {
	c.past.Add(len(c.units))
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	return c.Run(ctx)
}
