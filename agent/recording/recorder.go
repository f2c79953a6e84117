package recording

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"liftbank/agent/config"
	"liftbank/sensors"
)

// RecorderOptions say what is recorded, and where.
type RecorderOptions struct {
	Dir      string
	MaxBytes int64 // of all files together, the copy apart; at least LeastBytes
	Config   *config.Config
	Session  string
	Zone     string
	Wait     bool // Step waits for a slow disk rather than lose scans; for what is simulated
	Now      func() time.Time
	// Beside, if set, is called in Step with the scan's time: something is written beside the recording.
	Beside func(at time.Duration)
	Log    *slog.Logger
}

// LeastBytes is the least that a recorder may use: some hours of a unit at work.
const LeastBytes = 10 << 20

// Figures of recording, all our choice.
const (
	chunkBytes  = 48 << 10        // handed over to the disk at once
	chunkEvery  = 5 * time.Second // or so often
	chunkRoom   = 16 << 10        // more than the rows of any scan
	chunks      = 64              // that may wait for the disk: five minutes at rest
	segments    = 16              // files that the bound is divided into
	segmentTime = 24 * time.Hour  // longest of one file
	flushEvery  = 30 * time.Second
	retryEvery  = 30 * time.Second
)

// Recorder keeps the last days of a unit at full rate in files that together stay within a bound.
//
// Step belongs to the loop that scans and never waits for the disk: what the disk does not take in
// time is lost, said and marked by a scan that is written whole. All else is done in Run. A file
// that is being written has another name; what a power cut leaves of one is read up to the cut.
type Recorder struct {
	o      RecorderOptions
	enc    *Encoder
	queue  chan chunk
	free   chan []byte
	buf    []byte
	begins bool // buf begins a file
	// corrected is what the next file must begin with, until one was handed over that does.
	corrected []Correction
	heard     uint64        // copies that were asked for before buf
	asks      atomic.Uint64 // copies asked for
	since     time.Duration
	restart   atomic.Bool // a file should begin with the next scan
	lost      atomic.Uint64
	problem   atomic.Pointer[string]
	copies    chan chan<- copied
	disk      disk // of Run
}

// chunk is a part of a recording on its way to the disk.
type chunk struct {
	b      []byte
	begins bool   // with the lines that a file begins with
	heard  uint64 // copies that were asked for before it
}

// NewRecorder returns a recorder. Its folder is made; nothing is written before Run.
func NewRecorder(o RecorderOptions) (*Recorder, error) {
	if o.MaxBytes < LeastBytes {
		return nil, fmt.Errorf("recording: %d bytes: want %d or more", o.MaxBytes, LeastBytes)
	}
	if err := os.MkdirAll(o.Dir, 0o755); err != nil {
		return nil, fmt.Errorf("recording: %w", err)
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	r := &Recorder{
		o: o, enc: NewEncoder(o.Config), queue: make(chan chunk, chunks), free: make(chan []byte, chunks+2),
		copies: make(chan chan<- copied),
	}
	r.restart.Store(true)
	return r, nil
}

// Step records a scan. wall is the time of day as the board's clock has it; with work, somebody works on the unit and has
// said so.
func (r *Recorder) Step(s *sensors.Scan, wall time.Time, trusted, work bool) {
	begin := r.restart.Swap(false)
	if begin {
		r.handOver()
	}
	if r.buf == nil {
		r.buf, r.since = r.buffer(), s.At
	}
	if begin {
		r.begins, r.heard = true, r.asks.Load()
		r.buf = r.enc.Begin(r.buf, Header{
			Unit: r.o.Config.Unit.ID, Start: wall.Add(-s.At), Zone: r.o.Zone, Session: r.o.Session, Corrections: r.corrected,
		})
	}
	r.enc.Work(work)
	r.buf = r.enc.Scan(r.buf, s, wall, trusted)
	if r.o.Beside != nil {
		r.o.Beside(s.At)
	}
	if begin || len(r.buf) >= chunkBytes || s.At-r.since >= chunkEvery {
		r.handOver()
	}
}

// Corrected says that channels are corrected otherwise from the next scan on. A file begins there, whose
// first lines say so.
func (r *Recorder) Corrected(c []Correction) {
	r.corrected = append(r.corrected, c...)
	r.restart.Store(true)
}

// End hands over what was recorded last. The loop calls it when it has ended.
func (r *Recorder) End() { r.handOver() }

func (r *Recorder) buffer() []byte {
	select {
	case b := <-r.free:
		return b[:0]
	default:
		return make([]byte, 0, chunkBytes+chunkRoom)
	}
}

// handOver passes the buffer to the disk, or drops it where the disk has not taken those before.
func (r *Recorder) handOver() {
	if len(r.buf) == 0 {
		return
	}
	c := chunk{r.buf, r.begins, r.heard}
	handed := func() {
		if r.begins {
			r.corrected = nil
		}
		r.buf, r.begins = nil, false
	}
	if r.o.Wait {
		r.queue <- c
		handed()
		return
	}
	select {
	case r.queue <- c:
		handed()
	default:
		r.lost.Add(1)
		r.buf = r.buf[:0]
		if r.begins {
			r.begins = false
			r.restart.Store(true)
		}
		r.enc.Repeat()
	}
}

// Problem says why nothing is recorded at present; empty while all is well.
func (r *Recorder) Problem() string {
	if p := r.problem.Load(); p != nil {
		return *p
	}
	return ""
}

// Run writes what Step hands over until ctx ends, and then what still waits. No trouble with the
// disk ends it: that is logged, and tried again.
func (r *Recorder) Run(ctx context.Context) error {
	r.disk = disk{dir: r.o.Dir, unit: r.o.Config.Unit.ID, most: r.o.MaxBytes, now: r.o.Now}
	if err := r.disk.recover(); err != nil {
		r.o.Log.Warn("recording: a file that an earlier start left can't be completed", "err", err)
	}
	var asked []chan<- copied // who waits for the file under way to end
	var asks uint64
	var patience <-chan time.Time
	var copying sync.WaitGroup
	defer copying.Wait()
	answer := func() {
		for _, a := range asked {
			copying.Go(func() { a <- r.disk.copy() })
		}
		asked, patience = nil, nil
	}
	for {
		select {
		case c := <-r.queue:
			r.write(c)
			if c.begins && c.heard == asks {
				answer() // what was recorded before they asked is in files that are complete
			}
		case a := <-r.copies:
			asked, asks = append(asked, a), r.asks.Add(1)
			r.restart.Store(true)
			if patience == nil {
				patience = time.After(copyPatience)
			}
		case <-patience: // the board gives no scans
			answer()
		case <-ctx.Done():
			return r.finish()
		}
	}
}

// finish writes what waits and completes the file.
func (r *Recorder) finish() error {
	for {
		select {
		case c := <-r.queue:
			r.write(c)
		default:
			if err := r.disk.close(); err != nil {
				r.fail(err)
			}
			return nil
		}
	}
}

// write takes one chunk. After a failure nothing is written until a chunk that begins a file.
func (r *Recorder) write(c chunk) {
	now := r.o.Now()
	var err error
	switch {
	case c.begins:
		err = r.disk.begin()
	case !r.disk.open():
		if now.Sub(r.disk.failedAt) >= retryEvery {
			r.restart.Store(true)
		}
	}
	if err == nil && r.disk.open() {
		err = r.disk.write(c.b)
	}
	select {
	case r.free <- c.b:
	default:
	}
	if n := r.lost.Swap(0); n > 0 {
		r.o.Log.Warn("recording: the disk was too slow: parts are missing", "parts", n)
	}
	switch {
	case err != nil:
		r.fail(err)
	case r.disk.open():
		if r.problem.Swap(nil) != nil {
			r.o.Log.Info("recording goes on")
		}
		if r.disk.full() {
			r.restart.Store(true)
		}
	}
}

// fail notes that the disk takes nothing. It is logged once.
func (r *Recorder) fail(err error) {
	r.disk.abandon()
	text := err.Error()
	if r.problem.Swap(&text) == nil {
		r.o.Log.Warn("recording stopped; measuring goes on", "err", err)
	}
}

// copied is what became of a copy.
type copied struct {
	path string
	err  error
}

// copyPatience is how long a copy waits for the next scan, with which the file under way ends.
const copyPatience = 2 * time.Minute

// Copy writes all that was recorded so far to one file to take along, and returns its path. An
// older copy is removed.
func (r *Recorder) Copy(ctx context.Context) (string, error) {
	answer := make(chan copied, 1)
	select {
	case r.copies <- answer:
	case <-ctx.Done():
		return "", context.Cause(ctx)
	}
	select {
	case c := <-answer:
		return c.path, c.err
	case <-ctx.Done():
		return "", context.Cause(ctx)
	}
}

// LastCopy returns the path of the newest copy, empty where there is none.
func (r *Recorder) LastCopy() string {
	all, err := filepath.Glob(filepath.Join(r.o.Dir, copyDir, "*"+Suffix))
	if err != nil || len(all) == 0 {
		return ""
	}
	return all[len(all)-1]
}

var errNothing = errors.New("nothing is recorded yet")
