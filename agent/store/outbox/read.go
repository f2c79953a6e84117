package outbox

import (
	"context"
	"database/sql"
	"fmt"

	"liftbank/agent/store/tables"
)

// After returns up to n records of a stream behind a place, oldest first. While the card takes
// nothing, those in memory are among them.
func (b *Outbox) After(ctx context.Context, of Stream, place int64, n int) (out []Record, err error) {
	err = b.opts.Card.Ask(ctx, func(db *sql.DB, down bool) error {
		if db != nil {
			const where = "o.id > ? AND o.id < ? ORDER BY o.id LIMIT ?"
			out, err = stored(db, of, where, max(place, tables.RecordKey(of, 0)), tables.RecordKey(of+1, 0), n)
			if err != nil && !down {
				return err
			}
		}
		if down {
			out = b.unwritten(out, of, place, n)
		}
		return nil
	})
	return out, err
}

// unwritten adds records that are in memory only.
func (b *Outbox) unwritten(out []Record, of Stream, place int64, n int) []Record {
	b.opts.Lock.Lock()
	defer b.opts.Lock.Unlock()
	for e := range b.opts.Card.Waiting() {
		if len(out) >= n {
			break
		}
		if e.Stream == of && e.key() > place {
			out = append(out, e.record(b.opts.Session))
		}
	}
	return out
}

// stored reads records of a stream; where is a condition on a record o of the outbox with its span
// p.
func stored(db *sql.DB, of Stream, where string, args ...any) (out []Record, err error) {
	rows, err := db.Query(`SELECT o.id, p.session, o.first_seq, o.from_seq, o.seq, o.mono_ms, o.gap, o.body,
		p.off_ms, p.trusted
		FROM sound_outbox o JOIN sound_spans p ON p.ord = o.span WHERE `+where, args...)
	if err != nil {
		return nil, fmt.Errorf("store: outbox: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		r := Record{Stream: of}
		var first, from, seq, mono, off int64
		if err := rows.Scan(&r.ID, &r.Session, &first, &from, &seq, &mono, &r.Gap, &r.Body, &off,
			&r.Trusted); err != nil {
			return out, fmt.Errorf("store: outbox: %w", err)
		}
		r.First, r.From, r.Seq = uint64(first), uint64(from), uint64(seq)
		r.place(mono, off)
		out = append(out, r)
	}
	if err := rows.Err(); err != nil {
		return out, fmt.Errorf("store: outbox: %w", err)
	}
	return out, nil
}
