package main

import (
	"bufio"
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"liftbank/agent/history"
	"liftbank/agent/publish"
	"liftbank/agent/readings"
	"liftbank/agent/records"
	"liftbank/agent/snapshot"
	"liftbank/agent/store"
	"liftbank/agent/store/outbox"
	"liftbank/agent/store/past"
	"liftbank/rules"
)

// A day as it is taken here: what a busy trailer brings.
const (
	runsADay     = 60
	findingsADay = 6
	detailBytes  = 1500
)

// day0 is when the simulated days begin.
var day0 = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// cardTest writes days minute by minute, with a commit after each as in the field, and says what
// the system counts as written to disk (write_bytes of /proc/self/io). With many days it is also
// what the file grows to, and what the process takes.
func cardTest(ctx context.Context, dir string, days int) error {
	s, stop, err := openField(ctx, dir)
	if err != nil {
		return err
	}
	before, err := writtenBytes()
	if err != nil {
		return err
	}
	rng := rand.New(rand.NewPCG(1, 0))
	for m := range days * 1440 {
		if err := minute(s, rng, m, true); err != nil {
			return err
		}
		if err := s.Flush(ctx); err != nil {
			return err
		}
		if err := acknowledge(ctx, s, m); err != nil {
			return err
		}
	}
	window := time.Now()
	if _, err := s.Window(ctx,
		history.Query{From: day0, To: day0.Add(time.Duration(days) * 24 * time.Hour), Points: 1000}); err != nil {
		return err
	}
	asked := time.Since(window)
	size := s.Health().SizeBytes
	resident, anon := memory()
	stop()
	after, err := writtenBytes()
	if err != nil {
		return err
	}
	runtime.GC()
	fmt.Printf("%d days, %d runs with %d B of detail and %d findings a day: "+
		"written to disk %.1f MB a day, file %.1f MB (last measured); "+
		"resident %.1f MB (of it anonymous %.1f); all of it as 1000 points in %v\n",
		days, runsADay, detailBytes, findingsADay, float64(after-before)/float64(days)/1e6, float64(size)/1e6,
		resident, anon, asked.Round(time.Millisecond))
	return nil
}

// simulated is the minute that the simulated days have reached.
var simulated atomic.Int64

// fillTest writes days as fast as it can, with a commit an hour, into a folder that stays: for
// measuring an agent with that past.
func fillTest(ctx context.Context, dir string, days int) error {
	s, stop, err := openField(ctx, dir)
	if err != nil {
		return err
	}
	defer stop()
	rng := rand.New(rand.NewPCG(3, 0))
	for m := range days * 1440 {
		if err := minute(s, rng, m, true); err != nil {
			return err
		}
		if m%60 == 59 {
			if err := s.Flush(ctx); err != nil {
				return err
			}
			if err := acknowledge(ctx, s, m/60*60); err != nil {
				return err
			}
		}
	}
	if err := pause(ctx, time.Second); err != nil { // housekeeping comes to its turn
		return err
	}
	resident, anon := memory()
	begun := time.Now()
	if _, err := s.Window(ctx,
		history.Query{From: day0, To: day0.Add(time.Duration(days) * 24 * time.Hour), Points: 1000}); err != nil {
		return err
	}
	fmt.Printf("%d days: file %.1f MB, resident %.1f MB (anonymous %.1f), all of it as 1000 points in %v\n", days,
		float64(s.Health().SizeBytes)/1e6, resident, anon, time.Since(begun).Round(time.Millisecond))
	return nil
}

// openField opens a store whose hourly housekeeping runs by simulated time.
func openField(ctx context.Context, dir string) (*store.Store, func(), error) {
	simulated.Store(0)
	s, err := store.Open(store.Options{
		Outlets: []string{publish.Kind.Name},
		Dir:     dir, Session: fmt.Sprintf("%012x", rand.Uint64()>>16), Layout: readings.LayoutOf([]string{"a", "b"}),
		Now:    func() time.Time { return day0.Add(time.Duration(simulated.Load()) * time.Minute) },
		Limits: store.Limits{CommitEvery: 20 * time.Millisecond},
		Log:    slog.New(slog.NewTextHandler(os.Stderr, nil)),
	})
	if err != nil {
		return nil, nil, err
	}
	ctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
	var wg sync.WaitGroup
	wg.Go(func() { _ = s.Run(ctx) }) // returns nil
	return s, func() { cancel(); wg.Wait() }, nil
}

func moment(m int) rules.Moment {
	at := time.Duration(m) * time.Minute
	return rules.Moment{Mono: at, Wall: day0.Add(at), WallTrusted: true}
}

// minute adds what one minute of the day brings.
func minute(s *store.Store, rng *rand.Rand, m int, batches bool) error {
	now := moment(m + 1)
	simulated.Store(int64(m + 1))
	row := readings.Row{Start: time.Duration(m) * time.Minute, Stats: make([]readings.Stat, 13)}
	for i := range row.Stats {
		mean := int32(12600 + rng.IntN(9) - m%1440/8)
		row.Stats[i] = readings.Stat{Min: mean - rng.Int32N(6), Mean: mean, Max: mean + rng.Int32N(6), Known: true}
	}
	s.AddRow(now, row)
	if m%(1440/runsADay) == 7 {
		body, err := records.RunBody(snapshot.Run{Number: uint64(m), Start: now.Wall, DurationS: 12.1, ByCommand: true,
			PeakA: 162.4, MeanA: 118.7, MinBankV: 11.62, DrawnAh: 0.399})
		if err != nil {
			return err
		}
		detail := make([]byte, detailBytes)
		for i := range detail {
			detail[i] = byte(rng.Uint32())
		}
		s.AddRun(now, now.Mono, history.Run{DurationS: 12.1, MeanA: 118.7, PeakA: 162.4}, detail, body)
	}
	if m%(1440/findingsADay) == 11 {
		state := "unacknowledged"
		f := snapshot.Finding{Name: "feed-lost", Severity: "urgent", State: state, Since: now.Wall,
			Summary: strings.Repeat("x", 200)}
		body, err := records.FindingBody(f)
		if err != nil {
			return err
		}
		if m/(1440/findingsADay)%2 == 0 {
			s.RaiseFinding(now, f.Name, "", f.Severity, body)
		} else {
			s.ClearFinding(now, f.Name, "", body)
		}
	}
	if batches && m%30 == 29 {
		s.BatchReadings(now, func(b past.Batch) ([]byte, error) { return records.ReadingsBody(b, readings.DefaultBounds()) })
	}
	return nil
}

// acknowledge does what a broker and a collector would.
func acknowledge(ctx context.Context, s *store.Store, m int) error {
	if m%15 != 0 {
		return nil
	}
	mqtt := s.Outlet(publish.Kind.Name)
	for i := range outbox.Streams {
		of := outbox.Stream(i)
		list, err := mqtt.After(ctx, of, mqtt.Resume(of), 1000)
		if err != nil {
			return err
		}
		if len(list) == 0 {
			continue
		}
		last := list[len(list)-1]
		mqtt.Sent(last)
		if _, _, err := mqtt.Confirm(ctx, outbox.Receipt{Stream: of, Session: last.Session, Through: last.Seq}); err != nil {
			return err
		}
	}
	return nil
}

// writtenBytes reads what the process has caused to be written to disk.
func writtenBytes() (int64, error) {
	f, err := os.Open("/proc/self/io")
	if err != nil {
		return 0, err
	}
	defer f.Close()
	for sc := bufio.NewScanner(f); sc.Scan(); {
		if text, ok := strings.CutPrefix(sc.Text(), "write_bytes: "); ok {
			return strconv.ParseInt(text, 10, 64)
		}
	}
	return 0, fmt.Errorf("/proc/self/io: no write_bytes")
}

// memory gives the resident and the anonymous memory in MB (10^6 bytes), 0 where the system doesn't
// tell.
func memory() (resident, anon float64) {
	text, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return 0, 0
	}
	for line := range strings.Lines(string(text)) {
		f := strings.Fields(line)
		if len(f) < 2 {
			continue
		}
		kb, err := strconv.ParseFloat(f[1], 64)
		if err != nil {
			continue
		}
		switch f[0] {
		case "VmRSS:":
			resident = kb * 1024 / 1e6
		case "RssAnon:":
			anon = kb * 1024 / 1e6
		}
	}
	return resident, anon
}
