// Package store keeps a unit's past and what the fleet has not got yet, in one SQLite file on the board's card.
//
// It holds aggregates (a minute, ten minutes, an hour; each tier kept longer than the one before), motor runs with their first second
// at full rate, findings from onset to end, visits, and the outbox: records of four streams, each with a
// sequence number, until somebody has them.
//
// Adding never waits for the card: what is added is held in memory and written by one goroutine ([Store.Run]), in one transaction each
// CommitEvery, at once for runs, findings and visits. A crash or a cut of the power loses what was added since the last commit, no more.
// A record goes out only once it is on the card, unless the card takes nothing.
//
// When the card is full, read-only or broken the store says so ([Store.Health]), holds on to what is added up to a bound, gives records
// out of memory and tries again. A damaged file is set aside with its -wal and a new one begun.
//
// # Sequence numbers
//
// A record is known by unit, stream, session and number. A session is one start of the agent and has a random name, so two starts never
// share one, not even when the card was restored from an old image. Numbers go on over sessions of the same file: the first of a session
// is one above the last that was on the card when it began. Without restored images numbers of a stream are therefore contiguous over the
// life of the file; with one, numbers come twice, under two sessions. Every record says the first number of its session: numbers below it
// are those of earlier sessions, and 1 says that the file is new. A number given to a record that never reached the card was never sent
// and is given again, in another session.
//
// # Time
//
// What is kept carries the monotonic time of its session; a session's offset to the time of day is kept once. When the clock becomes
// trusted the offset is put right, and with it every time of the session, back to its beginning.
package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"liftbank/agent/readings"
)

// Options say where and how much is kept. Fields without a stated default must be set.
type Options struct {
	Dir     string // of the file; "" keeps everything in memory
	Session string // this start of the agent; unique among starts
	Layout  readings.Layout
	Limits  Limits
	Now     func() time.Time                     // the process's clock with its monotonic part
	After   func(time.Duration) <-chan time.Time // nil is time.After
	Log     *slog.Logger                         // nil logs nothing
}

// Limits bound what is kept and how often it is written. A zero field takes the default. Times are of running, not of the calendar: a
// clock that is wrong deletes nothing.
type Limits struct {
	CommitEvery  time.Duration // 30 s
	Minutes      time.Duration // that minutes are kept; 30 d
	Tens         time.Duration // that ten-minute aggregates are kept; 400 d
	Hours        time.Duration // that hours are kept; 5 years
	RunDetails   int           // runs kept with their first second; 2000
	Runs         int           // runs kept; 100,000
	Findings     int           // findings kept in the history; 10,000
	FileBytes    int64         // of the file; 96 MiB
	OutboxBytes  int64         // of records not yet gone; 32 MiB
	PendingBytes int           // held in memory while the card takes nothing; 2 MiB
	Grace        time.Duration // that a record acknowledged by the broker is kept where no collector confirms; 72 h
	Collector    time.Duration // that a collector that has confirmed is waited for; 30 d
}

func (l Limits) withDefaults() Limits {
	const day = 24 * time.Hour
	for _, d := range []struct {
		field *time.Duration
		value time.Duration
	}{
		{&l.CommitEvery, 30 * time.Second}, {&l.Minutes, 30 * day}, {&l.Tens, 400 * day}, {&l.Hours, 5 * 365 * day},
		{&l.Grace, 3 * day}, {&l.Collector, 30 * day},
	} {
		if *d.field == 0 {
			*d.field = d.value
		}
	}
	for _, n := range []struct {
		field *int
		value int
	}{{&l.RunDetails, 2000}, {&l.Runs, 100_000}, {&l.Findings, 10_000}, {&l.PendingBytes, 2 << 20}} {
		if *n.field == 0 {
			*n.field = n.value
		}
	}
	if l.FileBytes == 0 {
		l.FileBytes = 96 << 20
	}
	if l.OutboxBytes == 0 {
		l.OutboxBytes = 32 << 20
	}
	return l
}

// Health is how keeping goes.
type Health struct {
	Problem   string             // "" while the card takes everything; else in words: "disk full", "read-only", "I/O error", ...
	Detail    string             // the error behind it
	Since     time.Time          // of Problem being as it is
	SetAside  string             // the damaged file that was put away last, "" for none
	SizeBytes int64              // of the file
	Commits   uint64             // since the start
	Failed    uint64             // commits that failed
	Pending   int                // things that wait to be written
	Lost      uint64             // things given up for want of room
	Waiting   [streamCount]int64 // records of each stream that no broker has acknowledged
	Kept      [streamCount]int64 // records of each stream on the card, the acknowledged ones among them
}

// Store keeps one unit's past. All methods may be called from any goroutine.
type Store struct {
	opts  Options
	begun time.Time
	wake  chan struct{} // commit at once; cap 1
	news  chan struct{} // records can be had; cap 1
	asks  chan ask
	ended chan struct{} // closed when Run has returned

	mu       sync.Mutex // over all below; never held during input or output
	pending  []op       // in the order added
	bytes    int        // held by pending
	writing  int        // of pending, those at the front that a transaction is writing
	streams  [streamCount]stream
	spans    []*span // of this session
	dirty    bool    // something beside pending is to be written: spans, acknowledgements
	health   Health
	numbered bool // the transaction under way gave numbers
	down     bool // the card takes nothing: records are given out of memory

	disk // belongs to Run
}

// disk is what the goroutine of Run owns.
type disk struct {
	db       *sql.DB
	layout   int64         // id of Options.Layout in the file
	ranBase  time.Duration // that the file was in use before this start
	lastAck  [streamCount]time.Duration
	lastTidy time.Time
	rolled   roll
}

// ask is a question to the file.
type ask struct {
	do   func() error
	done chan error
}

var errStopped = errors.New("store: stopped")

// Open opens the file, checks it and reads what a start needs. A damaged file is set aside; a card that can't be used at all is no error:
// Health says so, and Run tries again. Errors are of the options.
func Open(o Options) (*Store, error) {
	if o.Session == "" || o.Now == nil || len(o.Layout) == 0 {
		return nil, errors.New("store: session, clock or layout not given")
	}
	o.Limits = o.Limits.withDefaults()
	if o.After == nil {
		o.After = time.After
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	s := &Store{
		opts: o, begun: o.Now(), wake: make(chan struct{}, 1), news: make(chan struct{}, 1), asks: make(chan ask), ended: make(chan struct{}),
	}
	for i := range s.streams {
		s.streams[i] = newStream()
	}
	s.health.Since = s.begun
	s.lastTidy = s.begun
	if err := s.attach(); err != nil {
		s.fault(err)
	} else {
		s.measure()
	}
	return s, nil
}

// Run writes until ctx ends, then writes what is left and closes the file. It must be called exactly once.
func (s *Store) Run(ctx context.Context) error {
	defer close(s.ended)
	timer := s.opts.After(s.opts.Limits.CommitEvery)
	for {
		select {
		case <-ctx.Done():
			s.commit()
			s.finish()
			return nil
		case <-s.wake:
			if !s.isDown() { // a card that takes nothing is asked again when its time comes, not with each run
				s.commit()
			}
		case <-timer:
			s.commit()
			s.tidy()
			timer = s.opts.After(s.opts.Limits.CommitEvery)
		case q := <-s.asks:
			q.done <- q.do()
		}
	}
}

// ask has the goroutine of Run answer a question.
func (s *Store) ask(ctx context.Context, do func() error) error {
	q := ask{do, make(chan error, 1)}
	select {
	case s.asks <- q:
	case <-s.ended:
		return errStopped
	case <-ctx.Done():
		return ctx.Err()
	}
	return <-q.done
}

// Flush writes what waits now and says whether the card has it.
func (s *Store) Flush(ctx context.Context) error {
	return s.ask(ctx, func() error {
		s.commit()
		if h := s.Health(); h.Problem != "" {
			return fmt.Errorf("store: %s: %s", h.Problem, h.Detail)
		}
		return nil
	})
}

// News gives a channel that has something in it when records can be had that were not there before.
func (s *Store) News() <-chan struct{} { return s.news }

// Health gives how keeping goes now.
func (s *Store) Health() Health {
	s.mu.Lock()
	defer s.mu.Unlock()
	h := s.health
	h.Pending = len(s.pending)
	for i := range s.streams {
		h.Waiting[i] = s.streams[i].waiting()
	}
	return h
}

func (s *Store) isDown() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.down
}

func poke(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// ran gives how long the file has been in use, all starts together.
func (s *Store) ran() time.Duration { return s.ranBase + s.opts.Now().Sub(s.begun) }
