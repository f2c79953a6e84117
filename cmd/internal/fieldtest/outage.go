package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	"liftbank/agent/publish"
	"liftbank/agent/store/outbox"
)

// outageTest fills a store with days without a broker, lets it drain through Mosquitto to a
// collector, and counts.
func outageTest(ctx context.Context, dir string, days int) error {
	s, stop, err := openField(ctx, dir)
	if err != nil {
		return err
	}
	rng := rand.New(rand.NewPCG(2, 0))
	for m := range days * 1440 {
		if err := minute(s, rng, m, true); err != nil {
			return err
		}
		if m%60 == 59 {
			if err := s.Flush(ctx); err != nil {
				return err
			}
		}
	}
	if err := s.Flush(ctx); err != nil {
		return err
	}
	h := s.Health()
	waiting := h.Outlets[0].Waiting
	fmt.Printf("%d days without a broker: waiting %d findings, %d runs, %d batches of readings; lost %d\n",
		days, waiting[outbox.Findings], waiting[outbox.Runs], waiting[outbox.Readings], h.Lost)
	b, err := startBroker(dir)
	if err != nil {
		return err
	}
	defer b.kill()
	col := newCollector(b.url())
	p, err := publish.New(publish.Options{
		Options: outletOptions(s, "outage"), Broker: b.url(), Prefix: prefix,
	})
	if err != nil {
		return err
	}
	running, end := context.WithCancel(ctx)
	var wg sync.WaitGroup
	wg.Go(func() { col.run(running) })
	if err := pause(ctx, time.Second); err != nil { // the collector has subscribed
		end()
		return err
	}
	begun := time.Now()
	wg.Go(func() { _ = p.Run(running) }) // returns nil
	err = drained(ctx, s, 20*time.Minute)
	took := time.Since(begun)
	bytes := p.State().Bytes
	end()
	wg.Wait()
	stop()
	if err != nil {
		return err
	}
	fmt.Printf("drained at the default pace in %.0f s, %.2f MB over the link\n", took.Seconds(), float64(bytes)/1e6)
	return col.report(dir, nil)
}
