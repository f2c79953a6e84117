package store

import (
	"database/sql"
	"slices"
	"time"

	"liftbank/agent/history"
	"liftbank/agent/readings"
	"liftbank/agent/store/outbox"
	"liftbank/agent/store/past"
	"liftbank/agent/store/queue"
	"liftbank/agent/store/tables"
	"liftbank/rules"
)

// add queues things to be written. The caller holds s.mu.
func (s *Store) add(urgent bool, ops ...queue.Op) {
	s.health.Lost += s.queue.Add(ops...)
	if urgent {
		s.card.wakeUp()
	}
	if s.down {
		s.outbox.Notify()
	}
}

// record numbers a record. The caller holds s.mu until it is added.
func (s *Store) record(now rules.Moment, to outbox.Stream, body []byte) queue.Op {
	return queue.Record(s.outbox.Number(now, s.spans.At(now), to, body))
}

// Observe tells the store what the clocks show while nothing is added, so that a clock that becomes
// trusted is noticed at once.
func (s *Store) Observe(m rules.Moment) { s.spans.Observe(m) }

// AddRecord gives a record its number and puts it into the outbox. The body is the caller's form.
func (s *Store) AddRecord(now rules.Moment, to outbox.Stream, body []byte) (seq uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	e := s.outbox.Number(now, s.spans.At(now), to, body)
	s.add(to != outbox.Readings, queue.Record(e))
	return e.Seq
}

// AddRow adds one minute's aggregate at now. The row's layout is that of the options.
func (s *Store) AddRow(now rules.Moment, r readings.Row) {
	data := readings.AppendRow(nil, r)
	s.mu.Lock()
	defer s.mu.Unlock()
	sp := s.spans.At(now)
	s.add(false, queue.Op{Priority: queue.Low, Bytes: len(data), Apply: func(tx *sql.Tx) error {
		return s.card.rows.Add(tx, sp.Ord(), r.Start, data)
	}})
}

// AddRun adds a motor run with its first second, in a form that is the caller's (it may be empty),
// and the run's record.
func (s *Store) AddRun(now rules.Moment, start time.Duration, r history.Run, detail, body []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	sp := s.spans.At(now)
	s.add(true, queue.Op{Priority: queue.Medium, Bytes: len(detail), Apply: func(tx *sql.Tx) error {
		return past.AddRun(tx, tables.Key(sp.Ord(), start.Milliseconds()), r, detail)
	}}, s.record(now, outbox.Runs, body))
}

// RaiseFinding notes a finding's onset and adds its record. A finding that is active from before a
// restart continues.
func (s *Store) RaiseFinding(now rules.Moment, name, subject, severity string, body []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.add(true, s.finding(now, func(tx *sql.Tx, at int64) error {
		return past.RaiseFinding(tx, at, past.Condition{Name: name, Subject: subject}, severity)
	}), s.record(now, outbox.Findings, body))
}

// ClearFinding notes a finding's end and adds its record.
func (s *Store) ClearFinding(now rules.Moment, name, subject string, body []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.add(true, s.finding(now, func(tx *sql.Tx, at int64) error {
		return past.ClearFinding(tx, at, past.Condition{Name: name, Subject: subject})
	}), s.record(now, outbox.Findings, body))
}

// ClearAllBut ends every active finding of the history that is not in the list: those of an earlier
// start whose state was lost.
func (s *Store) ClearAllBut(now rules.Moment, standing []past.Condition) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.add(false, s.finding(now, func(tx *sql.Tx, at int64) error {
		active, err := past.ActiveFindings(tx)
		if err != nil {
			return err
		}
		for _, c := range active {
			if slices.Contains(standing, c) {
				continue
			}
			if err := past.ClearFinding(tx, at, c); err != nil {
				return err
			}
		}
		return nil
	}))
}

// finding returns what changes the findings of the history at a moment. The caller holds s.mu.
func (s *Store) finding(now rules.Moment, apply func(tx *sql.Tx, at int64) error) queue.Op {
	sp := s.spans.At(now)
	return queue.Op{Priority: queue.High, Apply: func(tx *sql.Tx) error {
		return apply(tx, tables.Key(sp.Ord(), now.Mono.Milliseconds()))
	}}
}

// BatchReadings makes records of the stream readings from all minutes on the card that are in none
// yet, those of earlier sessions included. Minutes, records and the note of how far it went are one
// transaction, so each minute is sent once. encode returns a record's body; the goroutine of Run
// calls it. Nothing else may add to the stream.
func (s *Store) BatchReadings(now rules.Moment, encode func(past.Batch) ([]byte, error)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.queue.DropBatches() // this one takes what they would have, and what was added since
	sp := s.spans.At(now)
	s.add(true, queue.Op{Priority: queue.High, Batch: true, Apply: func(tx *sql.Tx) error {
		return past.Batches(tx, s.opts.Session, func(b past.Batch) error {
			body, err := encode(b)
			if err != nil {
				s.opts.Log.Error("minutes can't be sent", "err", err)
				return nil
			}
			return s.outbox.WriteReadings(tx, now, sp, body)
		})
	}})
}
