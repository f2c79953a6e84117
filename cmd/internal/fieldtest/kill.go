package main

import (
	"bufio"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
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

// killTest kills a process that writes and publishes at random instants, and the broker now and
// then, lets a last one drain, and counts.
func killTest(ctx context.Context, dir string, kills, restarts int, seed uint64) error {
	b, err := startBroker(dir)
	if err != nil {
		return err
	}
	defer func() { b.kill() }()
	col := newCollector(b.url())
	collecting, stopCollecting := context.WithCancel(ctx)
	var wg sync.WaitGroup
	wg.Go(func() { col.run(collecting) })
	defer wg.Wait()
	defer stopCollecting()

	rng := rand.New(rand.NewPCG(seed, 0))
	claims := map[string]bool{} // what a process said the card has, before it was killed
	begun := time.Now()
	brokerKills := 0
	for n := range kills {
		after := time.Duration(20+rng.IntN(230)) * time.Millisecond
		if err := life(ctx, dir, b.url(), after, claims); err != nil {
			return fmt.Errorf("kill %d: %w", n, err)
		}
		if brokerKills*kills < restarts*(n+1) {
			brokerKills++
			b.kill()
			if err := b.start(); err != nil {
				return err
			}
		}
	}
	killed := time.Since(begun)
	if err := life(ctx, dir, b.url(), 0, claims); err != nil {
		return fmt.Errorf("draining: %w", err)
	}
	stopCollecting()
	wg.Wait()
	fmt.Printf("%d kills, %d broker restarts in %.1f s, drained in %.1f s\n", kills, brokerKills, killed.Seconds(),
		time.Since(begun).Seconds()-killed.Seconds())
	return col.report(dir, claims)
}

// life runs one process, and kills it after a while; 0 lets it drain and end by itself.
func life(ctx context.Context, dir, broker string, after time.Duration, claims map[string]bool) error {
	args := []string{"child", "-dir", dir, "-broker", broker}
	if after == 0 {
		args = append(args, "-drain")
	}
	self, err := os.Executable()
	if err != nil {
		return err
	}
	cmd := exec.CommandContext(ctx, self, args...)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		return err
	}
	if err := cmd.Start(); err != nil {
		return err
	}
	if after > 0 {
		timer := time.AfterFunc(after, func() { _ = cmd.Process.Kill() })
		defer timer.Stop()
	}
	r := bufio.NewReader(out)
	for {
		line, err := r.ReadString('\n')
		if err != nil {
			break // a line cut short is no claim
		}
		claims[strings.TrimSpace(line)] = true
	}
	err = cmd.Wait()
	if _, exited := errors.AsType[*exec.ExitError](err); exited && after > 0 && cmd.ProcessState.ExitCode() < 0 {
		return nil
	}
	return err
}

// report compares what the card gave numbers to with what was received.
func (c *collector) report(dir string, claims map[string]bool) error {
	db, err := sql.Open("sqlite", filepath.Join(dir, "unit.db"))
	if err != nil {
		return err
	}
	defer db.Close()
	fmt.Printf("%-10s %8s %8s %8s %10s\n", "stream", "written", "received", "missing", "duplicated")
	bad := 0
	for i := range outbox.Streams {
		s := outbox.Stream(i)
		var next uint64
		if err := db.QueryRow("SELECT coalesce(max(next_seq), 1) FROM streams WHERE stream = ?", i).Scan(&next); err != nil {
			return err
		}
		numbers := map[uint64]int{}
		received := 0
		for k := range c.got {
			if k.stream == s.String() {
				numbers[k.seq]++
				received++
			}
		}
		missing := 0
		for seq := uint64(1); seq < next; seq++ {
			if numbers[seq] == 0 {
				missing++
			}
		}
		bad += missing
		fmt.Printf("%-10s %8d %8d %8d\n", s, next-1, received, missing)
	}
	unclaimed := 0
	for claim := range claims {
		if !c.content[claim] {
			unclaimed++
		}
	}
	var minutes, left int
	if err := db.QueryRow("SELECT count(*) FROM minutes").Scan(&minutes); err != nil {
		return err
	}
	if err := db.QueryRow("SELECT count(*) FROM outbox").Scan(&left); err != nil {
		return err
	}
	fmt.Printf("sessions with records %d; received again (known by their number) %d; "+
		"same number with other content %d; gaps said %d\n",
		len(c.chains), c.duplicates, c.conflicts, c.gaps)
	fmt.Printf("runs and findings that the card was said to have: %d, of them not received: %d; "+
		"minutes on the card %d; left in the outbox %d\n",
		len(claims), unclaimed, minutes, left)
	if bad+unclaimed+c.conflicts+c.gaps+left > 0 {
		return errors.New("records were lost or confused")
	}
	return nil
}

// child writes and publishes as fast as it can, and says on standard output what the card has.
func child(ctx context.Context, dir, broker string, drain bool) error {
	session := fmt.Sprintf("%08x%04x", rand.Uint32(), rand.Uint32()&0xffff)
	s, err := store.Open(store.Options{
		Outlets: []string{publish.Kind.Name},
		Dir:     dir, Session: session, Layout: readings.LayoutOf([]string{"a", "b"}), Now: time.Now,
		Limits: store.Limits{CommitEvery: 20 * time.Millisecond},
		Log:    slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelWarn})),
	})
	if err != nil {
		return err
	}
	if h := s.Health(); h.Problem != "" || len(h.SetAside) > 0 {
		return fmt.Errorf("store: %s %s %s", h.Problem, h.Detail, h.SetAside)
	}
	p, err := publish.New(publish.Options{
		Options: outletOptions(s, session), Broker: broker, Prefix: prefix,
		Limits: publish.Limits{BackoffMin: 10 * time.Millisecond, BackoffMax: 100 * time.Millisecond, Pace: time.Millisecond,
			Confirm: 500 * time.Millisecond},
	})
	if err != nil {
		return err
	}
	storing, stopStoring := context.WithCancel(context.WithoutCancel(ctx))
	publishing, stopPublishing := context.WithCancel(ctx)
	var wg, pg sync.WaitGroup
	wg.Go(func() { _ = s.Run(storing) })    // returns nil
	pg.Go(func() { _ = p.Run(publishing) }) // returns nil
	defer wg.Wait()
	defer stopStoring()
	defer pg.Wait()
	defer stopPublishing()
	if drain {
		return drained(ctx, s, 5*time.Minute)
	}
	return write(ctx, s, os.Stdout)
}

// outletOptions are what a publisher of the test's unit gets.
func outletOptions(s *store.Store, session string) outlet.Options {
	return outlet.Options{
		Unit: unit, Session: session, Hub: snapshot.NewHub(time.Now), Outbox: s.Outlet(publish.Kind.Name),
		Clock: outlet.Clock{Now: time.Now, After: time.After}, Rand: rand.Float64, Log: slog.New(slog.DiscardHandler),
	}
}

// write adds runs, findings and minutes without end.
func write(ctx context.Context, s *store.Store, out io.Writer) error {
	begun := time.Now()
	base := rand.Uint64N(1 << 50)
	for n := uint64(0); ctx.Err() == nil; n++ {
		now := rules.Moment{Mono: time.Duration(n) * time.Minute, Wall: begun.Add(time.Duration(n) * time.Minute),
			WallTrusted: true}
		row := readings.Row{Start: now.Mono, Stats: make([]readings.Stat, 13)}
		row.Stats[0] = readings.Stat{Min: 12000, Mean: 12000 + int32(n%500), Max: 12600, Known: true}
		s.AddRow(now, row)
		number := base + n
		body, err := records.RunBody(snapshot.Run{Number: number, Start: now.Wall})
		if err != nil {
			return err
		}
		s.AddRun(now, now.Mono, history.Run{DurationS: 12}, make([]byte, 800), body)
		subject := fmt.Sprint(number)
		if n%5 == 0 {
			if body, err = records.FindingBody(snapshot.Finding{Name: "feed-lost", Subject: subject, Severity: "urgent",
				State: "unacknowledged", Since: now.Wall}); err != nil {
				return err
			}
			s.RaiseFinding(now, "feed-lost", subject, "urgent", body)
		}
		if n%10 == 9 {
			s.BatchReadings(now,
				func(b past.Batch) ([]byte, error) { return records.ReadingsBody(b, readings.DefaultBounds()) })
		}
		if err := s.Flush(ctx); err != nil {
			return err
		}
		fmt.Fprintln(out, "runs", number)
		if n%5 == 0 {
			fmt.Fprintln(out, "findings", subject)
		}
	}
	return nil
}

// drained waits until the outbox is empty.
func drained(ctx context.Context, s *store.Store, limit time.Duration) error {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	s.BatchReadings(rules.Moment{Wall: time.Now(), WallTrusted: true},
		func(b past.Batch) ([]byte, error) { return records.ReadingsBody(b, readings.DefaultBounds()) })
	for {
		left := 0
		for i := range outbox.Streams {
			list, err := s.Outlet(publish.Kind.Name).After(ctx, outbox.Stream(i), 0, 1)
			if err != nil {
				return err
			}
			left += len(list)
		}
		if left == 0 {
			return nil
		}
		if err := pause(ctx, 50*time.Millisecond); err != nil {
			return fmt.Errorf("not drained: %+v", s.Health())
		}
	}
}
