package past

import (
	"database/sql"
	"errors"
	"time"

	"liftbank/agent/readings"
	"liftbank/agent/store/tables"
)

// Batch is a span of minutes that is sent in one record.
type Batch struct {
	Layout  readings.Layout
	Rows    []readings.Row
	Session bool          // of this session: only Start is set, and its time of day may still be corrected
	Start   time.Duration // of the first row
	At      time.Time     // of the first row, by what is known of an earlier session
	Trusted bool          // whether At comes from a clock known to be set
}

// batchBins bounds one batch: after a time without, several are made.
const batchBins = 240

// Batches gives take all minutes on the card that it was not given yet, those of earlier sessions
// included, and notes in the same transaction how far it went.
func Batches(tx *sql.Tx, session string, take func(Batch) error) error {
	var done int64
	row := tx.QueryRow("SELECT value FROM meta WHERE name = 'batched'")
	if err := row.Scan(&done); err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	from := done
	for {
		b, last, err := nextBatch(tx, session, done)
		if err != nil {
			return err
		}
		if last == done {
			break
		}
		done = last
		if len(b.Rows) == 0 {
			continue
		}
		if err := take(b); err != nil {
			return err
		}
	}
	if done == from {
		return nil
	}
	_, err := tx.Exec("INSERT OR REPLACE INTO meta VALUES('batched', ?)", done)
	return err
}

// nextBatch returns the minutes after a key that fit into one batch, and the key of the last one.
// If there are none, that is the same key.
func nextBatch(tx *sql.Tx, session string, after int64) (b Batch, last int64, err error) {
	last = after
	rows, err := tx.Query(`SELECT m.id, m.data, l.series, p.session, p.off_ms, p.trusted
		FROM sound_minutes m JOIN sound_layouts l ON l.id = m.layout JOIN sound_spans p ON p.ord = m.id >> 40
		WHERE m.id > ? ORDER BY m.id LIMIT ?`, after, batchBins)
	if err != nil {
		return b, last, err
	}
	defer rows.Close()
	var series string
	for rows.Next() {
		var id, off int64
		var data sql.RawBytes
		var text, of string
		var trusted bool
		if err := rows.Scan(&id, &data, &text, &of, &off, &trusted); err != nil {
			return b, last, err
		}
		start := tables.Mono(id)
		if last != after && (text != series || tables.Span(id) != tables.Span(last) ||
			start-b.Start >= batchBins*readings.Step) {
			break
		}
		if last == after {
			series = text
			if b.Layout, err = ParseLayout(text); err != nil {
				return b, last, err
			}
			b.Session, b.Start = of == session, start
			b.At, b.Trusted = time.UnixMilli(tables.MonoMS(id)+off).UTC(), trusted
		}
		last = id
		if r, err := readings.ParseRow(len(b.Layout), data); err == nil {
			r.Start = start
			b.Rows = append(b.Rows, r)
		}
	}
	return b, last, rows.Err()
}
