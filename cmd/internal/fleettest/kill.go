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
	began, rng := time.Now(), rand.New(rand.NewPCG(o.seed, 0))
	kills, atWork := 0, 0
	last := int64(0)
	for kills < o.n && ctx.Err() == nil {
		// Most are killed while they work, one in four at any moment from its start; now and then one
		// lives long enough to answer.
		const many, few, most = 4, 16, 2 * time.Minute
		if kills%many != 0 {
			if err := await(ctx, most, func() (bool, error) { return stored(ctx, d) > last, nil }); err != nil && ctx.Err() == nil {
				return fmt.Errorf("after %d kills nothing is stored: %w", kills, errors.Join(err, collector.said()))
			}
		}
		life := time.Duration(rng.IntN(250)) * time.Millisecond
		if kills%few == few-1 {
			life += 2 * time.Second
		}
		if pause(ctx, life) != nil {
			break
		}
		before := stored(ctx, d)
		victim.kill()
		if kills++; before > last {
			atWork++
		}
		last = max(last, before)
		// Interrupted or not, what is made must come.
		if err := victim.start(context.WithoutCancel(ctx)); err != nil {
			return err
		}
	}
	killed := time.Since(began)
	ctx = context.WithoutCancel(ctx)
	if err := c.end(); err != nil {
		return err
	}
	const drain = 5 * time.Minute
	drained := c.drained(ctx, drain)
	if drained != nil {
		drained = errors.Join(drained, collector.said())
	}
	fmt.Fprintf(os.Stdout, "%s killed %d times in %.0f s with %s, %d of them after it had stored something; drained in %.0f s; load average %s\n",
		o.what, kills, killed.Seconds(), o.database, atWork, time.Since(began).Seconds()-killed.Seconds(), loadAverage())
	_, err = r.verdict(ctx, os.Stdout, c)
	return errors.Join(drained, err)
}
