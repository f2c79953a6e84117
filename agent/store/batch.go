package store

import (
	"database/sql"
	"errors"
	"time"

	"liftbank/agent/readings"
	"liftbank/rules"
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

// BatchReadings makes records of the stream readings from all minutes on the card that are in none
// yet, those of earlier sessions included. Minutes, records and the note of how far it went are one
// transaction, so each minute is sent once. encode returns a record's body; the goroutine of Run
// calls it. Nothing else may add to the stream.
func (s *Store) BatchReadings(now rules.Moment, encode func(Batch) ([]byte, error)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := range s.pending {
		if s.pending[i].batch {
			return // one waits already, and takes all that is there
		}
	}
	sp := s.at(now)
	s.add(true, op{priority: highPriority, bytes: opBytes, batch: true, apply: func(tx *sql.Tx) error {
		return s.batch(tx, now, sp, encode)
	}})
}

func (s *Store) batch(tx *sql.Tx, now rules.Moment, sp *span, encode func(Batch) ([]byte, error)) error {
	var done int64
	row := tx.QueryRow("SELECT value FROM meta WHERE name = 'batched'")
	if err := row.Scan(&done); err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	from := done
	for {
		b, last, err := s.nextBatch(tx, done)
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
		body, err := encode(b)
		if err != nil {
			s.opts.Log.Error("minutes can't be sent", "err", err)
			continue
		}
		s.mu.Lock()
		o := s.recordOp(now, Readings, body)
		o.record.span = sp
		s.numbered = true
		s.mu.Unlock()
		if err := o.record.insert(s)(tx); err != nil {
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
func (s *Store) nextBatch(tx *sql.Tx, after int64) (b Batch, last int64, err error) {
	last = after
	rows, err := tx.Query(`SELECT m.id, m.data, l.series, p.session, p.off_ms, p.trusted
		FROM minutes m JOIN layouts l ON l.id = m.layout JOIN spans p ON p.ord = m.id >> 40
		WHERE m.id > ? ORDER BY m.id LIMIT ?`, after, batchBins)
	if err != nil {
		return b, last, err
	}
	defer rows.Close()
	var series string
	for rows.Next() {
		var id, off int64
		var data sql.RawBytes
		var text, session string
		var trusted bool
		if err := rows.Scan(&id, &data, &text, &session, &off, &trusted); err != nil {
			return b, last, err
		}
		start := time.Duration(id&monoMask) * time.Millisecond
		if last != after && (text != series || id>>spanShift != last>>spanShift ||
			start-b.Start >= batchBins*readings.Step) {
			break
		}
		if last == after {
			series = text
			if b.Layout, err = seriesIn(text); err != nil {
				return b, last, err
			}
			b.Session, b.Start = session == s.opts.Session, start
			b.At, b.Trusted = time.UnixMilli(id&monoMask+off).UTC(), trusted
		}
		last = id
		if r, err := readings.ParseRow(len(b.Layout), data); err == nil {
			r.Start = start
			b.Rows = append(b.Rows, r)
		}
	}
	return b, last, rows.Err()
}
