package outbox

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

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
	b := o.outbox
	err = b.opts.Card.Query(ctx, func(db *sql.DB) error {
		var spans int
		if err := db.QueryRow("SELECT count(*) FROM spans WHERE session = ?", r.Session).Scan(&spans); err != nil {
			return fmt.Errorf("store: confirm: %w", err)
		}
		if known = spans > 0; !known {
			return nil
		}
		b.opts.Lock.Lock()
		next := b.streams[r.Stream].next
		b.opts.Lock.Unlock()
		if r.Through >= next {
			return ErrUnsent
		}
		if err := o.confirm(db, r); err != nil {
			return fmt.Errorf("store: confirm: %w", err)
		}
		b.opts.Lock.Lock()
		c := &o.cursors[r.Stream]
		c.confirmed, c.changed = b.runTime(), true
		b.opts.Lock.Unlock()
		again, err = b.wanted(db, r, next)
		return err
	})
	return again, known, err
}

// confirm writes a receipt down and drops what every outlet is done with now.
func (o *Outlet) confirm(db *sql.DB, r Receipt) error {
	tx, err := db.BeginTx(context.Background(), nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // does nothing after Commit
	if _, err := tx.Exec(`INSERT INTO receipts(outlet, stream, session, through) VALUES(?, ?, ?, ?)
		ON CONFLICT DO UPDATE SET through = max(through, excluded.through)`,
		o.name, r.Stream, r.Session, int64(r.Through)); err != nil {
		return err
	}
	if err := o.outbox.drop(tx, r.Stream); err != nil {
		return err
	}
	return tx.Commit()
}

// wanted returns what a receipt asks for again.
func (b *Outbox) wanted(db *sql.DB, r Receipt, next uint64) (again []Record, err error) {
	for _, m := range r.Missing {
		from, to := m[0], min(m[1], next-1)
		if from <= r.Through || from > to {
			continue
		}
		found, err := ranged(db, r.Stream, r.Session, from, to, maxResend-len(again))
		if err != nil {
			return again, err
		}
		at := from
		for _, rec := range found {
			if rec.From > at {
				again = append(again, b.missingGap(r, rec.First, at, rec.From-1))
			}
			again = append(again, rec)
			at = rec.Seq + 1
		}
		if len(again) >= maxResend {
			break
		}
		if at <= to {
			again = append(again, b.missingGap(r, 0, at, to))
		}
	}
	return again, nil
}

// missingGap makes a gap for records that are no longer stored.
func (b *Outbox) missingGap(r Receipt, first, from, to uint64) Record {
	b.opts.Lock.Lock()
	defer b.opts.Lock.Unlock()
	if first == 0 && r.Session == b.opts.Session {
		first = b.streams[r.Stream].first
	}
	return Record{
		Stream: r.Stream, Session: r.Session, First: first, From: from, Seq: to,
		At: b.opts.Now().UTC(), Gap: "no longer stored",
	}
}
