package outbox

import (
	"database/sql"
	"strings"

	"liftbank/agent/store/tables"
)

// Tidy deletes records that every outlet is done with. Then it makes room by the oldest batches of
// readings, and if that isn't enough the oldest runs, each time leaving a gap that says so. It
// returns how many records were lost that way, and how many were deleted that no receiver confirmed.
func (b *Outbox) Tidy(tx *sql.Tx) (lost, unconfirmed uint64, err error) {
	for i := range streamCount {
		for _, o := range b.outlets {
			if err := o.age(tx, i); err != nil {
				return lost, unconfirmed, err
			}
		}
		n, err := b.unconfirmed(tx, i)
		if err == nil {
			err = b.drop(tx, i)
		}
		if err != nil {
			return lost, unconfirmed, err
		}
		unconfirmed += n
	}
	for _, give := range []Stream{Readings, Runs} {
		n, err := b.giveUp(tx, give)
		lost += n
		if err != nil {
			return lost, unconfirmed, err
		}
	}
	_, err = tx.Exec(`DELETE FROM meta WHERE name LIKE ?1 || '%'
		AND substr(name, instr(substr(name, length(?1) + 1), '/') + length(?1) + 1) NOT IN (SELECT session FROM spans)`,
		firstPrefix)
	return lost, unconfirmed, err
}

// giveUp replaces the oldest records of a stream by one gap until the outbox fits.
func (b *Outbox) giveUp(tx *sql.Tx, of Stream) (lost uint64, err error) {
	var held int64
	if err := tx.QueryRow("SELECT coalesce(sum(length(body)), 0) FROM outbox").Scan(&held); err != nil {
		return lost, err
	}
	over := held - b.opts.Bytes
	if over <= 0 {
		return lost, nil
	}
	over += b.opts.Bytes / 10 // some air, so that it isn't one gap an hour
	rows, err := tx.Query("SELECT id, span, seq, length(body), gap FROM outbox WHERE id > ? AND id < ? ORDER BY id",
		tables.RecordKey(of, 0), tables.RecordKey(of+1, 0))
	if err != nil {
		return lost, err
	}
	defer rows.Close()
	type gap struct{ firstID, lastID, span, seq, records int64 }
	var gaps []gap
	for rows.Next() && over > 0 {
		var id, span, seq, size int64
		var why string
		if err := rows.Scan(&id, &span, &seq, &size, &why); err != nil {
			return lost, err
		}
		over -= size
		if n := len(gaps); n > 0 && gaps[n-1].span == span {
			gaps[n-1].lastID, gaps[n-1].seq = id, seq
		} else {
			gaps = append(gaps, gap{id, id, span, seq, 0})
		}
		gaps[len(gaps)-1].records++
	}
	if err := rows.Err(); err != nil {
		return lost, err
	}
	if err := rows.Close(); err != nil {
		return lost, err
	}
	for _, g := range gaps {
		if _, err := tx.Exec(`UPDATE outbox SET body = x'', gap = 'no room on the card',
			from_seq = (SELECT min(from_seq) FROM outbox WHERE id BETWEEN ?1 AND ?2) WHERE id = ?2`,
			g.firstID, g.lastID); err != nil {
			return lost, err
		}
		if _, err := tx.Exec("DELETE FROM outbox WHERE id >= ? AND id < ?", g.firstID, g.lastID); err != nil {
			return lost, err
		}
		lost += uint64(g.records)
	}
	return lost, nil
}

// confirmedBy is a condition on a record o of the outbox with its span p: the receiver of an outlet
// has it. Its parameters are the outlet's name and the stream.
const confirmedBy = `EXISTS (SELECT 1 FROM receipts c WHERE c.outlet = ? AND c.stream = ?
	AND c.session = p.session AND c.through >= o.seq)`

// done returns a condition on a record o of the outbox with its span p: every outlet is done with
// it.
func (b *Outbox) done(of Stream) (where string, args []any) {
	all := []string{"o.id > ? AND o.id < ?"}
	args = []any{tables.RecordKey(of, 0), tables.RecordKey(of+1, 0)}
	b.opts.Lock.Lock()
	defer b.opts.Lock.Unlock()
	for _, o := range b.outlets {
		all = append(all, "(o.id <= ? OR "+confirmedBy+")")
		args = append(args, tables.RecordKey(of, o.cursors[of].done), o.name, of)
	}
	return strings.Join(all, " AND "), args
}

// unconfirmed returns how many of the records that drop would delete no receiver has confirmed.
func (b *Outbox) unconfirmed(tx *sql.Tx, of Stream) (n uint64, err error) {
	if len(b.outlets) == 0 {
		return 0, nil
	}
	where, args := b.done(of)
	for _, o := range b.outlets {
		where += " AND NOT " + confirmedBy
		args = append(args, o.name, of)
	}
	row := tx.QueryRow("SELECT count(*) FROM outbox o JOIN spans p ON p.ord = o.span WHERE o.gap = '' AND "+where, args...)
	return n, row.Scan(&n)
}

// drop deletes the records of a stream that every outlet is done with. Without an outlet none is:
// they wait for one.
func (b *Outbox) drop(tx *sql.Tx, of Stream) error {
	if len(b.outlets) == 0 {
		return nil
	}
	where, args := b.done(of)
	_, err := tx.Exec(`DELETE FROM outbox WHERE id IN (SELECT o.id FROM outbox o JOIN spans p ON p.ord = o.span WHERE `+
		where+`)`, args...)
	return err
}
