package outbox

import (
	"database/sql"
	"errors"

	"liftbank/agent/store/tables"
)

// gapDamaged is what a gap says that stands for records of a damaged file.
const gapDamaged = "store damaged"

// Scrub deletes the records that are not as they were written, and returns how many those were.
func (b *Outbox) Scrub(tx *sql.Tx) (bad int64, err error) {
	for _, t := range tables.Checked {
		if t.Name != "outbox" {
			continue
		}
		for after := int64(0); ; {
			n, last, err := t.Scrub(tx, after, 1000)
			if bad += n; err != nil || last == 0 {
				return bad, err
			}
			after = last
		}
	}
	return bad, nil
}

// place is where a record stands: its numbers, its place in the stream, and its session.
type place struct {
	n, span          int64
	first, from, seq int64
	session          string
}

// NameHoles writes a gap for the records that a damaged file has taken with it, after what could be
// read of it was copied into a new one: between two records, before the first that some outlet has
// not sent, and behind the last. lost are the gaps that Abandon gave, if the file was in use; those
// for streams of which the new file knows too little are returned, to be written with what waits.
// The goroutine that owns the file calls it after Load.
func (b *Outbox) NameHoles(tx *sql.Tx, lost []*Entry) (left []*Entry, err error) {
	inUse := map[Stream]*Entry{}
	for _, e := range lost {
		inUse[e.Stream] = e
	}
	for of := range streamCount {
		named, err := b.nameHoles(tx, of, inUse[of])
		if err != nil {
			return nil, err
		}
		if e := inUse[of]; !named && e != nil {
			left = append(left, e)
		}
	}
	return left, nil
}

func (b *Outbox) nameHoles(tx *sql.Tx, of Stream, lost *Entry) (named bool, err error) {
	there, err := places(tx, of)
	if err != nil {
		return false, err
	}
	end, sent, ok, err := b.edges(tx, of, lost)
	if err != nil || !ok {
		return false, err
	}
	before := sent
	for _, p := range append(there, end) {
		from := p.from - (p.n - before.n - 1) // each record has a place
		if before.session == p.session {
			from = before.seq + 1
		}
		if from = max(from, p.first); from < p.from && p.n > before.n+1 {
			if _, err := tx.Exec(`INSERT OR IGNORE INTO outbox(id, span, first_seq, from_seq, seq, mono_ms, gap, body)
				SELECT ?, ord, ?, ?, ?, from_ms, ?, x'' FROM spans WHERE ord = ?`,
				tables.RecordKey(of, p.n-1), p.first, from, p.from-1, gapDamaged, p.span); err != nil {
				return false, err
			}
		}
		before = p
	}
	return true, nil
}

// places returns where the records of a stream stand, oldest first.
func places(tx *sql.Tx, of Stream) (out []place, err error) {
	rows, err := tx.Query(`SELECT o.id, o.span, o.first_seq, o.from_seq, o.seq, p.session
		FROM sound_outbox o JOIN sound_spans p ON p.ord = o.span WHERE o.id > ? AND o.id < ? ORDER BY o.id`,
		tables.RecordKey(of, 0), tables.RecordKey(of+1, 0))
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var p place
		if err := rows.Scan(&p.n, &p.span, &p.first, &p.from, &p.seq, &p.session); err != nil {
			return nil, err
		}
		p.n = tables.RecordNumber(p.n)
		out = append(out, p)
	}
	return out, rows.Err()
}

// edges returns the place behind the last record that was on the card, and that of the last one
// which every outlet has sent. It is not ok where the file does not know of the session that wrote
// last.
func (b *Outbox) edges(tx *sql.Tx, of Stream, lost *Entry) (end, sent place, ok bool, err error) {
	b.opts.Lock.Lock()
	st := b.streams[of]
	end = place{n: st.nextN, from: int64(st.next), first: 1}
	for e := range b.opts.Card.Waiting() { // not on the card yet
		if e.Stream == of {
			end.n, end.from = e.n, int64(e.from)
			break
		}
	}
	sent.n = end.n - 1
	for _, o := range b.outlets {
		sent.n = min(sent.n, o.cursors[of].sent)
	}
	b.opts.Lock.Unlock()
	query, args := "SELECT ord, session FROM sound_spans ORDER BY ord DESC LIMIT 1", []any{}
	if lost != nil {
		end.n, end.from, end.first = lost.n+1, int64(lost.Seq)+1, int64(lost.first)
		query, args = "SELECT ord, session FROM sound_spans WHERE session = ? ORDER BY ord DESC LIMIT 1",
			[]any{b.opts.Session}
	}
	if err = tx.QueryRow(query, args...).Scan(&end.span, &end.session); errors.Is(err, sql.ErrNoRows) {
		return end, sent, false, nil
	}
	if err != nil || lost != nil {
		return end, sent, err == nil, err
	}
	var first sql.NullInt64
	err = tx.QueryRow(`SELECT max(o.first_seq) FROM sound_outbox o JOIN sound_spans p ON p.ord = o.span
		WHERE o.id > ? AND o.id < ? AND p.session = ?`,
		tables.RecordKey(of, 0), tables.RecordKey(of+1, 0), end.session).Scan(&first)
	end.first = max(end.first, first.Int64)
	return end, sent, err == nil, err
}
