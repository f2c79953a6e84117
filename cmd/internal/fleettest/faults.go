package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"time"
)

const (
	patience = time.Minute
	drain    = 5 * time.Minute
)

// awaitStored waits for so many records.
func (r *rig) awaitStored(ctx context.Context, n int64, s *server) error {
	d, err := r.open()
	if err != nil {
		return err
	}
	defer d.Close()
	if err := await(ctx, patience, func() (bool, error) { return stored(ctx, d) >= n, nil }); err != nil {
		return fmt.Errorf("%d records are not stored: %w", n, errors.Join(err, s.said()))
	}
	return nil
}

// ask asks a collector for a page.
func ask(ctx context.Context, address string) (string, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return "", err
	}
	answer, err := http.DefaultClient.Do(req)
	if err != nil {
		return "", err
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	return string(text), err
}

// metric returns a figure of a collector that has no labels.
func metric(ctx context.Context, page, name string) (float64, error) {
	text, err := ask(ctx, page+"/metrics")
	if err != nil {
		return 0, err
	}
	lines := bufio.NewScanner(strings.NewReader(text))
	for lines.Scan() {
		if value, ok := strings.CutPrefix(lines.Text(), name+" "); ok {
			return strconv.ParseFloat(value, 64)
		}
	}
	return 0, fmt.Errorf("%s: no %s", page, name)
}

// apart has the command run once more with mounts of its own, which end with it.
const apart = "FLEETTEST_MOUNTS"

// fullTest fills the file system of the collector's database, and frees it again.
func fullTest(ctx context.Context, o options) error {
	if os.Getenv(apart) == "" {
		self, err := os.Executable()
		if err != nil {
			return err
		}
		args := []string{"full", "-dir", o.dir, "-program", o.program}
		cmd := exec.CommandContext(ctx, self, args...)
		cmd.Env = append(os.Environ(), apart+"=1", asProgram+"=1")
		cmd.Stdout, cmd.Stderr = os.Stdout, os.Stderr
		cmd.SysProcAttr = &syscall.SysProcAttr{Unshareflags: syscall.CLONE_NEWNS}
		cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
		return cmd.Run()
	}
	o.database = "sqlite"
	small := filepath.Join(o.dir, "db")
	if err := os.MkdirAll(small, 0o700); err != nil {
		return err
	}
	const size = 16 << 20
	if err := syscall.Mount("fleettest", small, "tmpfs", 0, "size="+strconv.Itoa(size)); err != nil {
		return fmt.Errorf("a small file system: %w: want root", err)
	}
	defer func() { _ = syscall.Unmount(small, 0) }() // with the name space it ends anyway
	r, err := startRig(ctx, o)
	if err != nil {
		return err
	}
	defer r.close()
	collector, err := r.addCollector(ctx, "", r.brokerURL)
	if err != nil {
		return err
	}
	c, err := startCrew(ctx, o.dir, r.brokerURL, 4)
	if err != nil {
		return err
	}
	defer c.close()
	if err := collector.start(ctx); err != nil {
		return err
	}
	if err := r.awaitStored(ctx, 200, collector); err != nil {
		return err
	}
	ballast := filepath.Join(small, "ballast")
	if err := fill(ballast); err != nil {
		return err
	}
	d, err := r.open()
	if err != nil {
		return err
	}
	defer d.Close()
	// The last free pages of the write-ahead log take some more. Full: nothing more for a while.
	const still, long = 5 * time.Second, 15 * time.Second
	last, since := stored(ctx, d), time.Now()
	if err := await(ctx, patience, func() (bool, error) {
		n := stored(ctx, d)
		if n != last {
			last, since = n, time.Now()
		}
		return time.Since(since) > still, fill(ballast)
	}); err != nil {
		return fmt.Errorf("it does not get full: %w", err)
	}
	if err := pause(ctx, long); err != nil {
		return err
	}
	said, err := ask(ctx, r.pages[0]+"/readyz")
	if err != nil {
		return err
	}
	left, err := c.left(ctx)
	if err != nil {
		return err
	}
	if now := stored(ctx, d); now != last {
		return fmt.Errorf("it is not full: %d records were stored meanwhile", now-last)
	}
	fmt.Printf("full for %.0f s after %d records: %d wait at the units; /readyz: %s\n", time.Since(since).Seconds(), last, left,
		strings.ReplaceAll(strings.TrimSpace(said), "\n", ": "))
	if !strings.Contains(said, "degraded") || !strings.Contains(said, "database") {
		return errors.New("/readyz does not say so")
	}
	if err := os.Remove(ballast); err != nil {
		return err
	}
	freed := time.Now()
	if err := r.awaitStored(ctx, last+1, collector); err != nil {
		return err
	}
	again := time.Since(freed)
	if err := c.end(); err != nil {
		return err
	}
	if err := c.drained(ctx, drain); err != nil {
		return errors.Join(err, collector.said())
	}
	fmt.Printf("space again: stored after %.1f s, all confirmed after %.1f s\n", again.Seconds(), time.Since(freed).Seconds())
	_, err = r.verdict(ctx, os.Stdout, c)
	return err
}

// fill makes a file grow until there is no space.
func fill(name string) error {
	f, err := os.OpenFile(name, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	for block := make([]byte, 1<<12); err == nil; {
		_, err = f.Write(block)
	}
	if errors.Is(err, syscall.ENOSPC) {
		err = nil
	}
	return errors.Join(err, f.Close())
}

// receiver counts what collectors send to a time-series database, by the last level of the address.
type receiver struct {
	*httptest.Server
	of [2]atomic.Int64
}

func startReceiver() *receiver {
	s := &receiver{}
	s.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body) // cut short is as good
		if k, err := strconv.Atoi(r.URL.Path[1:]); err == nil && k < len(s.of) {
			s.of[k].Add(1)
		}
		w.WriteHeader(http.StatusNoContent)
	}))
	return s
}

// standbyTest kills the one of two collectors that works, again and again.
func standbyTest(ctx context.Context, o options) error {
	o.database = "postgres"
	r, err := startRig(ctx, o)
	if err != nil {
		return err
	}
	defer r.close()
	series := startReceiver()
	defer series.Close()
	for k := range series.of {
		s, err := r.addCollector(ctx, "", r.brokerURL)
		if err != nil {
			return err
		}
		config := filepath.Join(o.dir, "fleet-"+strconv.Itoa(k)+".yaml")
		text, err := os.ReadFile(config)
		if err != nil {
			return err
		}
		text = fmt.Appendf(text, "series: {receivers: [{name: all, url: \"%s/%d\"}]}\n", series.URL, k)
		if err := os.WriteFile(config, text, 0o600); err != nil {
			return err
		}
		if err := s.start(ctx); err != nil {
			return err
		}
	}
	c, err := startCrew(ctx, o.dir, r.brokerURL, 4)
	if err != nil {
		return err
	}
	defer c.close()
	d, err := r.open()
	if err != nil {
		return err
	}
	defer d.Close()
	if err := r.awaitStored(ctx, 1, r.collectors[0]); err != nil {
		return err
	}
	var took []time.Duration
	sends := [2]bool{}
	for n := 0; n < o.n && ctx.Err() == nil; n++ {
		active, err := r.active(ctx)
		if err != nil {
			return err
		}
		other := 1 - active
		before, sent := stored(ctx, d), series.of[other].Load()
		killed := time.Now()
		r.collectors[active].kill()
		before = max(before, stored(ctx, d))
		if err := r.awaitStored(ctx, before+1, r.collectors[other]); err != nil {
			return fmt.Errorf("kill %d: the standby stores nothing: %w", n+1, err)
		}
		took = append(took, time.Since(killed))
		if err := await(ctx, patience, func() (bool, error) { return series.of[other].Load() > sent, nil }); err != nil {
			return fmt.Errorf("kill %d: the standby sends no series: %w", n+1, errors.Join(err, r.collectors[other].said()))
		}
		sends[other] = true
		if err := r.collectors[active].start(ctx); err != nil {
			return err
		}
	}
	if err := c.end(); err != nil {
		return err
	}
	if err := c.drained(ctx, drain); err != nil {
		return err
	}
	slices.Sort(took)
	if len(took) == 0 {
		return errors.New("want -n 1 or more")
	}
	fmt.Printf("%d takings over, series too: the other stores after %.1f s in the middle, %.1f s at most; load average %s\n",
		len(took), took[len(took)/2].Seconds(), took[len(took)-1].Seconds(), loadAverage())
	_, err = r.verdict(ctx, os.Stdout, c)
	return err
}

// active returns which collector works.
func (r *rig) active(ctx context.Context) (k int, err error) {
	err = await(ctx, patience, func() (bool, error) {
		said := [2]string{}
		for i := range said {
			said[i], _ = ask(ctx, r.pages[i]+"/readyz") // not up yet
		}
		for i := range said {
			if said[i] == "ready\n" && strings.Contains(said[1-i], "standby") {
				k = i
				return true, nil
			}
		}
		return false, nil
	})
	if err != nil {
		err = fmt.Errorf("no collector of two works: %w", errors.Join(err, r.collectors[0].said(), r.collectors[1].said()))
	}
	return k, err
}

// restoreTest puts an old copy of the database in the place of the one that units had their records
// confirmed by, and have deleted them.
func restoreTest(ctx context.Context, o options) error {
	r, err := startRig(ctx, o)
	if err != nil {
		return err
	}
	defer r.close()
	collector, err := r.addCollector(ctx, "", r.brokerURL)
	if err != nil {
		return err
	}
	if err := collector.start(ctx); err != nil {
		return err
	}
	c, err := startCrew(ctx, o.dir, r.brokerURL, 4)
	if err != nil {
		return err
	}
	defer c.close()
	if err := r.awaitStored(ctx, 300, collector); err != nil {
		return err
	}
	rest := func() (int64, error) {
		if err := errors.Join(c.end(), c.drained(ctx, drain)); err != nil {
			return 0, errors.Join(err, collector.said())
		}
		d, err := r.open()
		if err != nil {
			return 0, err
		}
		n := stored(ctx, d)
		return n, d.Close()
	}
	old, err := rest()
	if err != nil {
		return err
	}
	files := filepath.Join(o.dir, "db")
	if r.postgres != nil {
		files = filepath.Join(o.dir, "postgres", "data")
	}
	swap := func(command ...string) error {
		collector.kill()
		if r.postgres != nil {
			r.postgres.kill()
		}
		if out, err := exec.CommandContext(ctx, command[0], command[1:]...).CombinedOutput(); err != nil {
			return fmt.Errorf("%s: %w: %s", command, err, out)
		}
		if r.postgres != nil {
			if err := r.postgres.start(ctx); err != nil {
				return err
			}
		}
		return collector.start(ctx)
	}
	if err := swap("cp", "-a", files, files+".backup"); err != nil {
		return err
	}
	c.begin(ctx)
	if err := r.awaitStored(ctx, old+300, collector); err != nil {
		return err
	}
	newest, err := rest()
	if err != nil {
		return err
	}
	if err := swap("sh", "-c", "rm -r -- \"$0\" && cp -a -- \"$0.backup\" \"$0\"", files); err != nil {
		return err
	}
	fmt.Printf("backup after %d records, restored after %d: the units have deleted %d of what it lacks\n", old, newest, newest-old)
	c.begin(ctx)
	if err := r.awaitStored(ctx, old+300, collector); err != nil {
		return err
	}
	d, err := r.open()
	if err != nil {
		return err
	}
	defer d.Close()
	var missing int
	if err := await(ctx, drain, func() (bool, error) {
		err := d.QueryRowContext(ctx, "SELECT coalesce(sum(missing), 0) FROM stream").Scan(&missing)
		return missing == 0, err
	}); err != nil {
		return fmt.Errorf("%d records are still asked for: %w", missing, err)
	}
	const wished = "liftbank_fleet_asked_ranges_total"
	before, err := metric(ctx, r.pages[0], wished)
	if err != nil {
		return err
	}
	const listen = 35 * time.Second // the first repeat of a wish comes after 30 s
	if err := pause(ctx, listen); err != nil {
		return err
	}
	after, err := metric(ctx, r.pages[0], wished)
	if err != nil {
		return err
	}
	if _, err := rest(); err != nil {
		return err
	}
	fmt.Printf("ranges asked for until all were named: %.0f; in the %.0f s after that: %.0f; load average %s\n",
		before, listen.Seconds(), after-before, loadAverage())
	all, err := r.verdict(ctx, os.Stdout, c)
	switch {
	case err != nil:
		return err
	case int64(all.gone) != newest-old:
		return fmt.Errorf("named as gone: %d, want %d", all.gone, newest-old)
	case after != before:
		return errors.New("what is gone is asked for again")
	}
	return nil
}
