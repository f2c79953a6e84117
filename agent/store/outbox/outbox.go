// Package outbox keeps records of four streams, each with a sequence number, until every outlet is
// done with them.
package outbox

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"iter"
	"slices"
	"sync"
	"time"

	"liftbank/agent/store/spans"
	"liftbank/agent/store/tables"
	"liftbank/rules"
)

// Options say what the outbox works with. All fields must be set; Outlets may be empty.
type Options struct {
	Session   string
	Outlets   []string      // names of those that send; each has its cursors
	Bytes     int64         // of records; more are given up
	Grace     time.Duration // age of a sent record where no receiver confirms
	Collector time.Duration // that a receiver that once confirmed is waited for
	Now       func() time.Time
	Card      Card
	// Lock is over what the outbox holds in memory and over the list of what waits to be written: a
	// record gets its number and its place there in one go. It is never held while the card is
	// written.
	Lock *sync.Mutex
}

// Card is what the outbox needs of the store that it is a part of.
type Card interface {
	// Ask has the goroutine that owns the file call do. There may be no file, and the card may take
	// nothing.
	Ask(ctx context.Context, do func(db *sql.DB, down bool) error) error
	// Query is Ask after what waits was written; without a file do is not called.
	Query(ctx context.Context, do func(db *sql.DB) error) error
	// Waiting returns what is not on the card yet, in order. The caller holds the lock.
	Waiting() iter.Seq[*Entry]
}

// Outbox numbers records and keeps them until every outlet is done with them. Methods that take a
// transaction or a database belong to the goroutine that owns the file.
type Outbox struct {
	opts    Options
	begun   time.Time
	outlets []*Outlet

	// Under the lock:
	streams  [Streams]stream
	numbered bool          // the transaction under way gave numbers
	ranBase  time.Duration // that the file was in use before this start
}

// stream is what is known of one stream in memory.
type stream struct {
	next    uint64 // number of the next record
	first   uint64 // number that this session began with
	nextN   int64  // place of the next record
	changed bool
	kept    bool // the file was read: next is from there
	noted   bool // the file has first
}

// New returns an outbox that knows of no file yet.
func New(o Options) *Outbox {
	b := &Outbox{opts: o, begun: o.Now()}
	for _, name := range o.Outlets {
		b.outlets = append(b.outlets, newOutlet(b, name))
	}
	for i := range b.streams {
		b.streams[i] = stream{next: 1, first: 1, nextN: 1}
	}
	return b
}

// Outlets returns the outlets in the order of the options.
func (b *Outbox) Outlets() []*Outlet { return b.outlets }

// Outlet returns the outlet with this name, nil when it is not one of the options.
func (b *Outbox) Outlet(name string) *Outlet {
	for _, o := range b.outlets {
		if o.name == name {
			return o
		}
	}
	return nil
}

// Notify tells every outlet that there may be new records.
func (b *Outbox) Notify() {
	for _, o := range b.outlets {
		select {
		case o.news <- struct{}{}:
		default:
		}
	}
}

// Number gives a record its number. The caller holds the lock until the entry is among those that
// wait: places in the outbox are written in order.
func (b *Outbox) Number(now rules.Moment, at *spans.Span, to Stream, body []byte) *Entry {
	st := &b.streams[to]
	e := &Entry{
		Stream: to, Seq: st.next, Body: body,
		n: st.nextN, span: at, first: st.first, from: st.next, monoMS: now.Mono.Milliseconds(),
	}
	st.next++
	st.nextN++
	st.changed = true
	return e
}

// WriteReadings numbers and writes a batch of readings. Nothing else may add to that stream.
func (b *Outbox) WriteReadings(tx *sql.Tx, now rules.Moment, at *spans.Span, body []byte) error {
	b.opts.Lock.Lock()
	e := b.Number(now, at, Readings, body)
	b.numbered = true
	b.opts.Lock.Unlock()
	return e.Write(tx)
}

// Changed reports whether a cursor is to be written. The caller holds the lock.
func (b *Outbox) Changed() bool {
	return slices.ContainsFunc(b.outlets, func(o *Outlet) bool {
		return o.claimed || slices.ContainsFunc(o.cursors[:], func(c cursor) bool { return c.changed })
	})
}

// runTime returns how long the file has been in use, over all starts. The caller holds the lock.
func (b *Outbox) runTime() time.Duration { return b.ranBase + b.opts.Now().Sub(b.begun) }

// SaveRunTime writes how long the file has been in use.
func (b *Outbox) SaveRunTime(to interface {
	Exec(query string, args ...any) (sql.Result, error)
}) error {
	b.opts.Lock.Lock()
	ran := b.runTime().Milliseconds()
	b.opts.Lock.Unlock()
	_, err := to.Exec("INSERT OR REPLACE INTO meta VALUES('ran_ms', ?)", ran)
	return err
}

// Kept returns how many records of each stream are on the card.
func (b *Outbox) Kept(db *sql.DB) (kept [Streams]int64, err error) {
	for i := range streamCount {
		row := db.QueryRow("SELECT count(*) FROM outbox WHERE id > ? AND id < ?",
			tables.RecordKey(i, 0), tables.RecordKey(i+1, 0))
		if err := row.Scan(&kept[i]); err != nil {
			return kept, err
		}
	}
	return kept, nil
}

// Abandon notes that the file is gone, with its records. It returns gaps for those that some outlet
// has not sent, to be written before all that waits. The caller holds the lock.
func (b *Outbox) Abandon(now *spans.Span) (gaps []*Entry) {
	for of := range streamCount {
		if g := b.abandon(of, now); g != nil {
			gaps = append(gaps, g)
		}
	}
	return gaps
}

func (b *Outbox) abandon(of Stream, now *spans.Span) *Entry {
	st := &b.streams[of]
	st.changed, st.noted = true, false
	next, nextN := st.next, st.nextN
	for e := range b.opts.Card.Waiting() {
		if e.Stream == of {
			next, nextN = e.from, e.n
			break
		}
	}
	from := next
	if len(b.outlets) == 0 {
		from = st.first
	}
	for _, o := range b.outlets {
		from = min(from, max(st.first, o.cursors[of].sentSeq+1))
		o.cursors[of].changed = true
	}
	if from >= next || now == nil {
		return nil
	}
	return &Entry{
		Stream: of, Seq: next - 1, n: nextN - 1, span: now, first: st.first, from: from, monoMS: now.FromMS(),
		gap: gapDamaged,
	}
}

// Load reads what a start needs.
func (b *Outbox) Load(db *sql.DB) error {
	var ranMS int64
	row := db.QueryRow("SELECT value FROM meta WHERE name = 'ran_ms'")
	if err := row.Scan(&ranMS); err != nil && !errors.Is(err, sql.ErrNoRows) {
		return fmt.Errorf("store: %w", err)
	}
	b.opts.Lock.Lock()
	defer b.opts.Lock.Unlock()
	b.ranBase = time.Duration(ranMS) * time.Millisecond
	return b.loadStreams(db)
}

// loadStreams reads the next numbers and the outlets' cursors. Records that were numbered before
// the file could be read keep their numbers, because they may have been sent. Only their places in
// the outbox move behind what is there. The caller holds the lock.
func (b *Outbox) loadStreams(db *sql.DB) error {
	rows, err := db.Query("SELECT stream, next_seq, next_id FROM sound_streams")
	if err != nil {
		return fmt.Errorf("store: streams: %w", err)
	}
	defer rows.Close()
	var fresh [Streams]bool // read for the first time; else the file was only closed for a while
	for i := range b.streams {
		fresh[i] = !b.streams[i].kept
	}
	for rows.Next() {
		var which, seq, id int64
		if err := rows.Scan(&which, &seq, &id); err != nil {
			return fmt.Errorf("store: streams: %w", err)
		}
		if which < 0 || which >= int64(streamCount) {
			continue
		}
		st := &b.streams[which]
		if !fresh[which] {
			// Numbers given within a transaction that seemed to fail may be in the file after all.
			st.next, st.nextN = max(st.next, uint64(seq)), max(st.nextN, id)
			continue
		}
		if st.next == 1 {
			st.next, st.first, st.nextN = uint64(seq), uint64(seq), id
			continue
		}
		for e := range b.opts.Card.Waiting() {
			if e.Stream == Stream(which) {
				e.n += id - 1
			}
		}
		st.nextN += id - 1
		st.changed = true
		st.next = max(st.next, uint64(seq))
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("store: streams: %w", err)
	}
	for i := range b.streams {
		b.streams[i].kept = true
	}
	return b.loadCursors(db, fresh)
}

// loadCursors reads the outlets' cursors in the streams that were read for the first time. The
// caller holds the lock.
func (b *Outbox) loadCursors(db *sql.DB, fresh [Streams]bool) error {
	rows, err := db.Query("SELECT outlet, stream, sent, done, confirmed_ms FROM sound_cursors")
	if err != nil {
		return fmt.Errorf("store: cursors: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		var name string
		var which, sent, done int64
		var confirmed sql.NullInt64
		if err := rows.Scan(&name, &which, &sent, &done, &confirmed); err != nil {
			return fmt.Errorf("store: cursors: %w", err)
		}
		o := b.Outlet(name)
		if o == nil || which < 0 || which >= int64(streamCount) || !fresh[which] {
			continue
		}
		// What was sent out of memory before the file could be read is sent again.
		c := &o.cursors[which]
		c.sent, c.done = sent, done
		if confirmed.Valid {
			c.confirmed = time.Duration(confirmed.Int64) * time.Millisecond
			c.written = c.confirmed
		}
		if o.waits < 0 { // how long what is there has waited is not known better
			o.waitsFrom = max(o.lastReceipt(), 0)
		}
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("store: cursors: %w", err)
	}
	return nil
}

// Numbers are the next numbers of the streams at one moment.
type Numbers struct{ streams [Streams]stream }

// Begin returns the next numbers as a transaction begins, which is to write what waits at that
// moment. The caller holds the lock.
func (b *Outbox) Begin() Numbers {
	b.numbered = false
	for _, o := range b.outlets {
		if !o.claimed {
			clear(o.claims) // the last transaction wrote them
		}
	}
	return Numbers{b.streams}
}

// Write writes the next numbers as they are with the records of this transaction. A record that was
// added meanwhile is in the next one: were its number written now, a cut of the power would leave a
// number that nobody ever had. Then it writes the outlets' cursors.
func (b *Outbox) Write(tx *sql.Tx, given Numbers) error {
	for i := range b.streams {
		b.opts.Lock.Lock()
		st := b.streams[i]
		if Stream(i) != Readings || !b.numbered { // batches of readings get theirs within the transaction
			st.next, st.nextN = given.streams[i].next, given.streams[i].nextN
		}
		b.opts.Lock.Unlock()
		if !st.changed {
			continue
		}
		if _, err := tx.Exec("INSERT OR REPLACE INTO streams(stream, next_seq, next_id) VALUES(?, ?, ?)",
			i, int64(st.next), st.nextN); err != nil {
			return err
		}
		if !st.noted {
			if _, err := tx.Exec("INSERT OR REPLACE INTO meta VALUES(?, ?)",
				firstName(Stream(i), b.opts.Session), int64(st.first)); err != nil {
				return err
			}
		}
		b.opts.Lock.Lock()
		now := &b.streams[i]
		now.noted = true // should the commit fail, Revert sets these again
		if now.nextN == st.nextN {
			now.changed = false
		}
		b.opts.Lock.Unlock()
	}
	for _, o := range b.outlets {
		if err := o.write(tx); err != nil {
			return err
		}
	}
	return b.writeClaims(tx)
}

// Revert takes back what a transaction that failed gave and noted. The caller holds the lock.
func (b *Outbox) Revert(given Numbers) {
	if b.numbered { // by batches that were made within the transaction
		was := given.streams[Readings]
		b.streams[Readings].next, b.streams[Readings].nextN = was.next, was.nextN
	}
	for i := range b.streams {
		b.streams[i].changed, b.streams[i].noted = true, false
		for _, o := range b.outlets {
			o.cursors[i].changed = true
		}
	}
	for _, o := range b.outlets {
		o.claimed = len(o.claims) > 0
	}
}
