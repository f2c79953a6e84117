package main

import (
	"context"
	"database/sql"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"time"

	"liftbank/agent/history"
	"liftbank/agent/outlet"
	"liftbank/agent/publish"
	"liftbank/agent/readings"
	"liftbank/agent/records"
	"liftbank/agent/snapshot"
	"liftbank/agent/store"
	"liftbank/agent/store/outbox"
	"liftbank/agent/store/past"
	"liftbank/rules"
)

// unit is a real store and publisher: it keeps each record until the collector confirms it. What it
// made is known by number: run and finding k of it have number k.
type unit struct {
	name    string
	folder  string
	store   *store.Store
	running sync.WaitGroup
	stop    context.CancelFunc
	n       int                 // steps
	made    [outbox.Streams]int // by stream, the oracle
}

func startUnit(ctx context.Context, dir, name, broker string) (*unit, error) {
	session := fmt.Sprintf("%012x", rand.Uint64N(1<<48))
	folder := filepath.Join(dir, name)
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return nil, err
	}
	log := slog.New(slog.DiscardHandler)
	s, err := store.Open(store.Options{
		Outlets: []string{publish.Kind.Name}, Dir: folder, Session: session, Layout: readings.LayoutOf([]string{"a", "b"}),
		Now: now, Limits: store.Limits{CommitEvery: 50 * time.Millisecond}, Log: log,
	})
	if err != nil {
		return nil, err
	}
	p, err := publish.New(publish.Options{
		Options: outlet.Options{
			Unit: name, Session: session, Hub: snapshot.NewHub(now), Outbox: s.Outlet(publish.Kind.Name),
			Clock: outlet.Clock{Now: now, After: time.After}, Rand: rand.Float64, Log: log,
		},
		Broker: broker, Prefix: "liftbank",
		Limits: publish.Limits{BackoffMin: 10 * time.Millisecond, BackoffMax: 50 * time.Millisecond, Pace: 2 * time.Millisecond,
			Confirm: 2 * time.Second, Ack: 5 * time.Second},
	})
	if err != nil {
		return nil, err
	}
	u := &unit{name: name, folder: folder, store: s}
	// Ended by close: what was written must not depend on who interrupts.
	ctx, u.stop = context.WithCancel(context.WithoutCancel(ctx))
	u.running.Go(func() { _ = s.Run(ctx) }) // returns nil
	u.running.Go(func() { _ = p.Run(ctx) }) // returns nil
	return u, nil
}

func (u *unit) close() {
	u.stop()
	u.running.Wait()
}

// step adds a run, now and then a finding and a batch of readings.
func (u *unit) step() error {
	u.n++
	now := rules.Moment{
		Mono: time.Duration(u.n) * time.Minute, WallTrusted: true,
		Wall: now().Add(-30 * 24 * time.Hour).Add(time.Duration(u.n) * time.Minute),
	}
	row := readings.Row{Start: now.Mono, Stats: make([]readings.Stat, 13)}
	row.Stats[0] = readings.Stat{Min: 12000, Mean: 12000 + int32(u.n%500), Max: 12600, Known: true}
	u.store.AddRow(now, row)
	u.made[outbox.Runs]++
	body, err := records.RunBody(snapshot.Run{Number: uint64(u.made[outbox.Runs]), Start: now.Wall})
	if err != nil {
		return err
	}
	u.store.AddRun(now, now.Mono, history.Run{DurationS: 12}, make([]byte, 800), body)
	if u.n%5 == 0 {
		u.made[outbox.Findings]++
		raised := now.Wall
		body, err := records.FindingBody(snapshot.Finding{
			Name: "feed-lost", Severity: "urgent", State: "unacknowledged", Since: now.Wall, RaisedAt: &raised, Active: true,
			Seq: uint64(u.made[outbox.Findings]), Evidence: []snapshot.Evidence{}, Causes: []snapshot.Cause{}, NextCheck: []string{},
		})
		if err != nil {
			return err
		}
		u.store.RaiseFinding(now, "feed-lost", "", "urgent", body)
	}
	if u.n%10 == 0 {
		u.batch(now)
	}
	return nil
}

func (u *unit) batch(now rules.Moment) {
	u.store.BatchReadings(now, func(b past.Batch) ([]byte, error) { return records.ReadingsBody(b, readings.DefaultBounds()) })
}

// countReadings asks the unit's store how many batches it made: only it knows which were due.
func (u *unit) countReadings(ctx context.Context) error {
	d, err := sql.Open("sqlite", "file:"+filepath.Join(u.folder, "unit.db")+"?_pragma=busy_timeout(30000)")
	if err != nil {
		return err
	}
	defer d.Close()
	return d.QueryRowContext(ctx, "SELECT coalesce(max(next_seq), 1) - 1 FROM streams WHERE stream = $1", int(outbox.Readings)).
		Scan(&u.made[outbox.Readings])
}

// left counts what the outbox holds.
func (u *unit) left(ctx context.Context) (n int, err error) {
	for i := range outbox.Streams {
		list, err := u.store.Outlet(publish.Kind.Name).After(ctx, outbox.Stream(i), 0, 100_000)
		if err != nil {
			return n, err
		}
		n += len(list)
	}
	return n, nil
}

// crew is all units, which make records until they are told to rest.
type crew struct {
	units []*unit
	every time.Duration
	rest  context.CancelFunc
	work  sync.WaitGroup
	mu    sync.Mutex
	err   error
}

func startCrew(ctx context.Context, dir, broker string, n int) (*crew, error) {
	c := &crew{every: 25 * time.Millisecond}
	for k := range n {
		u, err := startUnit(ctx, dir, fmt.Sprintf("u-%d", k+1), broker)
		if err != nil {
			c.close()
			return nil, err
		}
		c.units = append(c.units, u)
	}
	c.begin(ctx)
	return c, nil
}

// begin has the units make records.
func (c *crew) begin(ctx context.Context) {
	ctx, c.rest = context.WithCancel(ctx)
	for _, u := range c.units {
		c.work.Go(func() {
			for {
				if err := u.step(); err != nil {
					c.mu.Lock()
					c.err = err
					c.mu.Unlock()
					return
				}
				if pause(ctx, c.every) != nil {
					return
				}
			}
		})
	}
}

// end has them make no more.
func (c *crew) end() error {
	c.rest()
	c.work.Wait()
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.err
}

func (c *crew) close() {
	if c.rest != nil {
		c.rest()
	}
	c.work.Wait()
	for _, u := range c.units {
		u.close()
	}
}

func (c *crew) left(ctx context.Context) (all int, err error) {
	for _, u := range c.units {
		n, err := u.left(ctx)
		if err != nil {
			return all, err
		}
		all += n
	}
	return all, nil
}

// drained waits until the collector has confirmed everything, as long as it confirms something within a
// time: on a busy machine much may be left.
func (c *crew) drained(ctx context.Context, most time.Duration) error {
	last, since := -1, time.Now()
	for {
		began := time.Now()
		n, err := c.left(ctx)
		took := time.Since(began) // it reads all that is left
		switch {
		case err == nil && n == 0:
			return nil
		case err == nil && (last < 0 || n < last):
			last, since = n, time.Now()
		case time.Since(since) > most:
			return fmt.Errorf("%d records are still in the units' outboxes, and nothing was confirmed for %s", last, most)
		}
		if err := pause(ctx, min(max(100*time.Millisecond, 20*took), 5*time.Second)); err != nil {
			return err
		}
	}
}
