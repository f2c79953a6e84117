package recording

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config"
	"liftbank/sensors"
)

func small() *config.Config {
	c := &config.Config{Unit: config.Unit{ID: "lift-1"}}
	c.Board.Channels = []config.Channel{
		{Signal: config.BatteryVoltage, Battery: "a"}, {Signal: config.BatteryCurrent, Battery: "a"},
	}
	return c
}

// rig is a recorder at work in a folder, on a clock of its own.
type rig struct {
	*Recorder
	t    *testing.T
	dir  string
	now  atomic.Int64 // ns since start
	stop func()
	log  *bytes.Buffer
	scan sensors.Scan
}

var begun = time.Date(2026, 3, 9, 6, 30, 0, 0, time.UTC)

func startRig(t *testing.T, dir string, most int64, change func(*RecorderOptions)) *rig {
	t.Helper()
	g := &rig{t: t, dir: dir, log: &bytes.Buffer{}}
	o := RecorderOptions{
		Dir: dir, MaxBytes: most, Config: small(), Session: "s", Zone: "UTC", Wait: true,
		Now: func() time.Time { return begun.Add(time.Duration(g.now.Load())) },
		Log: slog.New(slog.NewTextHandler(g.log, nil)),
	}
	if change != nil {
		change(&o)
	}
	var err error
	g.Recorder, err = NewRecorder(o)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		assert.NoError(t, g.Run(ctx))
	}()
	g.stop = func() { cancel(); <-done }
	return g
}

// scans records n scans a second apart. Their values change so much that gzip can't hide them.
func (g *rig) scans(n int) {
	seed := uint64(g.scan.Count + 1)
	for range n {
		g.scan.Count++
		g.scan.At += time.Second
		g.now.Store(int64(g.scan.At))
		g.scan.Readings = g.scan.Readings[:0]
		for range 2 {
			seed = seed*6364136223846793005 + 1442695040888963407
			g.scan.Readings = append(g.scan.Readings, sensors.Reading{Value: float64(seed>>11) / (1 << 50), Fresh: true})
		}
		g.Step(&g.scan, begun.Add(g.scan.At), true, false)
	}
}

func (g *rig) end() {
	g.End()
	g.stop()
}

// read returns the times of all scans of a recording.
func read(t *testing.T, path string) (at []time.Duration, notes []string) {
	t.Helper()
	inputs, err := Inputs(path)
	require.NoError(t, err)
	s := New(small(), Options{}, inputs...)
	for {
		scan, err := s.Next(t.Context())
		if err == io.EOF {
			return at, s.Notes()
		}
		require.NoError(t, err)
		at = append(at, scan.At)
	}
}

func TestARecorderKeepsTheLastDaysWithinItsBound(t *testing.T) {
	const most = LeastBytes
	g := startRig(t, t.TempDir(), most, nil)
	for range 40 { // some 20 bytes a scan after gzip: 20 MB in all
		g.scans(12_000)
		total := int64(0)
		files, err := filepath.Glob(filepath.Join(g.dir, "*"))
		require.NoError(t, err)
		for _, f := range files {
			if info, err := os.Stat(f); err == nil {
				total += info.Size()
			}
		}
		require.LessOrEqual(t, total, int64(most+most/10))
	}
	last := g.scan.At
	g.end()
	at, notes := read(t, g.dir)
	assert.Empty(t, notes)
	assert.Equal(t, last, at[len(at)-1])
	assert.Greater(t, at[0], time.Hour, "the oldest went")
	assert.Greater(t, len(at), 150_000)
	for i := range at[1:] {
		require.Equal(t, time.Second, at[i+1]-at[i], "none is missing between")
	}
	assert.Empty(t, g.log.String())
}

// A process that is killed leaves a file that ends anywhere. The next start completes it and goes
// on beside it.
func TestWhatAKillLeavesIsReadUpToTheCut(t *testing.T) {
	g := startRig(t, t.TempDir(), LeastBytes, nil)
	g.scans(40_000)
	g.end()
	files, err := filepath.Glob(filepath.Join(g.dir, "*"+Suffix))
	require.NoError(t, err)
	require.Greater(t, len(files), 1)
	newest := files[len(files)-1]
	whole, err := os.ReadFile(newest)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(newest+partialEnd, whole[:len(whole)/2], 0o600))
	require.NoError(t, os.Remove(newest))
	torn, notes := read(t, g.dir)
	require.Len(t, notes, 1)
	assert.Regexp(t, `lift-1-\d{8}\.csv\.gz\.part:\d+: cut off`, notes[0])
	assert.Greater(t, len(torn), 20_000)

	again := startRig(t, g.dir, LeastBytes, func(o *RecorderOptions) { o.Session = "t" })
	again.scan.At, again.scan.Count = 0, 77
	again.scans(100)
	path, err := copyOf(t, again)
	require.NoError(t, err)
	again.end()
	at, notes := read(t, g.dir)
	assert.Empty(t, notes, "it was completed")
	assert.InDelta(t, len(torn)+int(again.scan.Count)-77, len(at), 2)
	copied, notes := read(t, path)
	assert.Empty(t, notes)
	assert.GreaterOrEqual(t, len(copied), len(torn)+99)
	parts, err := filepath.Glob(filepath.Join(g.dir, "*"+partialEnd))
	require.NoError(t, err)
	assert.Empty(t, parts)
}

// copyOf asks for a copy while the board goes on scanning.
func copyOf(t *testing.T, g *rig) (path string, err error) {
	t.Helper()
	done := make(chan struct{})
	go func() {
		defer close(done)
		path, err = g.Copy(t.Context())
	}()
	for {
		select {
		case <-done:
			return path, err
		default:
			g.scans(1)
			time.Sleep(time.Millisecond)
		}
	}
}

func TestACopyHasAllUpToNowAndIsTheOnlyOne(t *testing.T) {
	g := startRig(t, t.TempDir(), LeastBytes, nil)
	g.scans(1000)
	first, err := copyOf(t, g)
	require.NoError(t, err)
	assert.Equal(t, filepath.Join(g.dir, "copy"), filepath.Dir(first))
	at, _ := read(t, first)
	assert.GreaterOrEqual(t, len(at), 1000)
	g.scans(5000)
	second, err := copyOf(t, g)
	require.NoError(t, err)
	more, notes := read(t, second)
	assert.Empty(t, notes)
	assert.GreaterOrEqual(t, len(more), len(at)+5000)
	assert.NoFileExists(t, first)
	assert.Equal(t, second, g.LastCopy())
	g.end()
	all, _ := read(t, g.dir)
	assert.EqualValues(t, g.scan.Count, len(all), "a copy is no part of the recording")
}

// A disk that takes nothing is said once, and tried again; the loop notices nothing of it.
func TestADiskThatFailsIsSaidAndTriedAgain(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "record")
	g := startRig(t, dir, LeastBytes, nil)
	require.NoError(t, os.RemoveAll(dir))
	require.NoError(t, os.WriteFile(dir, nil, 0o600)) // no folder any more
	g.scans(25)
	assert.Eventually(t, func() bool { return g.Problem() != "" }, time.Minute, time.Millisecond)
	assert.Contains(t, g.Problem(), "not a directory")
	require.NoError(t, os.Remove(dir))
	require.NoError(t, os.Mkdir(dir, 0o700))
	for range 40 {
		g.scans(5)
		time.Sleep(time.Millisecond)
	}
	assert.Eventually(t, func() bool { return g.Problem() == "" }, time.Minute, time.Millisecond)
	g.end()
	assert.Equal(t, 1, strings.Count(g.log.String(), "recording stopped"))
	assert.Equal(t, 1, strings.Count(g.log.String(), "recording goes on"))
	at, _ := read(t, dir)
	assert.NotEmpty(t, at)
}

// No space left on the device: what the kernel says for /dev/full.
func TestAFullDisk(t *testing.T) {
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skip("no /dev/full here: ", err)
	}
	log := &bytes.Buffer{}
	r, err := NewRecorder(RecorderOptions{Dir: t.TempDir(), MaxBytes: LeastBytes, Config: small(), Now: time.Now,
		Log: slog.New(slog.NewTextHandler(log, nil))})
	require.NoError(t, err)
	r.disk = disk{dir: r.o.Dir, unit: "lift-1", most: LeastBytes, now: time.Now}
	require.NoError(t, r.disk.begin())
	require.NoError(t, r.disk.file.Close())
	r.disk.file = full
	for range 4 {
		text := make([]byte, 1<<20)
		for i := range text {
			text[i] = byte(i * i >> 7)
		}
		r.write(chunk{b: text})
	}
	assert.Contains(t, r.Problem(), "no space left")
	assert.Equal(t, 1, strings.Count(log.String(), "no space left"))
}

// A disk that hangs costs parts of the recording and nothing else; after the gap a scan is whole.
func TestADiskThatHangsCostsNoTime(t *testing.T) {
	log := &bytes.Buffer{}
	r, err := NewRecorder(RecorderOptions{Dir: t.TempDir(), MaxBytes: LeastBytes, Config: small(),
		Now: func() time.Time { return begun }, Log: slog.New(slog.NewTextHandler(log, nil))})
	require.NoError(t, err)
	g := &rig{Recorder: r, t: t}
	begin := time.Now()
	g.scans(3 * chunks * 5) // nobody takes them
	assert.Less(t, time.Since(begin), 5*time.Second)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); assert.NoError(t, r.Run(ctx)) }()
	assert.Eventually(t, func() bool { return len(r.queue) == 0 }, time.Minute, time.Millisecond)
	g.scans(20)
	g.End()
	cancel()
	<-done
	assert.Contains(t, log.String(), "too slow")
	at, _ := read(t, r.o.Dir)
	assert.Greater(t, len(at), chunks)
	assert.Equal(t, g.scan.At, at[len(at)-1])
}

func TestStepAllocatesNothing(t *testing.T) {
	r, err := NewRecorder(RecorderOptions{Dir: t.TempDir(), MaxBytes: LeastBytes, Config: small(), Now: time.Now})
	require.NoError(t, err)
	g := &rig{Recorder: r, t: t}
	g.scans(2000) // the queue is full: all is dropped
	assert.Zero(t, testing.AllocsPerRun(10, func() { g.scans(100) }))
}

func TestWhatARecorderRefuses(t *testing.T) {
	_, err := NewRecorder(RecorderOptions{Dir: t.TempDir(), MaxBytes: LeastBytes - 1, Config: small()})
	assert.ErrorContains(t, err, "want 10485760 or more")
	file := filepath.Join(t.TempDir(), "x")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	_, err = NewRecorder(RecorderOptions{Dir: file, MaxBytes: LeastBytes, Config: small()})
	assert.ErrorContains(t, err, "not a directory")
	_, err = Inputs(t.TempDir())
	assert.ErrorContains(t, err, "no file that ends in .csv.gz")
	_, err = Inputs(file + "no")
	assert.ErrorContains(t, err, "no such file")
	g := startRig(t, t.TempDir(), LeastBytes, nil)
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	_, err = g.Copy(ctx)
	assert.ErrorIs(t, err, context.DeadlineExceeded, "no scan comes")
	g.stop()
}
