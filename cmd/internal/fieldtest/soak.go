package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"sync"
	"time"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/cmd/internal/refboard"
	"liftbank/cmd/internal/rig"
	"liftbank/cmd/scenariofile"
)

// taken is what the process takes at one moment.
type taken struct {
	heapMB, residentMB float64
	files, goroutines  int
}

func takenNow() (taken, error) {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	fds, err := os.ReadDir("/proc/self/fd")
	resident, _ := memory()
	return taken{float64(m.HeapAlloc) / 1e6, resident, len(fds), runtime.NumGoroutine()}, err
}

// soakTest runs a whole agent with its page, its store and a real broker for simulated days. The
// broker is killed and started again every day, and the page is asked every hour. Memory, open files
// and goroutines of the last days may not be above those of the first.
func soakTest(ctx context.Context, dir, name string, days int, speed float64) error {
	const warmUp = 3 // days until everything has been used once
	if days < 3*warmUp {
		return fmt.Errorf("-days %d: want %d or more", days, 3*warmUp)
	}
	b, err := startBroker(dir)
	if err != nil {
		return err
	}
	defer b.kill()
	sc, err := scenariofile.Load(name)
	if err != nil {
		return err
	}
	cfg, err := config.Parse("soak.yaml", []byte(
		refboard.YAML(&sc, unit, refboard.Options{Listen: "127.0.0.1:0", Broker: b.url()})))
	if err != nil {
		return err
	}
	r, err := rig.New(sc, cfg, false)
	if err != nil {
		return err
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	s := &soak{broker: b, page: "http://" + l.Addr().String(), days: days, speed: speed, begun: time.Now()}
	ctx, s.stop = context.WithCancel(ctx)
	defer s.stop()
	r.Clock.Pace = s.pace
	log := slog.New(slog.NewTextHandler(io.Discard, nil))
	kept, err := agent.OpenStore(cfg, filepath.Join(dir, "store"), "soak", time.Now, log)
	if err != nil {
		return errors.Join(err, l.Close())
	}
	a, err := agent.New(agent.Options{Config: cfg, Parts: r.Parts(), Listener: l, Session: "soak", Store: kept,
		StateFile: filepath.Join(dir, "learned"), Log: log, Now: time.Now})
	if err != nil {
		return errors.Join(err, l.Close())
	}
	fmt.Printf("%4s %8s %12s %6s %10s\n", "day", "heap MB", "resident MB", "files", "goroutines")
	if err := a.Run(ctx); err != nil {
		return err
	}
	s.asking.Wait()
	if s.failed != nil {
		return s.failed
	}
	fmt.Printf("%d broker restarts, reconnected %d times; page asked %d times\n", s.restarts,
		a.Outlets()[0].Reconnects, s.asked)
	return s.judge(warmUp)
}

// soak is what goes on beside the agent, from within its clock.
type soak struct {
	broker          *broker
	page            string
	days            int
	speed           float64
	begun           time.Time
	stop            func()
	hour            int
	restarts, asked int
	seen            []taken // by day
	asking          sync.WaitGroup
	failed          error
}

// pace holds the clock to its speed, and does what is due at this hour.
func (s *soak) pace(ctx context.Context, now time.Duration) error {
	if hour := int(now / time.Hour); hour > s.hour {
		s.hour = hour
		if err := s.hourly(ctx); err != nil {
			s.failed = err
			s.stop()
		}
	}
	if ahead := time.Duration(float64(now)/s.speed) - time.Since(s.begun); ahead > 20*time.Millisecond {
		return pause(ctx, ahead)
	}
	return ctx.Err()
}

func (s *soak) hourly(ctx context.Context) error {
	s.asking.Wait() // the one before
	s.asking.Go(func() {
		for _, path := range []string{"/", "/metrics", "/history?span=1d", "/api/v1/snapshot", "/findings"} {
			req, err := http.NewRequestWithContext(ctx, http.MethodGet, s.page+path, nil)
			if err != nil {
				continue
			}
			if resp, err := http.DefaultClient.Do(req); err == nil {
				_, _ = io.Copy(io.Discard, resp.Body)
				resp.Body.Close()
				s.asked++
			}
		}
		http.DefaultClient.CloseIdleConnections()
	})
	if s.hour%24 != 0 {
		return nil
	}
	s.asking.Wait()
	if err := pause(ctx, 200*time.Millisecond); err != nil { // connections end
		return nil
	}
	t, err := takenNow()
	if err != nil {
		return err
	}
	s.seen = append(s.seen, t)
	fmt.Printf("%4d %8.1f %12.1f %6d %10d\n", s.hour/24, t.heapMB, t.residentMB, t.files, t.goroutines)
	if s.hour/24 >= s.days {
		s.stop()
		return nil
	}
	s.broker.kill()
	s.restarts++
	return s.broker.start()
}

// judge compares the last third of the days with those after the warm-up.
func (s *soak) judge(warmUp int) error {
	third := len(s.seen) / 3
	first, last := s.seen[warmUp:warmUp+third], s.seen[len(s.seen)-third:]
	most := func(list []taken, of func(taken) float64) float64 {
		return of(slices.MaxFunc(list, func(a, b taken) int { return int(1e6 * (of(a) - of(b))) }))
	}
	var errs []error
	for _, figure := range []struct {
		name  string
		slack float64 // what comes and goes
		of    func(taken) float64
	}{
		{"heap MB", 2, func(t taken) float64 { return t.heapMB }},
		{"resident MB", 4, func(t taken) float64 { return t.residentMB }},
		{"open files", 3, func(t taken) float64 { return float64(t.files) }},
		{"goroutines", 6, func(t taken) float64 { return float64(t.goroutines) }},
	} {
		if was, is := most(first, figure.of), most(last, figure.of); is > was+figure.slack {
			errs = append(errs, fmt.Errorf("%s grew from %.1f to %.1f", figure.name, was, is))
		}
	}
	return errors.Join(errs...)
}
