// Package store keeps a unit's history, and the records that its outlets have not delivered yet, in
// one SQLite file on the board's card.
//
// It holds aggregates (a minute, ten minutes, an hour; each tier kept longer than the one before),
// motor runs with their first second at full rate, findings from onset to end, and the outbox:
// records of four streams, each with a sequence number, until every outlet is done with them
// ([Outlet]).
//
// Adding never waits for the card. What is added is held in memory, and one goroutine ([Store.Run])
// writes it: in one transaction every CommitEvery, at once for runs, findings and visits. A crash
// or a power cut loses what was added since the last commit, no more. A record is sent only once it
// is on the card, unless the card can't be written.
//
// When the card is full, read-only or broken, [Store.Health] says so. The store then holds what is
// added in memory up to a limit, returns records from there, and tries again. A damaged file is
// renamed with its -wal, and a new one started.
//
// # Sequence numbers
//
// A record is known by unit, stream, session and number. A session is one start of the agent and
// has a random name, so two starts never share one, not even after the card was restored from an
// old image. Numbers continue over the sessions of one file: the first of a session is one above
// the last that was on the card when it began. Without restored images the numbers of a stream are
// therefore contiguous over the life of the file. With one, numbers come twice, in two sessions.
// Every record has the first number of its session: numbers below it are those of earlier sessions,
// and 1 says that the file is new. A number whose record never reached the card was never sent, and
// is given again in another session.
//
// # Time
//
// What is stored carries the monotonic time of its session. A session's offset to the time of day
// is stored once. When the clock becomes trusted, the offset is corrected, and with it every time
// of the session back to its start. Bodies of records have stand-ins for times that were not known
// (package moment).
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

// Options say where and how much is stored. Fields without a stated default must be set.
type Options struct {
	Dir     string // of the file; "" keeps everything in memory
	Session string // this start of the agent; unique among starts
	Layout  readings.Layout
	Outlets []string // names of those that send what is kept; each has its cursors
	Limits  Limits
	Now     func() time.Time                     // the process's clock with its monotonic part
	After   func(time.Duration) <-chan time.Time // nil is time.After
	Log     *slog.Logger                         // nil logs nothing
}

// Limits bound what is stored and how often it is written. A zero field takes the default. Times
// are of running, not of the calendar: a wrong clock deletes nothing.
type Limits struct {
	CommitEvery  time.Duration // 30 s
	Minutes      time.Duration // age of minutes; 30 d
	Tens         time.Duration // age of ten-minute aggregates; 400 d
	Hours        time.Duration // age of hours; 5 years
	RunDetails   int           // runs with their first second; 2000
	Runs         int           // runs; 100,000
	Findings     int           // findings in the history; 10,000
	FileBytes    int64         // of the file; 96 MiB
	OutboxBytes  int64         // of records in the outbox; 32 MiB
	PendingBytes int           // held in memory while the card can't be written; 2 MiB
	Grace        time.Duration // age of a sent record where no receiver confirms; 72 h
	Collector    time.Duration // that a receiver that once confirmed is waited for; 30 d
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

// Health is the state of the card and of what waits.
type Health struct {
	Problem   string             // "" while the card can be written; else "disk full", "read-only", ...
	Detail    string             // the error behind it
	Since     time.Time          // of Problem being as it is
	SetAside  string             // the damaged file that was renamed last, "" for none
	SizeBytes int64              // of the file
	Commits   uint64             // since the start
	Failed    uint64             // commits that failed
	Pending   int                // things that wait to be written
	Lost      uint64             // things dropped for lack of space
	Outlets   []OutletHealth     // in the order of the options
	Kept      [streamCount]int64 // records of each stream on the card, sent ones among them
}

// OutletHealth is how far one outlet is behind.
type OutletHealth struct {
	Name    string
	Waiting [streamCount]int64 // records of each stream that it has not sent
}

// Store keeps one unit's history and outbox. All methods may be called from any goroutine.
type Store struct {
	opts    Options
	begun   time.Time
	outlets []*Outlet
	wake    chan struct{} // commit at once; cap 1
	asks    chan fileQuery
	ended   chan struct{} // closed when Run has returned

	mu       sync.Mutex // over all below; never held during input or output
	pending  []op       // in the order added
	bytes    int        // held by pending
	writing  int        // of pending, those at the front that a transaction is writing
	streams  [streamCount]stream
	spans    []*span // of this session
	dirty    bool    // something beside pending is to be written: spans, acknowledgements
	health   Health
	numbered bool // the transaction under way gave numbers
	down     bool // the card can't be written: records come out of memory

	disk // belongs to Run
}

// disk is what the goroutine of Run owns.
type disk struct {
	db       *sql.DB
	layout   int64         // id of Options.Layout in the file
	ranBase  time.Duration // that the file was in use before this start
	lastTidy time.Time
	rolled   rollup
}

// fileQuery is a question to the file.
type fileQuery struct {
	do   func() error
	done chan error
}

var errStopped = errors.New("store: stopped")

// Open opens the file, checks it and reads what a start needs. It renames a damaged file and starts
// a new one. A card that can't be used is no error: Health reports it, and Run tries again. Errors
// are about the options.
func Open(o Options) (*Store, error) {
	if o.Session == "" || o.Now == nil || len(o.Layout) == 0 {
		return nil, errors.New("store: want session, clock and layout")
	}
	o.Limits = o.Limits.withDefaults()
	if o.After == nil {
		o.After = time.After
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	s := &Store{
		opts: o, begun: o.Now(), wake: make(chan struct{}, 1), asks: make(chan fileQuery), ended: make(chan struct{}),
	}
	for _, name := range o.Outlets {
		s.outlets = append(s.outlets, newOutlet(s, name))
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

// Run writes until ctx ends, then writes the rest and closes the file. It must be called exactly
// once.
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
			if !s.isDown() { // a card that can't be written is tried again on time, not with each run
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
	q := fileQuery{do, make(chan error, 1)}
	select {
	case s.asks <- q:
	case <-s.ended:
		return errStopped
	case <-ctx.Done():
		return ctx.Err()
	}
	return <-q.done
}

// Flush writes what waits and returns an error if the card does not have it then.
func (s *Store) Flush(ctx context.Context) error {
	return s.ask(ctx, func() error {
		s.commit()
		if h := s.Health(); h.Problem != "" {
			return fmt.Errorf("store: %s: %s", h.Problem, h.Detail)
		}
		return nil
	})
}

// Health returns the state of the store now.
func (s *Store) Health() Health {
	s.mu.Lock()
	defer s.mu.Unlock()
	h := s.health
	h.Pending = len(s.pending)
	for _, o := range s.outlets {
		h.Outlets = append(h.Outlets, OutletHealth{o.name, o.waiting()})
	}
	return h
}

func (s *Store) isDown() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.down
}

func notify(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// totalRunTime returns how long the file has been in use, over all starts.
func (s *Store) totalRunTime() time.Duration { return s.ranBase + s.opts.Now().Sub(s.begun) }
