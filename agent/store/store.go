// Package store keeps a unit's history, and the records that its outlets have not delivered yet, in
// one SQLite file on the board's card.
//
// It holds aggregates (a minute, ten minutes, an hour; each tier kept longer than the one before),
// motor runs with their first second at full rate, findings from onset to end, and the outbox:
// records of four streams, each with a sequence number, until every outlet is done with them
// (package outbox).
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
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"liftbank/agent/history"
	"liftbank/agent/readings"
	"liftbank/agent/store/outbox"
	"liftbank/agent/store/queue"
	"liftbank/agent/store/spans"
	"liftbank/agent/store/window"
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

// Health is the state of the card and of what waits.
type Health struct {
	Problem   string    // "" while the card can be written; else "disk full", "read-only", ...
	Detail    string    // the error behind it
	Since     time.Time // of Problem being as it is
	SetAside  []string  // the damaged files that were renamed and are still there, oldest first
	SizeBytes int64     // of the file
	Commits   uint64    // since the start
	Failed    uint64    // commits that failed
	Pending   int       // things that wait to be written
	Damaged   uint64    // rows found damaged since the start, and deleted
	Lost      uint64    // things dropped for lack of space
	// Unconfirmed is how many records were deleted that no receiver had confirmed some time after they
	// were sent (Limits.Grace).
	Unconfirmed uint64
	Outlets     []OutletHealth        // in the order of the options
	Kept        [outbox.Streams]int64 // records of each stream on the card, sent ones among them
}

// OutletHealth is how far one outlet is behind.
type OutletHealth struct {
	Name    string
	Waiting [outbox.Streams]int64 // records of each stream that it has not sent
	Unheard time.Duration         // for which sent records have waited for a receipt; 0 while none do
}

// Store keeps one unit's history and outbox. All methods may be called from any goroutine.
type Store struct {
	opts   Options
	outbox *outbox.Outbox
	spans  *spans.Spans
	card   *card

	mu     sync.Mutex // over what the outbox has in memory, too; never held while the card is written
	queue  queue.Queue
	health Health
	down   bool // the card can't be written: records come out of memory
}

var _ history.Source = (*Store)(nil)

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
	s := &Store{opts: o, spans: spans.Of(o.Session), queue: queue.New(o.Limits.PendingBytes)}
	s.card = newCard(s)
	s.outbox = outbox.New(outbox.Options{
		Session: o.Session, Outlets: o.Outlets, Bytes: o.Limits.OutboxBytes, Grace: o.Limits.Grace,
		Collector: o.Limits.Collector, Now: o.Now, Card: s.card, Lock: &s.mu,
	})
	s.health.Since = o.Now()
	s.card.open()
	return s, nil
}

// Run writes until ctx ends, then writes the rest and closes the file. It must be called exactly
// once, unless Close is.
func (s *Store) Run(ctx context.Context) error {
	s.card.run(ctx)
	return nil
}

// Close closes a store that nobody has run or will run.
func (s *Store) Close() error {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	return s.Run(ctx)
}

// Flush writes what waits and returns an error if the card does not have it then.
func (s *Store) Flush(ctx context.Context) error {
	return s.card.ask(ctx, func() error {
		s.card.commit()
		if h := s.Health(); h.Problem != "" {
			return fmt.Errorf("store: %s: %s", h.Problem, h.Detail)
		}
		return nil
	})
}

// Outlet returns the outlet with this name, nil when it is not one of [Options.Outlets].
func (s *Store) Outlet(name string) *outbox.Outlet { return s.outbox.Outlet(name) }

// Health returns the state of the store now.
func (s *Store) Health() Health {
	s.mu.Lock()
	defer s.mu.Unlock()
	h := s.health
	h.Pending = s.queue.Len()
	for _, o := range s.outbox.Outlets() {
		h.Outlets = append(h.Outlets, OutletHealth{o.Name(), o.Waiting(), o.Unheard()})
	}
	return h
}

// Window returns the span [From, To), thinned to at most Points bins.
func (s *Store) Window(ctx context.Context, q history.Query) (out history.Window, err error) {
	if err := window.Check(q); err != nil {
		return out, err
	}
	out = window.Empty(q)
	err = s.card.Query(ctx, func(db *sql.DB) error {
		out, err = window.Read(db, q)
		return err
	})
	return out, err
}

// FirstSecond returns the first second of the motor run that began closest to a time, within half a
// second. One that was stored for other batteries than there are now is left out.
func (s *Store) FirstSecond(ctx context.Context, at time.Time) (history.Trace, error) {
	var found window.Detail
	err := s.card.Query(ctx, func(db *sql.DB) (err error) {
		found, err = window.FirstSecond(db, at)
		return err
	})
	if err != nil {
		found = window.Detail{}
	}
	out, unread := found.Trace(at, s.opts.Layout)
	return out, cmp.Or(err, unread)
}
