package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"liftbank/agent/fleet/alert"
)

// ahead is by how much all clocks of a test are ahead of the machine's.
var ahead atomic.Int64

func now() time.Time { return time.Now().Add(time.Duration(ahead.Load())) }

// clockOf returns the clock of a collecting process: the machine's, and what a file says that it is ahead.
func clockOf(file string) func() time.Time {
	if file == "" {
		return time.Now
	}
	var mu sync.Mutex
	var read time.Time
	var by time.Duration
	const every = 50 * time.Millisecond
	return func() time.Time {
		mu.Lock()
		defer mu.Unlock()
		t := time.Now()
		if t.Sub(read) > every {
			if text, err := os.ReadFile(file); err == nil { // being written
				if d, err := time.ParseDuration(string(text)); err == nil {
					read, by = t, d
				}
			}
		}
		return t.Add(by)
	}
}

// manager is an Alertmanager that keeps what it was told.
type manager struct {
	*httptest.Server
	mu   sync.Mutex
	told map[string]alert.Alert // by name and unit, the last
}

func startManager() *manager {
	m := &manager{told: map[string]alert.Alert{}}
	m.Server = httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		var list []alert.Alert
		if json.NewDecoder(r.Body).Decode(&list) != nil {
			return
		}
		m.mu.Lock()
		defer m.mu.Unlock()
		for _, a := range list {
			m.told[strings.TrimSpace(a.Labels["alertname"]+" "+a.Labels["unit"])] = a
		}
	}))
	return m
}

// standing says whether an alert was told, and whether it stands.
func (m *manager) standing(name string) (told, stands bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	a, told := m.told[name]
	return told, told && a.EndsAt.After(now())
}

// awayTest takes the database away for a day by the clocks of collector and units.
func awayTest(ctx context.Context, o options) error {
	o.database = "postgres" // a SQLite file is not away
	r, err := startRig(ctx, o)
	if err != nil {
		return err
	}
	defer r.close()
	m := startManager()
	defer m.Close()
	ahead.Store(0)
	clock := filepath.Join(o.dir, "ahead")
	forward := func(by time.Duration) error {
		ahead.Store(int64(by))
		return os.WriteFile(clock, []byte(by.String()), 0o600)
	}
	if err := forward(0); err != nil {
		return err
	}
	r.clock = clock
	collector, err := r.addCollector(ctx, short, r.brokerURL)
	if err != nil {
		return err
	}
	config := filepath.Join(o.dir, "fleet-0.yaml")
	text, err := os.ReadFile(config)
	if err != nil {
		return err
	}
	text = fmt.Appendf(text, "alerts: {alertmanagers: [{url: %q}]}\n", m.URL)
	if err := os.WriteFile(config, text, 0o600); err != nil {
		return err
	}
	if err := collector.start(ctx); err != nil {
		return err
	}
	const units, first = 4, 200
	c, err := startCrew(ctx, o.dir, r.brokerURL, units)
	if err != nil {
		return err
	}
	defer c.close()
	if err := r.awaitStored(ctx, first, collector); err != nil {
		return err
	}
	if err := await(ctx, patience, func() (bool, error) {
		_, stands := m.standing("FeedLost u-1") // what a unit says
		return stands, nil
	}); err != nil {
		return fmt.Errorf("no alert for a finding: %w", errors.Join(err, collector.said()))
	}
	r.postgres.kill()
	const away, step = 25 * time.Hour, time.Hour // more than a unit may be silent
	for by := step; by <= away; by += step {
		if err := errors.Join(forward(by), pause(ctx, 200*time.Millisecond)); err != nil {
			return err
		}
	}
	if err := await(ctx, patience, func() (bool, error) {
		_, stands := m.standing("DatabaseAway")
		return stands, nil
	}); err != nil {
		return fmt.Errorf("nobody is called for the database: %w", errors.Join(err, collector.said()))
	}
	said, err := ask(ctx, r.pages[0]+"/readyz")
	if err != nil {
		return err
	}
	left, err := c.left(ctx)
	if err != nil {
		return err
	}
	_, finding := m.standing("FeedLost u-1")
	fmt.Printf("away for %v: %d records wait at the units; DatabaseAway stands, FeedLost still stands: %v; /readyz: %s\n", away, left, finding,
		strings.ReplaceAll(strings.TrimSpace(said), "\n", ": "))
	if !finding || left == 0 || !strings.Contains(said, "database away") {
		return errors.New("want records that wait, the alert as it stood, and /readyz to say so")
	}
	if err := r.postgres.start(ctx); err != nil {
		return err
	}
	back := time.Now()
	if err := await(ctx, patience, func() (bool, error) {
		_, stands := m.standing("DatabaseAway")
		return !stands, nil
	}); err != nil {
		return fmt.Errorf("DatabaseAway does not end: %w", errors.Join(err, collector.said()))
	}
	ended := time.Since(back)
	if err := errors.Join(c.end(), c.drained(ctx, drain)); err != nil {
		return errors.Join(err, collector.said())
	}
	fmt.Printf("back: the alert ended after %.1f s, all confirmed after %.1f s; load average %s\n", ended.Seconds(), time.Since(back).Seconds(),
		loadAverage())
	if _, err := r.verdict(ctx, os.Stdout, c); err != nil {
		return err
	}
	for _, name := range []string{"CollectorDeaf", "ManyUnitsSilent", "UnitSilent u-1", "UnitSilent u-2", "UnitSilent u-3", "UnitSilent u-4", "ClockOff u-1"} {
		if told, _ := m.standing(name); told {
			return fmt.Errorf("%s was told, and nothing of it is true", name)
		}
	}
	return nil
}
