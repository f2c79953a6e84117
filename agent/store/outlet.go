package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Outlet is one consumer of the outbox, with a cursor in each stream. A record leaves the outbox
// once every outlet of [Options.Outlets] is done with it, or earlier by age or for lack of space.
// An outlet is done with a record when its receiver has confirmed it ([Outlet.Confirm]) or, where
// none confirms, some time after it was sent ([Limits.Grace]).
//
// An outlet that is new to the file starts at the oldest record there. What the cursor of an outlet
// says stays in the file while the outlet is not configured.
type Outlet struct {
	store   *Store
	name    string
	news    chan struct{}
	cursors [streamCount]cursor        // guarded by Store.mu
	lastAck [streamCount]time.Duration // of the goroutine of Store.Run
}

// cursor is how far an outlet is in one stream.
type cursor struct {
	sent      int64         // n up to which everything was sent, and taken by the next hop
	sentSeq   uint64        // the number at sent; 0 when not of this session
	done      int64         // n up to which the outlet is done by the age of what it sent
	confirmed time.Duration // running time of the last receipt; -1: none ever
	changed   bool
}

func newOutlet(s *Store, name string) *Outlet {
	o := &Outlet{store: s, name: name, news: make(chan struct{}, 1)}
	for i := range o.cursors {
		o.cursors[i].confirmed = -1
	}
	return o
}

// Outlet returns the outlet with this name, nil when it is not one of [Options.Outlets].
func (s *Store) Outlet(name string) *Outlet {
	for _, o := range s.outlets {
		if o.name == name {
			return o
		}
	}
	return nil
}

// notifyOutlets tells every outlet that there may be new records.
func (s *Store) notifyOutlets() {
	for _, o := range s.outlets {
		notify(o.news)
	}
}

// News returns a channel that has a value in it when there are records that were not there before.
func (o *Outlet) News() <-chan struct{} { return o.news }

// After returns up to n records of a stream behind a place, oldest first. While the card takes
// nothing, those in memory are among them.
func (o *Outlet) After(ctx context.Context, of Stream, place int64, n int) ([]Record, error) {
	return o.store.after(ctx, of, place, n)
}

// Resume returns the place up to which the outlet has sent a stream.
func (o *Outlet) Resume(of Stream) int64 {
	o.store.mu.Lock()
	defer o.store.mu.Unlock()
	return outboxKey(of, o.cursors[of].sent)
}

// Sent notes that the next hop has taken a record and all of its stream before it. That reaches the
// card with the next commit: after a crash a record may be sent again, with its number.
func (o *Outlet) Sent(r Record) {
	s := o.store
	s.mu.Lock()
	defer s.mu.Unlock()
	c := &o.cursors[r.Stream]
	if n := r.ID & nMask; n > c.sent {
		c.sent = n
		c.changed, s.dirty = true, true
		if r.Session == s.opts.Session {
			c.sentSeq = r.Seq
		}
	}
}

// Receipt is what a receiver says it has of one stream and session: everything up to Through, and
// of what lies above not Missing, which it wants again. It is a claim from outside and is taken for
// no more than that.
type Receipt struct {
	Stream  Stream
	Session string
	Through uint64
	Missing [][2]uint64 // from, to; both ends included
}

// ErrUnsent says that a receipt is for what was never made.
var ErrUnsent = errors.New("store: receipt for records that were never sent")

// maxResend bounds what one receipt can have sent again.
const maxResend = 256

// Confirm takes a receipt. The outlet is done with records up to Through. Those wanted again are
// returned, with gaps for what is no longer stored. If known is false, the file knows nothing of
// the session.
func (o *Outlet) Confirm(ctx context.Context, r Receipt) (again []Record, known bool, err error) {
	s := o.store
	err = s.ask(ctx, func() error {
		s.commit()
		if s.db == nil {
			return nil
		}
		var spans int
		if err := s.db.QueryRow("SELECT count(*) FROM spans WHERE session = ?", r.Session).Scan(&spans); err != nil {
			return fmt.Errorf("store: confirm: %w", err)
		}
		if known = spans > 0; !known {
			return nil
		}
		s.mu.Lock()
		next := s.streams[r.Stream].next
		s.mu.Unlock()
		if r.Through >= next {
			return ErrUnsent
		}
		if err := o.confirm(r); err != nil {
			return fmt.Errorf("store: confirm: %w", err)
		}
		s.mu.Lock()
		c := &o.cursors[r.Stream]
		c.confirmed, c.changed, s.dirty = s.totalRunTime(), true, true
		s.mu.Unlock()
		again, err = s.wanted(r, next)
		return err
	})
	return again, known, err
}

// confirm writes a receipt down and drops what every outlet is done with now.
func (o *Outlet) confirm(r Receipt) error {
	s := o.store
	tx, err := s.db.BeginTx(context.Background(), nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // does nothing after Commit
	if _, err := tx.Exec(`INSERT INTO receipts(outlet, stream, session, through) VALUES(?, ?, ?, ?)
		ON CONFLICT DO UPDATE SET through = max(through, excluded.through)`,
		o.name, r.Stream, r.Session, int64(r.Through)); err != nil {
		return err
	}
	if err := s.drop(tx, r.Stream); err != nil {
		return err
	}
	return tx.Commit()
}

// confirmedBy is a condition on a record o of the outbox with its span p: the receiver of an outlet
// has it. Its parameters are the outlet's name and the stream.
const confirmedBy = `EXISTS (SELECT 1 FROM receipts c WHERE c.outlet = ? AND c.stream = ?
	AND c.session = p.session AND c.through >= o.seq)`

// drop deletes the records of a stream that every outlet is done with. Without an outlet none is:
// they wait for one.
func (s *Store) drop(tx *sql.Tx, of Stream) error {
	if len(s.outlets) == 0 {
		return nil
	}
	where := []string{"o.id > ? AND o.id < ?"}
	args := []any{outboxKey(of, 0), outboxKey(of+1, 0)}
	s.mu.Lock()
	for _, o := range s.outlets {
		where = append(where, "(o.id <= ? OR "+confirmedBy+")")
		args = append(args, outboxKey(of, o.cursors[of].done), o.name, of)
	}
	s.mu.Unlock()
	_, err := tx.Exec(`DELETE FROM outbox WHERE id IN (SELECT o.id FROM outbox o JOIN spans p ON p.ord = o.span WHERE `+
		strings.Join(where, " AND ")+`)`, args...)
	return err
}

// wanted returns what a receipt asks for again.
func (s *Store) wanted(r Receipt, next uint64) (again []Record, err error) {
	for _, m := range r.Missing {
		from, to := m[0], min(m[1], next-1)
		if from <= r.Through || from > to {
			continue
		}
		found, err := s.ranged(r.Stream, r.Session, from, to, maxResend-len(again))
		if err != nil {
			return again, err
		}
		at := from
		for _, rec := range found {
			if rec.From > at {
				again = append(again, s.missingGap(r, rec.First, at, rec.From-1))
			}
			again = append(again, rec)
			at = rec.Seq + 1
		}
		if len(again) >= maxResend {
			break
		}
		if at <= to {
			again = append(again, s.missingGap(r, 0, at, to))
		}
	}
	return again, nil
}

// ranged returns up to n records of a stream and session with numbers from to to.
func (s *Store) ranged(of Stream, session string, from, to uint64, n int) ([]Record, error) {
	if s.db == nil {
		return nil, nil
	}
	const where = "o.id > ? AND o.id < ? AND p.session = ? AND o.seq >= ? AND o.from_seq <= ? ORDER BY o.id LIMIT ?"
	return s.stored(of, where,
		outboxKey(of, 0), outboxKey(of+1, 0), session, int64(from), int64(to), n)
}

// missingGap makes a gap for records that are no longer stored.
func (s *Store) missingGap(r Receipt, first, from, to uint64) Record {
	s.mu.Lock()
	defer s.mu.Unlock()
	if first == 0 && r.Session == s.opts.Session {
		first = s.streams[r.Stream].first
	}
	return Record{
		Stream: r.Stream, Session: r.Session, First: first, From: from, Seq: to,
		At: s.opts.Now().UTC(), Gap: "no longer stored",
	}
}

// Collected reports whether a receiver confirms this stream's records, so that sending one is not
// the last word.
func (o *Outlet) Collected(of Stream) bool {
	o.store.mu.Lock()
	defer o.store.mu.Unlock()
	c := o.cursors[of].confirmed
	return c >= 0 && o.store.totalRunTime()-c < o.store.opts.Limits.Collector
}

// Unconfirmed returns the oldest records of a stream that were sent and that no receiver has
// confirmed, up to n.
func (o *Outlet) Unconfirmed(ctx context.Context, of Stream, n int) (out []Record, err error) {
	s := o.store
	err = s.query(ctx, func(*sql.DB) error {
		s.mu.Lock()
		sent, done := o.cursors[of].sent, o.cursors[of].done
		s.mu.Unlock()
		out, err = s.stored(of, "o.id > ? AND o.id <= ? AND NOT "+confirmedBy+" ORDER BY o.id LIMIT ?",
			outboxKey(of, done), outboxKey(of, sent), o.name, of, n)
		return err
	})
	return out, err
}

// loadCursors reads the outlets' cursors in the streams that were read for the first time. The
// caller holds s.mu.
func (s *Store) loadCursors(db *sql.DB, fresh [streamCount]bool) error {
	rows, err := db.Query("SELECT outlet, stream, sent, done, confirmed_ms FROM cursors")
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
		o := s.Outlet(name)
		if o == nil || which < 0 || which >= int64(streamCount) || !fresh[which] {
			continue
		}
		// What was sent out of memory before the file could be read is sent again.
		c := &o.cursors[which]
		c.sent, c.done = sent, done
		if confirmed.Valid {
			c.confirmed = time.Duration(confirmed.Int64) * time.Millisecond
		}
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("store: cursors: %w", err)
	}
	return nil
}

// writeCursors writes the cursors that moved, and now and then how far each was at that time.
func (s *Store) writeCursors(tx *sql.Tx) error {
	now := s.totalRunTime()
	for _, o := range s.outlets {
		for i := range o.cursors {
			s.mu.Lock()
			c := o.cursors[i]
			o.cursors[i].changed = false // should the commit fail, write sets it again
			s.mu.Unlock()
			if !c.changed {
				continue
			}
			var confirmed any
			if c.confirmed >= 0 {
				confirmed = c.confirmed.Milliseconds()
			}
			if _, err := tx.Exec(`INSERT OR REPLACE INTO cursors(outlet, stream, sent, done, confirmed_ms)
				VALUES(?, ?, ?, ?, ?)`, o.name, i, c.sent, c.done, confirmed); err != nil {
				return err
			}
			const ackEvery = time.Hour // the grace is exact to the hour
			if o.lastAck[i] == 0 || now-o.lastAck[i] >= ackEvery {
				if _, err := tx.Exec("INSERT OR REPLACE INTO acks(outlet, stream, ran_ms, id) VALUES(?, ?, ?, ?)",
					o.name, i, now.Milliseconds(), c.sent); err != nil {
					return err
				}
				o.lastAck[i] = now
			}
		}
	}
	return nil
}

// age takes an outlet's records of a stream for done that were sent more than the grace ago, unless
// a receiver confirms them.
func (o *Outlet) age(tx *sql.Tx, of Stream) error {
	s := o.store
	now := s.totalRunTime()
	before := (now - s.opts.Limits.Grace).Milliseconds()
	s.mu.Lock()
	sentNow := o.cursors[of].sent
	s.mu.Unlock()
	// What was sent within the hour after the last note has none yet.
	if _, err := tx.Exec(`INSERT OR REPLACE INTO acks SELECT ?1, ?2, ?3, ?4
		WHERE ?4 > (SELECT coalesce(max(id), 0) FROM acks WHERE outlet = ?1 AND stream = ?2)`,
		o.name, of, now.Milliseconds(), sentNow); err != nil {
		return err
	}
	var sent sql.NullInt64
	row := tx.QueryRow("SELECT max(id) FROM acks WHERE outlet = ? AND stream = ? AND ran_ms <= ?", o.name, of, before)
	if err := row.Scan(&sent); err != nil {
		return err
	}
	if !sent.Valid {
		return nil
	}
	if !o.Collected(of) {
		s.mu.Lock()
		if c := &o.cursors[of]; sent.Int64 > c.done {
			c.done, c.changed, s.dirty = sent.Int64, true, true
		}
		s.mu.Unlock()
	}
	_, err := tx.Exec(`DELETE FROM acks WHERE outlet = ?1 AND stream = ?2
		AND ran_ms < (SELECT max(ran_ms) FROM acks WHERE outlet = ?1 AND stream = ?2 AND ran_ms <= ?3)`,
		o.name, of, before)
	return err
}

// waiting returns how many records of each stream the outlet has not sent. The caller holds
// Store.mu.
func (o *Outlet) waiting() (n [streamCount]int64) {
	for i := range n {
		n[i] = max(o.store.streams[i].nextID-1-o.cursors[i].sent, 0)
	}
	return n
}
