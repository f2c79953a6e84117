package outbox

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"

	"liftbank/agent/store/tables"
)

// Receipt is what a receiver says it has of one stream and session: everything up to Through, and
// of what lies above not Missing, which it wants again. It is a claim from outside and is taken for
// no more than that.
type Receipt struct {
	Stream  Stream
	Session string
	Through uint64
	Missing [][2]uint64 // from, to; both ends included
	// Old says that the receipt was kept for whoever comes, so that there may have been later ones.
	Old bool
}

// ErrUnsent says that a receipt is for what was never made.
var ErrUnsent = errors.New("store: receipt for records that were never sent")

// maxResend bounds what one receipt can have sent again.
const maxResend = 256

// claimKey is what a receiver confirms: records of one stream and session.
type claimKey struct {
	stream  Stream
	session string
}

// Confirm takes a receipt. The outlet is done with records up to Through, as far as they were handed
// to the next hop. That reaches the card with the next commit: after a crash the receiver says it
// again. Records wanted again are returned, with gaps for what is no longer stored. If known is
// false, the file knows nothing of the session.
func (o *Outlet) Confirm(ctx context.Context, r Receipt) (again []Record, known bool, err error) {
	b := o.outbox
	err = b.opts.Card.Ask(ctx, func(db *sql.DB, _ bool) error {
		if known, err = b.knows(db, r.Session); err != nil {
			return err
		}
		if !known { // a session of which nothing is left: who speaks of it is there
			b.opts.Lock.Lock()
			defer b.opts.Lock.Unlock()
			o.heard(r.Stream)
			return nil
		}
		b.opts.Lock.Lock()
		next := b.streams[r.Stream].next
		b.opts.Lock.Unlock()
		if r.Through >= next {
			return ErrUnsent
		}
		had, err := o.claim(db, r)
		if err != nil {
			return fmt.Errorf("store: confirm: %w", err)
		}
		again, err = o.wanted(db, r, had, next)
		return err
	})
	return again, known, err
}

// knows reports whether there may be records of a session.
func (b *Outbox) knows(db *sql.DB, session string) (bool, error) {
	if session == b.opts.Session {
		return true, nil
	}
	if db == nil {
		return false, nil
	}
	var spans int
	if err := db.QueryRow("SELECT count(*) FROM spans WHERE session = ?", session).Scan(&spans); err != nil {
		return false, fmt.Errorf("store: confirm: %w", err)
	}
	return spans > 0, nil
}

// claim notes what a receipt confirms, to be written with the next commit, and returns up to which
// number the receiver has everything, by this receipt and those before it.
func (o *Outlet) claim(db *sql.DB, r Receipt) (through uint64, err error) {
	key := claimKey{r.Stream, r.Session}
	had := o.claims[key]
	if had == 0 && db != nil {
		row := db.QueryRow("SELECT through FROM receipts WHERE outlet = ? AND stream = ? AND session = ?",
			o.name, r.Stream, r.Session)
		if err := row.Scan(&had); err != nil && !errors.Is(err, sql.ErrNoRows) {
			return 0, err
		}
	}
	unsent, err := o.firstUnsent(db, r)
	if err != nil {
		return had, err
	}
	through = max(had, min(r.Through, unsent-1))
	lock := o.outbox.opts.Lock
	lock.Lock()
	defer lock.Unlock()
	o.heard(r.Stream)
	if through > had {
		o.claims[key], o.claimed = through, true
	}
	return through, nil
}

// firstUnsent returns the first number of a receipt's session, up to one above Through, whose
// record was not handed to the next hop.
func (o *Outlet) firstUnsent(db *sql.DB, r Receipt) (uint64, error) {
	lock := o.outbox.opts.Lock
	first := r.Through + 1
	lock.Lock()
	handed := o.handedKey(r.Stream)
	if r.Session == o.outbox.opts.Session {
		for e := range o.outbox.opts.Card.Waiting() {
			if e.Stream == r.Stream && e.key() > handed {
				first = min(first, e.from)
			}
		}
	}
	lock.Unlock()
	if db == nil {
		return first, nil
	}
	var stored sql.NullInt64
	row := db.QueryRow(`SELECT min(o.from_seq) FROM outbox o JOIN spans p ON p.ord = o.span
		WHERE o.id > ? AND o.id < ? AND p.session = ?`, handed, tables.RecordKey(r.Stream+1, 0), r.Session)
	if err := row.Scan(&stored); err != nil {
		return 0, err
	}
	if stored.Valid {
		first = min(first, uint64(stored.Int64))
	}
	return first, nil
}

// wanted returns what a receipt asks for again. The receiver has everything up to had.
func (o *Outlet) wanted(db *sql.DB, r Receipt, had, next uint64) (again []Record, err error) {
	for _, m := range r.Missing {
		from, to := m[0], min(m[1], next-1)
		if from <= r.Through || from > to {
			continue
		}
		room := maxResend - len(again)
		found, err := o.outbox.ranged(db, r.Stream, from, to, room)
		if err != nil {
			return again, err
		}
		if len(found) >= room {
			to = found[room-1].Seq // of what lies above nothing is known yet
		}
		if again, err = o.fill(db, again, found, r, from, to, had); err != nil {
			return again, err
		}
		if len(again) >= maxResend {
			break
		}
	}
	return again, nil
}

// fill adds the records from from to to that were found, and gaps for those that were not. What was
// not handed to the next hop yet will be sent in its turn. An old receipt asks for what a later one
// confirmed: that is gone because the receiver has it.
func (o *Outlet) fill(db *sql.DB, again, found []Record, r Receipt, from, to, had uint64) ([]Record, error) {
	at := from
	gap := func(through uint64) error {
		if r.Old {
			at = max(at, had+1)
		}
		if at > through {
			return nil
		}
		g, err := o.outbox.missingGap(db, r, at, through)
		again = append(again, g)
		return err
	}
	o.outbox.opts.Lock.Lock()
	handed := o.handedKey(r.Stream)
	o.outbox.opts.Lock.Unlock()
	for _, rec := range found {
		if err := gap(min(rec.From-1, to)); err != nil {
			return again, err
		}
		if rec.ID <= handed {
			again = append(again, rec)
		}
		at = max(at, rec.Seq+1)
	}
	return again, gap(to)
}

// missingGap makes a gap for records that are no longer stored.
func (b *Outbox) missingGap(db *sql.DB, r Receipt, from, to uint64) (Record, error) {
	first, err := b.firstOf(db, r.Stream, r.Session)
	if first == 0 {
		first = from // a file of before that was noted: nothing is said of what is below
	}
	return Record{
		Stream: r.Stream, Session: r.Session, First: first, From: from, Seq: to,
		At: b.opts.Now().UTC(), Gap: "no longer stored",
	}, err
}

// firstOf returns the number that a session began a stream with, 0 where it is not known.
func (b *Outbox) firstOf(db *sql.DB, of Stream, session string) (uint64, error) {
	if session == b.opts.Session {
		b.opts.Lock.Lock()
		defer b.opts.Lock.Unlock()
		return b.streams[of].first, nil
	}
	if db == nil {
		return 0, nil
	}
	var first sql.NullInt64
	row := db.QueryRow(`SELECT coalesce((SELECT value FROM meta WHERE name = ?), (SELECT o.first_seq FROM outbox o
		JOIN spans p ON p.ord = o.span WHERE o.id > ? AND o.id < ? AND p.session = ? LIMIT 1))`,
		firstName(of, session), tables.RecordKey(of, 0), tables.RecordKey(of+1, 0), session)
	err := row.Scan(&first)
	return uint64(first.Int64), err
}

// firstPrefix begins the names in the table meta of the numbers that sessions began with.
const firstPrefix = "first/"

func firstName(of Stream, session string) string { return firstPrefix + of.String() + "/" + session }

// ranged returns up to n records of a stream with numbers from to to, in the order of their
// numbers, those in memory among them. They may be of several sessions.
func (b *Outbox) ranged(db *sql.DB, of Stream, from, to uint64, n int) (out []Record, err error) {
	if db != nil {
		out, err = stored(db, of, "o.id > ? AND o.id < ? AND o.seq >= ? AND o.from_seq <= ? ORDER BY o.id LIMIT ?",
			tables.RecordKey(of, 0), tables.RecordKey(of+1, 0), int64(from), int64(to), n)
		if err != nil {
			return nil, err
		}
	}
	onCard := map[int64]bool{}
	for i := range out {
		onCard[out[i].ID] = true
	}
	b.opts.Lock.Lock()
	for e := range b.opts.Card.Waiting() {
		if len(out) < n && e.Stream == of && e.Seq >= from && e.from <= to && !onCard[e.key()] {
			out = append(out, e.record(b.opts.Session))
		}
	}
	b.opts.Lock.Unlock()
	slices.SortStableFunc(out, func(a, b Record) int { return cmp.Compare(a.From, b.From) })
	return out, nil
}

// writeClaims writes what receivers have confirmed since the last commit, and drops what every
// outlet is done with now.
func (b *Outbox) writeClaims(tx *sql.Tx) error {
	var touched [Streams]bool
	for _, o := range b.outlets {
		if !o.claimed {
			continue
		}
		for key, through := range o.claims {
			if _, err := tx.Exec(`INSERT INTO receipts(outlet, stream, session, through) VALUES(?, ?, ?, ?)
				ON CONFLICT DO UPDATE SET through = max(through, excluded.through)`,
				o.name, key.stream, key.session, int64(through)); err != nil {
				return err
			}
			touched[key.stream] = true
		}
		b.opts.Lock.Lock()
		o.claimed = false // should the commit fail, Revert sets it again
		b.opts.Lock.Unlock()
	}
	for of, is := range touched {
		if !is {
			continue
		}
		if err := b.drop(tx, Stream(of)); err != nil {
			return err
		}
	}
	return nil
}
