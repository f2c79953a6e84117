package store

import (
	"database/sql"
	"errors"
	"time"

	"liftbank/agent/readings"
	"liftbank/rules"
)

// Batch is a stretch of minutes that go to the fleet in one record.
type Batch struct {
	Layout  readings.Layout
	Rows    []readings.Row
	Session bool          // the minutes are of this session: Start is monotonic time, and its time of day may still be put right
	Start   time.Duration // of the first row
	At      time.Time     // of the first row, by what is known of an earlier session
	Trusted bool          // whether At comes from a clock known to be set
}

// batchBins bounds one batch: after a time without, several are made.
const batchBins = 240

// BatchReadings makes records of the stream readings from all minutes on the card that are in none yet, those of earlier sessions among
// them. Minutes, records and the note of how far it went are one transaction, so that each minute goes out once. encode gives a record's
// body; it is called by the goroutine of Run. Nothing else may add to the stream.
func (s *Store) BatchReadings(now rules.Moment, encode func(Batch) ([]byte, error)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := range s.pending {
		if s.pending[i].batch {
			return // one waits already, and takes all that is there
		}
	}
	sp := s.at(now)
	s.add(true, op{worth: prized, bytes: opBytes, batch: true, apply: func(tx *sql.Tx) error { return s.batch(tx, now, sp, encode) }})
}

func (s *Store) batch(tx *sql.Tx, now rules.Moment, sp *span, encode func(Batch) ([]byte, error)) error {
	var done int64
	if err := tx.QueryRow("SELECT value FROM meta WHERE name = 'batched'").Scan(&done); err != nil && !errors.Is(err, sql.ErrNoRows) {
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
		o.record.span, o.record.offMS = sp, sp.offMS
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

// nextBatch gives the minutes behind a key that fit into one batch, and the key of the last; that is the same key when there are none.
func (s *Store) nextBatch(tx *sql.Tx, after int64) (b Batch, last int64, err error) {
	last = after
	rows, err := tx.Query(`SELECT m.id, m.data, l.series, p.session, p.off_ms, p.trusted FROM minutes m JOIN layouts l ON l.id = m.layout
		JOIN spans p ON p.ord = m.id >> 40 WHERE m.id > ? ORDER BY m.id LIMIT ?`, after, batchBins)
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
		if last != after && (text != series || id>>spanShift != last>>spanShift || start-b.Start >= batchBins*readings.Step) {
			break
		}
		if last == after {
			series = text
			if b.Layout, err = seriesIn(text); err != nil {
				return b, last, err
			}
			b.Session, b.Start, b.Trusted, b.At = session == s.opts.Session, start, trusted, time.UnixMilli(id&monoMask+off).UTC()
		}
		last = id
		if r, err := readings.ParseRow(len(b.Layout), data); err == nil {
			r.Start = start
			b.Rows = append(b.Rows, r)
		}
	}
	return b, last, rows.Err()
}
