package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"time"
)

// killTest kills one of the servers at random moments while units send, and counts in the end.
func killTest(ctx context.Context, o options) (err error) {
	if o.what == "database" && o.database != "postgres" {
		return errors.New("-what database: want -db postgres: SQLite is inside the collector")
	}
	r, err := startRig(ctx, o)
	if err != nil {
		return err
	}
	defer r.close()
	pauses := short
	if o.what == "collector" && !o.short {
		pauses = ""
	}
	collector, err := r.addCollector(ctx, pauses, r.brokerURL)
	if err != nil {
		return err
	}
	if err := collector.start(ctx); err != nil {
		return err
	}
	victim := map[string]*server{"collector": collector, "broker": r.broker, "database": r.postgres}[o.what]
	if victim == nil {
		return fmt.Errorf("-what %s: want collector, broker or database", o.what)
	}
	const units = 4
	c, err := startCrew(ctx, o.dir, r.brokerURL, units)
	if err != nil {
		return err
	}
	defer c.close()
	d, err := r.open()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.Close()) }()
	// A collector that starts while the database is away ends, for the service manager to start it again.
	if err := r.awaitStored(ctx, 1, collector); err != nil {
		return err
	}
	h := &hits{o: o, victim: victim, stored: func(ctx context.Context) int64 { return stored(ctx, d) }}
	if err := h.run(ctx, collector.said); err != nil {
		return err
	}
	ctx = context.WithoutCancel(ctx)
	if err := c.end(); err != nil {
		return err
	}
	const drain = 5 * time.Minute
	ended := time.Now()
	drained := c.drained(ctx, drain)
	if drained != nil {
		drained = errors.Join(drained, collector.said())
	}
	fmt.Fprintf(os.Stdout, "%s; drained in %.0f s; load average %s\n", h, time.Since(ended).Seconds(), loadAverage())
	_, err = r.verdict(ctx, os.Stdout, c)
	return errors.Join(drained, err)
}

// hits are kills of one server at random moments.
type hits struct {
	o             options
	victim        *server
	stored        func(context.Context) int64 // grows while records are stored
	restart       func() error                // of what has stored nothing for 10 s; nil: that is an error after two minutes
	kills, atWork int
	stalls        int
	took          time.Duration
}

// run kills. Said is why nothing is stored, should that be so.
func (h *hits) run(ctx context.Context, said func() error) error {
	began, rng := time.Now(), rand.New(rand.NewPCG(h.o.seed, 0))
	defer func() { h.took = time.Since(began) }()
	last := int64(0)
	for h.kills < h.o.n && ctx.Err() == nil {
		// Most are killed while they work, one in four at any moment from its start; now and then one
		// lives long enough to answer.
		const many, few, most = 4, 16, 2 * time.Minute
		if h.kills%many != 0 {
			err := h.awaitMore(ctx, last, most)
			if err != nil && ctx.Err() == nil {
				return fmt.Errorf("after %d kills nothing is stored: %w", h.kills, errors.Join(err, said()))
			}
		}
		life := time.Duration(rng.IntN(250)) * time.Millisecond
		if h.kills%few == few-1 {
			life += 2 * time.Second
		}
		if pause(ctx, life) != nil {
			break
		}
		before := h.stored(ctx)
		h.victim.kill()
		if h.kills++; before > last {
			h.atWork++
		}
		last = max(last, before)
		// Interrupted or not, what is made must come.
		if err := h.victim.start(context.WithoutCancel(ctx)); err != nil {
			return err
		}
	}
	return nil
}

// awaitMore waits until more is stored.
func (h *hits) awaitMore(ctx context.Context, last int64, most time.Duration) error {
	more := func() (bool, error) { return h.stored(ctx) > last, nil }
	if h.restart == nil {
		return await(ctx, most, more)
	}
	const patience = 10 * time.Second
	err := await(ctx, patience, more)
	if err == nil || ctx.Err() != nil {
		return err
	}
	h.stalls++
	if err := h.restart(); err != nil {
		return err
	}
	return await(ctx, most, more)
}

func (h *hits) String() string {
	return fmt.Sprintf("%s killed %d times in %.0f s with %s, %d of them after something had been stored", h.o.what, h.kills, h.took.Seconds(),
		h.o.database, h.atWork)
}
