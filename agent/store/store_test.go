package store

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"pgregory.net/rapid"

	"liftbank/agent/history"
	"liftbank/agent/readings"
	"liftbank/agent/store/file"
	"liftbank/agent/store/outbox"
	"liftbank/agent/store/past"
	"liftbank/agent/store/queue"
	"liftbank/cmd/slowtest"
	"liftbank/rules"
)

func TestMain(m *testing.M) {
	slowtest.Checks(100, 30)
	goleak.VerifyTestMain(m)
}

// inMemory gives a folder whose files cost no disk writes, where the system has one: for tests that
// open hundreds.
func inMemory() string {
	const shm = "/dev/shm"
	if info, err := os.Stat(shm); err != nil || !info.IsDir() {
		return ""
	}
	return shm
}

var day0 = time.Date(2026, 3, 9, 0, 0, 0, 0, time.UTC)

// hand is a store whose clock and timer a test moves.
type hand struct {
	*Store
	*outbox.Outlet
	t    testing.TB
	tick chan time.Time
	stop func()
	mu   *sync.Mutex
	now  *time.Time
	log  *bytes.Buffer
}

func open(t testing.TB, dir, session string, limits Limits) *hand {
	t.Helper()
	return openWith(t, dir, session, limits, "mqtt")
}

// openWith opens a store with these outlets; the hand is at the first.
func openWith(t testing.TB, dir, session string, limits Limits, outlets ...string) *hand {
	t.Helper()
	now := day0
	h := &hand{t: t, tick: make(chan time.Time), mu: &sync.Mutex{}, now: &now, log: &bytes.Buffer{}}
	s, err := Open(Options{
		Dir: dir, Session: session, Layout: readings.LayoutOf([]string{"a"}), Limits: limits, Outlets: outlets,
		Now:   func() time.Time { h.mu.Lock(); defer h.mu.Unlock(); return *h.now },
		After: func(time.Duration) <-chan time.Time { return h.tick },
		Log:   slog.New(slog.NewTextHandler(h.log, nil)),
	})
	require.NoError(t, err)
	h.Store = s
	if len(outlets) > 0 {
		h.Outlet = s.Outlet(outlets[0])
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); _ = s.Run(ctx) }()
	h.stop = func() { cancel(); <-done }
	t.Cleanup(h.stop)
	return h
}

// pass lets time go by, with what the store does each interval.
func (h *hand) pass(d time.Duration) {
	h.mu.Lock()
	*h.now = h.now.Add(d)
	h.mu.Unlock()
	h.tick <- time.Time{}
	require.NoError(h.t, h.card.ask(h.t.Context(), func() error { return nil }))
}

func (h *hand) flush() { h.t.Helper(); require.NoError(h.t, h.Flush(h.t.Context())) }

// damage has the file found damaged while it is in use.
func (h *hand) damage() {
	h.t.Helper()
	require.NoError(h.t, h.card.ask(h.t.Context(), func() error {
		h.card.abandon(file.ErrDamaged)
		for _, name := range damagedFiles(h.t, h.opts.Dir) { // nothing of it can be read
			require.NoError(h.t, os.WriteFile(name, []byte("rubbish"), 0o600))
		}
		h.card.fault(file.ErrDamaged)
		return nil
	}))
}

func damagedFiles(t testing.TB, dir string) []string {
	list, err := filepath.Glob(filepath.Join(dir, "damaged-*"))
	require.NoError(t, err)
	return list
}

// trusted is a moment of a clock that is set: day0 and mono after it.
func trusted(mono time.Duration) rules.Moment {
	return rules.Moment{Mono: mono, Wall: day0.Add(mono), WallTrusted: true}
}

func row(mono time.Duration, milliVolt int32) readings.Row {
	r := readings.Row{Start: mono, Stats: make([]readings.Stat, 9)}
	r.Stats[5] = readings.Stat{Min: milliVolt - 5, Mean: milliVolt, Max: milliVolt + 5, Known: true}
	return r
}

// numbers gives session:seq of all records of a stream.
func (h *hand) numbers(of outbox.Stream) []string {
	h.t.Helper()
	all, err := h.outbox.After(h.t.Context(), of, 0, 100000)
	require.NoError(h.t, err)
	var out []string
	for _, r := range all {
		text := fmt.Sprintf("%s:%d", r.Session, r.Seq)
		if r.Gap != "" {
			text = fmt.Sprintf("%s:%d-%d %s", r.Session, r.From, r.Seq, r.Gap)
		}
		out = append(out, text)
	}
	return out
}

func TestWhatWasAddedIsThereAfterARestart(t *testing.T) {
	firstSecond := readings.AppendTrace(nil, []readings.Sample{
		{At: -250 * time.Millisecond, Values: []readings.Value{{X: 12.61, OK: true}, {}, {X: 0, OK: true}}},
		{At: 10 * time.Millisecond, Values: []readings.Value{{X: 11.5, OK: true}, {X: -60.25, OK: true},
			{X: 11.25, OK: true}}},
	})
	dir := t.TempDir()
	h := open(t, dir, "s1", Limits{})
	h.AddRow(trusted(time.Minute), row(0, 12600))
	h.AddRun(trusted(2*time.Minute), time.Minute, history.Run{DurationS: 12, MeanA: 118, PeakA: 160},
		firstSecond, []byte(`{"n":1}`))
	h.RaiseFinding(trusted(3*time.Minute), "feed-lost", "", "urgent", []byte("raised"))
	h.AddRecord(trusted(4*time.Minute), outbox.Visits, []byte("first"))
	h.AddRecord(trusted(5*time.Minute), outbox.Visits, []byte("second"))
	h.flush()
	h.stop()

	h = open(t, dir, "s2", Limits{})
	trace, err := h.FirstSecond(t.Context(), day0.Add(time.Minute+20*time.Millisecond))
	require.NoError(t, err)
	assert.Equal(t, history.Trace{
		Start: day0.Add(time.Minute), TimesS: []float64{-0.25, 0.01},
		Series: []history.TraceSeries{
			{Figure: "voltage_v", Battery: "a", Values: []*float64{new(12.61), new(11.5)}},
			{Figure: "current_a", Battery: "a", Values: []*float64{nil, new(-60.25)}},
			{Figure: "motor_voltage_v", Values: []*float64{new(0.0), new(11.25)}},
		},
	}, trace)
	trace, err = h.FirstSecond(t.Context(), day0.Add(2*time.Minute))
	require.NoError(t, err)
	assert.Empty(t, trace.Series, "no run began there")

	// Numbers go on; each record knows its session and where that began.
	assert.Equal(t, uint64(2), h.AddRecord(trusted(10*time.Minute), outbox.Runs, []byte("{}")))
	h.flush()
	assert.Equal(t, []string{"s1:1", "s2:2"}, h.numbers(outbox.Runs))
	assert.Equal(t, []string{"s1:1", "s1:2"}, h.numbers(outbox.Visits))
	records, err := h.After(t.Context(), outbox.Runs, 0, 10)
	require.NoError(t, err)
	assert.Equal(t, uint64(1), records[0].First)
	assert.Equal(t, uint64(2), records[1].First)
	assert.Equal(t, day0.Add(2*time.Minute), records[0].At)
	assert.Equal(t, `{"n":1}`, string(records[0].Body))

	// A finding that stood over the restart has one onset, and its end.
	h.RaiseFinding(trusted(11*time.Minute), "feed-lost", "", "urgent", nil)
	h.ClearFinding(trusted(12*time.Minute), "feed-lost", "", nil)
	w, err := h.Window(t.Context(), history.Query{From: day0, To: day0.Add(time.Hour), Points: 60})
	require.NoError(t, err)
	end := day0.Add(12 * time.Minute)
	assert.Equal(t, []history.Span{{Name: "feed-lost", Severity: "urgent", From: day0.Add(3 * time.Minute),
		To: &end}}, w.Findings)
	assert.Equal(t, []history.Run{{At: day0.Add(time.Minute), DurationS: 12, MeanA: 118, PeakA: 160}}, w.Runs)
}

// A record that comes while a transaction is under way: its number is written with it, not before,
// or a cut of the power would leave a hole.
func TestANumberIsWrittenWithItsRecord(t *testing.T) {
	h := open(t, t.TempDir(), "s1", Limits{})
	h.AddRecord(trusted(0), outbox.Visits, nil)
	once := sync.OnceFunc(func() { h.AddRecord(trusted(0), outbox.Visits, nil) })
	h.Store.mu.Lock()
	h.add(false, queue.Op{Apply: func(*sql.Tx) error { once(); return nil }})
	h.Store.mu.Unlock()
	require.NoError(t, h.card.ask(t.Context(), func() error {
		h.card.commit()
		var next, records int
		const query = "SELECT next_seq, (SELECT count(*) FROM outbox) FROM streams WHERE stream = ?"
		require.NoError(t, h.card.db.QueryRow(query, outbox.Visits).Scan(&next, &records))
		assert.Equal(t, records+1, next)
		return nil
	}))
	h.flush()
	assert.Equal(t, []string{"s1:1", "s1:2"}, h.numbers(outbox.Visits))
}

// A card restored from an old image: the numbers come twice, under two sessions.
func TestNumbersAreNotUsedTwiceAfterARestoredImage(t *testing.T) {
	dir, image := t.TempDir(), t.TempDir()
	h := open(t, dir, "s1", Limits{})
	h.AddRecord(trusted(0), outbox.Runs, nil)
	h.flush()
	h.stop()
	data, err := os.ReadFile(filepath.Join(dir, file.Name))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(image, file.Name), data, 0o600))
	h = open(t, dir, "s2", Limits{})
	h.AddRecord(trusted(0), outbox.Runs, nil)
	h.flush()
	seen := map[string]bool{}
	for _, n := range h.numbers(outbox.Runs) {
		seen[n] = true
	}
	h = open(t, image, "s3", Limits{})
	h.AddRecord(trusted(0), outbox.Runs, nil)
	h.flush()
	assert.Equal(t, []string{"s1:1", "s3:2"}, h.numbers(outbox.Runs))
	assert.False(t, seen["s3:2"])
}

// The clock becomes known late: everything of the session gets its time put right, the outbox too.
func TestTimesArePutRightBackwards(t *testing.T) {
	h := open(t, t.TempDir(), "s1", Limits{})
	wrong := func(mono time.Duration) rules.Moment {
		return rules.Moment{Mono: mono, Wall: time.Unix(0, 0).Add(mono)}
	}
	h.AddRow(wrong(time.Minute), row(0, 12600))
	h.AddRun(wrong(2*time.Minute), 90*time.Second, history.Run{DurationS: 3}, nil, []byte("r"))
	h.flush()
	before, err := h.After(t.Context(), outbox.Runs, 0, 10)
	require.NoError(t, err)
	assert.Equal(t, time.Unix(120, 0).UTC(), before[0].At)
	assert.False(t, before[0].Trusted)
	h.Observe(trusted(10 * time.Minute))
	h.flush()
	after, err := h.After(t.Context(), outbox.Runs, 0, 10)
	require.NoError(t, err)
	assert.Equal(t, day0.Add(2*time.Minute), after[0].At)
	assert.True(t, after[0].Trusted)
	assert.Equal(t, day0.Add(90*time.Second), after[0].Time(90*time.Second), "what an instant inside the body is")
	assert.Equal(t, before[0].Seq, after[0].Seq)
	w, err := h.Window(t.Context(), history.Query{From: day0, To: day0.Add(time.Hour), Points: 60})
	require.NoError(t, err)
	require.Len(t, w.Runs, 1)
	assert.Equal(t, day0.Add(90*time.Second), w.Runs[0].At)
	require.Len(t, w.Series, 1)
	assert.Equal(t, 12.6, *w.Series[0].Mean[0])

	// Set again while trusted: earlier times stay. No longer trusted: the monotonic clock
	// continues.
	h.AddRun(rules.Moment{Mono: time.Hour, Wall: day0.Add(3 * time.Hour), WallTrusted: true}, time.Hour,
		history.Run{DurationS: 4}, nil, nil)
	h.AddRun(rules.Moment{Mono: 2 * time.Hour, Wall: time.Unix(5, 0)}, 2*time.Hour, history.Run{DurationS: 5}, nil, nil)
	w, err = h.Window(t.Context(), history.Query{From: day0, To: day0.Add(24 * time.Hour), Points: 60})
	require.NoError(t, err)
	require.Len(t, w.Runs, 3)
	assert.Equal(t, []time.Time{day0.Add(90 * time.Second), day0.Add(3 * time.Hour), day0.Add(4 * time.Hour)},
		[]time.Time{w.Runs[0].At, w.Runs[1].At, w.Runs[2].At})
}

func TestDamagedFileIsSetAside(t *testing.T) {
	for name, damage := range map[string]func(path string){
		"not a database": func(path string) {
			require.NoError(t, os.WriteFile(path, []byte(strings.Repeat("rubbish ", 4000)), 0o600))
		},
		"torn pages": func(path string) {
			f, err := os.OpenFile(path, os.O_RDWR, 0)
			require.NoError(t, err)
			for page := int64(2); page < 12; page++ {
				_, err = f.WriteAt(bytes.Repeat([]byte{0xa5}, 3000), page*4096+500)
				require.NoError(t, err)
			}
			require.NoError(t, f.Close())
		},
		"cut short": func(path string) { require.NoError(t, os.Truncate(path, 3*4096+17)) },
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			h := open(t, dir, "s1", Limits{})
			for i := range 2000 {
				h.AddRow(trusted(time.Duration(i+1)*time.Minute),
					row(time.Duration(i)*time.Minute, int32(12000+i*7%900)))
			}
			h.AddRecord(trusted(0), outbox.Runs, nil)
			h.flush()
			h.stop()
			damage(filepath.Join(dir, file.Name))

			h = open(t, dir, "s2", Limits{})
			assert.NotEmpty(t, h.Health().SetAside)
			assert.Empty(t, h.Health().Problem)
			assert.FileExists(t, filepath.Join(dir, h.Health().SetAside[0]))
			assert.Contains(t, h.log.String(), "store damaged")
			assert.Equal(t, uint64(1), h.AddRecord(trusted(0), outbox.Runs, nil), "a new file begins at 1")
			h.flush()
			assert.Equal(t, []string{"s2:1"}, h.numbers(outbox.Runs))
		})
	}
}

// Damage that shows while the file is in use: a new one takes over, numbers go on, and what was
// lost is said.
func TestDamageWhileInUse(t *testing.T) {
	dir := t.TempDir()
	h := open(t, dir, "s1", Limits{})
	for range 3 {
		h.AddRecord(trusted(0), outbox.Runs, nil)
	}
	h.flush()
	h.damage()
	assert.Equal(t, "damaged", h.Health().Problem)
	h.AddRecord(trusted(time.Minute), outbox.Runs, []byte("x"))
	h.flush()
	assert.Empty(t, h.Health().Problem)
	assert.Equal(t, []string{"s1:1-3 store damaged", "s1:4"}, h.numbers(outbox.Runs))
	h.stop()
	h = open(t, dir, "s2", Limits{})
	assert.Equal(t, uint64(5), h.AddRecord(trusted(0), outbox.Runs, nil))
}

// Each damaged file that is kept is named, not only the last; of more than two the oldest go.
func TestEachDamagedFileIsNamed(t *testing.T) {
	dir := t.TempDir()
	var h *hand
	for i := range 4 {
		require.NoError(t, os.WriteFile(filepath.Join(dir, file.Name), []byte("no database, however long it is"), 0o600))
		h = open(t, dir, fmt.Sprintf("s%d", i), Limits{})
		h.stop()
		want := damagedFiles(t, dir)
		require.Len(t, want, min(i+1, 2))
		for j := range want {
			want[j] = filepath.Base(want[j])
		}
		assert.Equal(t, want, h.Health().SetAside)
	}
}

// A full disk: adding goes on, records can be had out of memory, and when there is room again all
// is written under the same numbers.
func TestFullDisk(t *testing.T) {
	h := open(t, t.TempDir(), "s1", Limits{PendingBytes: 20000})
	h.AddRecord(trusted(0), outbox.Runs, []byte("before"))
	h.flush()
	require.NoError(t, h.card.ask(t.Context(), func() error {
		var pages int
		require.NoError(t, h.card.db.QueryRow("PRAGMA page_count").Scan(&pages))
		return h.card.db.QueryRow(fmt.Sprintf("PRAGMA max_page_count = %d", pages+5)).Scan(&pages)
	}))
	var err error
	for i := 0; err == nil && i < 1000; i++ {
		h.AddRow(trusted(time.Duration(i)*time.Minute), row(time.Duration(i)*time.Minute, 12600))
		h.AddRecord(trusted(0), outbox.Readings, bytes.Repeat([]byte("x"), 100)) // one that waits for its commit
		err = h.Flush(t.Context())
	}
	assert.ErrorContains(t, err, "disk full")
	assert.Equal(t, "disk full", h.Health().Problem)
	// No room either: the file is opened anew by the next attempt, and that one works, as the bound
	// was this connection's.
	h.AddRecord(trusted(0), outbox.Findings, []byte("while full"))
	held, err := h.After(t.Context(), outbox.Findings, 0, 10)
	require.NoError(t, err)
	require.Len(t, held, 1, "given out of memory")
	assert.Equal(t, uint64(1), held[0].Seq)
	before := len(h.numbers(outbox.Readings))
	h.pass(time.Minute)
	assert.Empty(t, h.Health().Problem)
	assert.Equal(t, []string{"s1:1"}, h.numbers(outbox.Findings))
	all := h.numbers(outbox.Readings)
	assert.Len(t, all, before)
	for i, n := range all {
		assert.Equal(t, fmt.Sprintf("s1:%d", i+1), n)
	}
}

// A card that takes nothing for weeks: memory stays bounded, findings stay, and what had to go
// leaves a gap.
func TestMemoryIsBoundedWhileTheCardTakesNothing(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(dir, nil, 0o600)) // a file where the folder should be
	h := open(t, dir, "s1", Limits{PendingBytes: 100_000})
	assert.NotEmpty(t, h.Health().Problem)
	h.RaiseFinding(trusted(0), "feed-lost", "", "urgent", []byte("first"))
	for i := range 20000 {
		at := trusted(time.Duration(i) * time.Minute)
		h.AddRow(at, row(at.Mono, 12600))
		if i%30 == 0 {
			h.AddRecord(at, outbox.Readings, bytes.Repeat([]byte("r"), 500))
		}
	}
	assert.Less(t, h.Health().Pending, 2000)
	assert.Positive(t, h.Health().Lost)
	assert.Equal(t, []string{"s1:1"}, h.numbers(outbox.Findings))
	kept := h.numbers(outbox.Readings)
	require.Greater(t, len(kept), 10)
	assert.Regexp(t, `^s1:1-\d+ no room in memory`, kept[0])
	assert.Equal(t, "s1:667", kept[len(kept)-1])

	require.NoError(t, os.Remove(dir)) // the card is back
	h.pass(time.Minute)
	assert.Empty(t, h.Health().Problem)
	assert.Equal(t, kept, h.numbers(outbox.Readings))
	assert.Zero(t, h.Health().Pending)
}

// A real file system without room, and one that is read-only: only root may mount one.
func TestRealFullAndReadOnlyDisk(t *testing.T) {
	dir := t.TempDir()
	if err := syscall.Mount("liftbank-test", dir, "tmpfs", 0, "size=600k"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("mount: ", err)
		}
		t.Skip("mounting is not allowed here: ", err)
	}
	defer func() { require.NoError(t, syscall.Unmount(dir, 0)) }()
	h := open(t, dir, "s1", Limits{})
	h.AddRecord(trusted(0), outbox.Runs, nil)
	h.flush()
	ballast := filepath.Join(dir, "ballast")
	_ = os.WriteFile(ballast, make([]byte, 1<<20), 0o600) // as much as fits
	var err error
	for i := 0; err == nil && i < 200; i++ {
		h.AddRecord(trusted(0), outbox.Runs, bytes.Repeat([]byte("x"), 3000))
		err = h.Flush(t.Context())
	}
	require.Error(t, err)
	assert.Contains(t, []string{"disk full", "I/O error"}, h.Health().Problem)
	h.pass(time.Minute)
	assert.NotEmpty(t, h.Health().Problem, "still full")
	require.NoError(t, os.Remove(ballast))
	h.pass(time.Minute)
	assert.Empty(t, h.Health().Problem, h.Health().Detail)
	for i, n := range h.numbers(outbox.Runs) {
		require.Equal(t, fmt.Sprintf("s1:%d", i+1), n)
	}
	h.stop()

	require.NoError(t, syscall.Mount("", dir, "", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""))
	h = open(t, dir, "s2", Limits{})
	assert.NotEmpty(t, h.Health().Problem)
	seq := h.AddRecord(trusted(0), outbox.Runs, []byte("while read-only"))
	records, err := h.After(t.Context(), outbox.Runs, 0, 10)
	require.NoError(t, err)
	require.Len(t, records, 1)
	require.NoError(t, syscall.Mount("", dir, "", syscall.MS_REMOUNT, ""))
	h.pass(time.Minute)
	assert.Empty(t, h.Health().Problem, h.Health().Detail)
	all := h.numbers(outbox.Runs)
	assert.Equal(t, fmt.Sprintf("s2:%d", seq), all[len(all)-1])
	h.stop()
}

func TestASecondProcessIsKeptOut(t *testing.T) {
	dir := t.TempDir()
	h := open(t, dir, "s1", Limits{})
	h.AddRecord(trusted(0), outbox.Runs, nil)
	h.flush()
	other := open(t, dir, "s2", Limits{})
	assert.Equal(t, "in use by another process", other.Health().Problem)
	assert.Empty(t, other.Health().SetAside)
	other.stop()
	assert.Equal(t, []string{"s1:1"}, h.numbers(outbox.Runs))
}

// With nobody confirming, a record goes once the broker had it for the grace; with a collector,
// once that has confirmed.
func TestRecordsLeaveTheOutbox(t *testing.T) {
	h := open(t, t.TempDir(), "s1", Limits{})
	add := func(n int) {
		for range n {
			h.AddRecord(trusted(0), outbox.Runs, []byte("{}"))
		}
		h.flush()
	}
	ack := func(seq int) {
		all, err := h.After(t.Context(), outbox.Runs, 0, 100)
		require.NoError(t, err)
		for _, r := range all {
			if r.Seq <= uint64(seq) {
				h.Sent(r)
			}
		}
		h.flush()
	}
	add(5)
	ack(3)
	assert.Equal(t, int64(2), h.Health().Outlets[0].Waiting[outbox.Runs])
	for range 71 {
		h.pass(time.Hour)
	}
	assert.Len(t, h.numbers(outbox.Runs), 5, "within the grace")
	for range 3 {
		h.pass(time.Hour)
	}
	assert.Equal(t, []string{"s1:4", "s1:5"}, h.numbers(outbox.Runs))

	ack(4)
	again, known, err := h.Confirm(t.Context(), outbox.Receipt{Stream: outbox.Runs, Session: "s1", Through: 4,
		Missing: [][2]uint64{{2, 3}}})
	require.NoError(t, err)
	assert.True(t, known)
	h.flush()
	assert.Empty(t, again, "below what it has")
	assert.Equal(t, []string{"s1:5"}, h.numbers(outbox.Runs))
	assert.True(t, h.Collected())
	add(5) // 6 to 10
	ack(10)
	for range 200 {
		h.pass(time.Hour)
	}
	assert.Len(t, h.numbers(outbox.Runs), 6, "the collector is waited for")

	// It has 5, 7 and 10.
	again, _, err = h.Confirm(t.Context(), outbox.Receipt{Stream: outbox.Runs, Session: "s1", Through: 5,
		Missing: [][2]uint64{{6, 6}, {8, 9}}})
	require.NoError(t, err)
	require.Len(t, again, 3)
	assert.Equal(t, []uint64{6, 8, 9}, []uint64{again[0].Seq, again[1].Seq, again[2].Seq})
	h.flush()
	// It lost its own memory and asks for what is gone: that is said.
	again, _, err = h.Confirm(t.Context(), outbox.Receipt{Stream: outbox.Runs, Session: "s1",
		Missing: [][2]uint64{{1, 7}}})
	require.NoError(t, err)
	require.Len(t, again, 3)
	assert.Equal(t, "no longer stored", again[0].Gap)
	assert.Equal(t, []uint64{1, 5}, []uint64{again[0].From, again[0].Seq})

	_, _, err = h.Confirm(t.Context(), outbox.Receipt{Stream: outbox.Runs, Session: "s1", Through: 11})
	assert.ErrorIs(t, err, outbox.ErrUnsent)
	_, known, err = h.Confirm(t.Context(), outbox.Receipt{Stream: outbox.Runs, Session: "other", Through: 3})
	require.NoError(t, err)
	assert.False(t, known)
	assert.Len(t, h.numbers(outbox.Runs), 5)

	for range 31 * 24 { // no collector for a month of running: the broker's word is the last again
		h.pass(time.Hour)
	}
	assert.Empty(t, h.numbers(outbox.Runs))
}

// Each minute goes into one batch, those that a crash left unsent too, and a transaction that fails
// gives no number away.
func TestEveryMinuteGoesIntoOneBatch(t *testing.T) {
	dir := t.TempDir()
	var sent []string
	encode := func(b past.Batch) ([]byte, error) {
		for _, r := range b.Rows {
			sent = append(sent, fmt.Sprintf("%v %v", b.Session, r.Start))
		}
		return fmt.Appendf(nil, "%v+%d %v", b.Start, len(b.Rows), b.At.Sub(day0)), nil
	}
	h := open(t, dir, "s1", Limits{})
	minutes := func(from, to int) {
		for m := from; m < to; m++ {
			h.AddRow(trusted(time.Duration(m+1)*time.Minute), row(time.Duration(m)*time.Minute, 12600))
		}
	}
	minutes(0, 30)
	h.BatchReadings(trusted(30*time.Minute), encode)
	minutes(30, 50)
	h.flush()
	h.stop() // these twenty are in no batch
	h = open(t, dir, "s2", Limits{})
	require.NoError(t, h.card.ask(t.Context(), func() error { // the card is busy: the batches wait, and the last takes all
		minutes(60, 75)
		h.BatchReadings(trusted(75*time.Minute), encode)
		minutes(75, 90)
		h.BatchReadings(trusted(90*time.Minute), encode)
		h.BatchReadings(trusted(90*time.Minute), encode)
		return nil
	}))
	h.flush()
	assert.Equal(t, []string{"s1:1", "s2:2", "s2:3"}, h.numbers(outbox.Readings))
	all, err := h.After(t.Context(), outbox.Readings, 0, 10)
	require.NoError(t, err)
	assert.Equal(t, []string{"0s+30 0s", "30m0s+20 30m0s", "1h0m0s+30 1h0m0s"},
		[]string{string(all[0].Body), string(all[1].Body), string(all[2].Body)})
	assert.Equal(t, day0.Add(90*time.Minute), all[1].At)
	require.Len(t, sent, 80)
	assert.Equal(t, []string{"true 29m0s", "false 30m0s", "false 49m0s", "true 1h0m0s"},
		[]string{sent[29], sent[30], sent[49], sent[50]})

	minutes(90, 1000) // an outage of batching: several batches of at most 240
	require.NoError(t, h.card.ask(t.Context(), func() error {
		_, err := h.card.db.Exec("ALTER TABLE meta RENAME TO gone")
		return err
	}))
	h.BatchReadings(trusted(1000*time.Minute), encode)
	assert.Error(t, h.Flush(t.Context()))
	h.stop()
	h = open(t, dir, "s3", Limits{})
	assert.NotEmpty(t, h.Health().Problem, "a table is missing: said, not hidden")
}

// A transaction that fails at any point is made again whole: every number once, everything there.
func TestATransactionThatFailsAtAnyPoint(t *testing.T) {
	encode := func(past.Batch) ([]byte, error) { return []byte("batch"), nil }
	add := []func(h *hand){
		func(h *hand) { h.AddRow(trusted(time.Minute), row(0, 12600)) },
		func(h *hand) { h.BatchReadings(trusted(time.Minute), encode) },
		func(h *hand) { h.AddRun(trusted(2*time.Minute), time.Minute, history.Run{DurationS: 12}, nil, nil) },
		func(h *hand) { h.RaiseFinding(trusted(3*time.Minute), "feed-lost", "", "urgent", nil) },
		func(h *hand) { h.AddRecord(trusted(4*time.Minute), outbox.Visits, nil) },
	}
	for n := range len(add) + 1 {
		h := open(t, t.TempDir(), "s1", Limits{})
		failed := false
		require.NoError(t, h.card.ask(t.Context(), func() error { // nothing is written before all is added
			for i := range len(add) + 1 {
				if i == n {
					h.Store.mu.Lock()
					h.Store.add(false, queue.Op{Apply: func(*sql.Tx) error {
						if failed {
							return nil
						}
						failed = true
						return syscall.ENOSPC
					}})
					h.Store.mu.Unlock()
				}
				if i < len(add) {
					add[i](h)
				}
			}
			h.card.commit()
			assert.Equal(t, "disk full", h.Health().Problem)
			h.card.commit()
			assert.Empty(t, h.Health().Problem, h.Health().Detail)
			return nil
		}))
		assert.Zero(t, h.Health().Pending)
		for of := range outbox.Streams {
			assert.Equal(t, []string{"s1:1"}, h.numbers(outbox.Stream(of)), "point %d", n)
		}
		w, err := h.Window(t.Context(), history.Query{From: day0, To: day0.Add(time.Hour), Points: 60})
		require.NoError(t, err)
		assert.Len(t, w.Series, 1)
		assert.Len(t, w.Runs, 1)
		assert.Len(t, w.Findings, 1)
		h.stop()
		h = open(t, h.opts.Dir, "s2", Limits{})
		assert.Equal(t, uint64(2), h.AddRecord(trusted(0), outbox.Visits, nil), "point %d", n)
		h.stop()
	}
}

func TestAFullOutboxLeavesAGap(t *testing.T) {
	h := open(t, t.TempDir(), "s1", Limits{OutboxBytes: 100_000})
	h.AddRecord(trusted(0), outbox.Findings, []byte("finding"))
	for range 300 {
		h.AddRecord(trusted(0), outbox.Readings, make([]byte, 1000))
	}
	h.AddRecord(trusted(0), outbox.Runs, []byte("run"))
	h.flush()
	h.pass(2 * time.Hour)
	left := h.numbers(outbox.Readings)
	assert.Regexp(t, `^s1:1-2\d\d no room on the card$`, left[0])
	assert.Equal(t, "s1:300", left[len(left)-1])
	assert.Len(t, h.numbers(outbox.Findings), 1)
	assert.Len(t, h.numbers(outbox.Runs), 1)
	var from, to int
	_, err := fmt.Sscanf(left[0], "s1:%d-%d", &from, &to)
	require.NoError(t, err)
	assert.Equal(t, 300-to, len(left)-1, "every number is there or in the gap")
	for range 300 {
		h.AddRecord(trusted(0), outbox.Readings, make([]byte, 1000))
	}
	h.flush()
	h.pass(2 * time.Hour)
	assert.Regexp(t, `^s1:1-[45]\d\d no room on the card$`, h.numbers(outbox.Readings)[0], "gaps grow into one")
}

// A year in the three tiers: what is asked for comes from the tier that fits, the last hour from
// the finer ones.
func TestWindowOverTheTiers(t *testing.T) {
	slowtest.SkipUnderRace(t) // some 60,000 rows
	h := open(t, "", "s1", Limits{Minutes: 24 * time.Hour, Tens: 10 * 24 * time.Hour})
	const days = 40
	for m := range days*24*60 + 35 {
		at := time.Duration(m) * time.Minute
		h.AddRow(trusted(at+time.Minute), row(at, int32(12000+m/1440))) // a millivolt a day
		if m%1440 == 0 {
			h.pass(24 * time.Hour)
		}
	}
	h.pass(time.Hour)
	window := func(from, to time.Duration, points int) history.Window {
		w, err := h.Window(t.Context(), history.Query{From: day0.Add(from), To: day0.Add(to), Points: points})
		require.NoError(t, err)
		require.Len(t, w.Series, 1)
		assert.Equal(t, "voltage_v", w.Series[0].Figure)
		assert.Equal(t, "a", w.Series[0].Battery)
		return w
	}
	full := func(name string, w history.Window) {
		t.Helper()
		for i, v := range w.Series[0].Mean {
			if assert.NotNil(t, v, "%s: bin %d", name, i) {
				dayOf := (w.TimesS[i] - day0.Unix()) / 86400
				assert.InDelta(t, 12.0+float64(dayOf)/1000, *v, 0.0011, "%s: bin %d", name, i)
				assert.InDelta(t, *v-0.005, *w.Series[0].Min[i], 0.0011)
			}
		}
	}
	day := 24 * time.Hour
	full("all", window(0, days*day, 1000))
	full("all in few", window(0, days*day, 40))
	full("the last minutes", window(days*day, days*day+35*time.Minute, 35))
	full("the last day", window((days-1)*day, days*day, 288))
	full("long ago, finely", window(2*day, 2*day+time.Hour, 60))
	full("a week ago", window((days-7)*day, (days-6)*day, 144))
	w, err := h.Window(t.Context(), history.Query{From: day0.Add(-day), To: day0, Points: 10})
	require.NoError(t, err)
	assert.Empty(t, w.Series)
	_, err = h.Window(t.Context(), history.Query{From: day0, To: day0, Points: 10})
	assert.Error(t, err)
	_, err = h.Window(t.Context(), history.Query{From: day0, To: day0.Add(1), Points: 4001})
	assert.Error(t, err)
}

// A file of a later version is not touched.
func TestALaterVersionIsLeftAlone(t *testing.T) {
	dir := t.TempDir()
	h := open(t, dir, "s1", Limits{})
	h.flush()
	require.NoError(t, h.card.ask(t.Context(), func() error {
		_, err := h.card.db.Exec("PRAGMA user_version = 99")
		return err
	}))
	h.stop()
	h = open(t, dir, "s2", Limits{})
	assert.Equal(t, "written by a newer version", h.Health().Problem)
	assert.Empty(t, h.Health().SetAside)
}

// Under any order of adding, acknowledging, failing, crashing and restarting: what reached the card
// has each number once a session, in order and without holes, and nothing that could have been sent
// is lost.
func TestOutboxUnderRapid(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		dir, err := os.MkdirTemp(inMemory(), "outbox")
		require.NoError(rt, err)
		defer os.RemoveAll(dir)
		session := 0
		var h *hand
		start := func() { session++; h = open(t, dir, fmt.Sprintf("s%d", session), Limits{}) }
		start()
		given := map[string]bool{} // what could have been sent
		look := func() {
			for _, n := range h.numbers(outbox.Runs) {
				given[n] = true
			}
		}
		rt.Repeat(map[string]func(*rapid.T){
			"add":     func(*rapid.T) { h.AddRecord(trusted(0), outbox.Runs, []byte("{}")) },
			"flush":   func(*rapid.T) { h.flush(); look() },
			"restart": func(*rapid.T) { h.stop(); start() },
			"look":    func(*rapid.T) { look() },
		})
		h.flush()
		all := h.numbers(outbox.Runs)
		h.stop()
		next := 1
		for _, n := range all {
			var s, seq int
			_, err := fmt.Sscanf(n, "s%d:%d", &s, &seq)
			require.NoError(rt, err)
			require.Equal(rt, next, seq)
			next++
			delete(given, n)
		}
		require.Empty(rt, given)
	})
}
