package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"time"

	"liftbank/agent/history"
	"liftbank/agent/readings"
	"liftbank/rules"
)

// op is one thing to be written. apply may be called again after a transaction that failed.
type op struct {
	priority priority
	bytes    int
	record   *record // the outbox record that this is, nil for anything else
	batch    bool    // makes batches of readings
	apply    func(tx *sql.Tx) error
}

// priority says what is dropped first when there is no room.
type priority uint8

const (
	lowPriority    priority = iota // aggregates and batches of them
	mediumPriority                 // runs
	highPriority                   // findings, visits: dropped only beyond twice the limit
)

// add queues things to be written. The caller holds s.mu.
func (s *Store) add(urgent bool, ops ...op) {
	for _, o := range ops {
		s.pending = append(s.pending, o)
		s.bytes += o.bytes
	}
	s.makeRoom()
	if urgent {
		notify(s.wake)
	}
	if s.down {
		s.notifyOutlets()
	}
}

// makeRoom drops the oldest of the lowest priority while more is pending than there may be. The
// caller holds s.mu.
func (s *Store) makeRoom() {
	for w := lowPriority; w <= highPriority; w++ {
		limit := s.opts.Limits.PendingBytes
		if w == highPriority {
			limit *= 2
		}
		if s.bytes <= limit {
			return
		}
		kept := s.pending[:s.writing] // these are being written
		for _, o := range s.pending[s.writing:] {
			if s.bytes <= limit || o.priority != w || o.record != nil && o.record.gap != "" {
				kept = append(kept, o)
				continue
			}
			s.bytes -= o.bytes
			s.health.Lost++
			if o.record == nil {
				continue
			}
			if n := len(kept); n > s.writing && kept[n-1].record != nil && kept[n-1].record.joins(o.record) {
				kept[n-1].record.to(o.record)
				continue
			}
			gap := s.gapOp(o.record, "no room in memory while the store could not be written")
			s.bytes += gap.bytes
			kept = append(kept, gap)
		}
		clear(s.pending[len(kept):])
		s.pending = kept
	}
}

// AddRow adds one minute's aggregate at now. The row's layout is that of the options.
func (s *Store) AddRow(now rules.Moment, r readings.Row) {
	data := readings.AppendRow(nil, r)
	s.mu.Lock()
	defer s.mu.Unlock()
	sp := s.at(now)
	s.add(false, op{priority: lowPriority, bytes: len(data) + opBytes, apply: func(tx *sql.Tx) error {
		return s.insertRow(tx, sp.ord, r.Start.Milliseconds(), data)
	}})
}

// opBytes is what a pending thing costs beside its data.
const opBytes = 150

// AddRun adds a motor run with its first second, in a form that is the caller's (it may be empty),
// and the run's record.
func (s *Store) AddRun(now rules.Moment, start time.Duration, r history.Run, detail, body []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	sp := s.at(now)
	s.add(true, op{priority: mediumPriority, bytes: len(detail) + opBytes, apply: func(tx *sql.Tx) error {
		id := key(sp.ord, start.Milliseconds())
		if _, err := tx.Exec("INSERT OR REPLACE INTO runs VALUES(?, ?, ?, ?)",
			id, int64(r.DurationS*1000), r.MeanA, r.PeakA); err != nil {
			return err
		}
		if len(detail) == 0 {
			return nil
		}
		_, err := tx.Exec("INSERT OR REPLACE INTO details VALUES(?, ?)", id, detail)
		return err
	}}, s.recordOp(now, Runs, body))
}

// RaiseFinding notes a finding's onset and adds its record. A finding that is active from before a
// restart continues.
func (s *Store) RaiseFinding(now rules.Moment, name, subject, severity string, body []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	sp := s.at(now)
	s.add(true, op{priority: highPriority, bytes: opBytes, apply: func(tx *sql.Tx) error {
		_, err := tx.Exec(`INSERT OR IGNORE INTO findings(id, name, subject, severity)
			SELECT coalesce((SELECT max(id) + 1 FROM findings WHERE id BETWEEN ?1 AND ?1 + 999), ?1), ?2, ?3, ?4
			WHERE NOT EXISTS (SELECT 1 FROM findings WHERE name = ?2 AND subject = ?3 AND ended IS NULL)`,
			key(sp.ord, now.Mono.Milliseconds()), name, subject, severity)
		return err
	}}, s.recordOp(now, Findings, body))
}

// ClearFinding notes a finding's end and adds its record.
func (s *Store) ClearFinding(now rules.Moment, name, subject string, body []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	sp := s.at(now)
	s.add(true, op{priority: highPriority, bytes: opBytes, apply: func(tx *sql.Tx) error {
		_, err := tx.Exec("UPDATE findings SET ended = ? WHERE name = ? AND subject = ? AND ended IS NULL",
			key(sp.ord, now.Mono.Milliseconds()), name, subject)
		return err
	}}, s.recordOp(now, Findings, body))
}

// Condition is a finding's name and subject.
type Condition struct{ Name, Subject string }

// ClearAllBut ends every active finding of the history that is not in the list: those of an earlier
// start whose state was lost.
func (s *Store) ClearAllBut(now rules.Moment, standing []Condition) {
	s.mu.Lock()
	defer s.mu.Unlock()
	sp := s.at(now)
	s.add(false, op{priority: highPriority, bytes: opBytes, apply: func(tx *sql.Tx) error {
		rows, err := tx.Query("SELECT id, name, subject FROM findings WHERE ended IS NULL")
		if err != nil {
			return err
		}
		defer rows.Close()
		var over []int64
		for rows.Next() {
			var id int64
			var name, subject string
			if err := rows.Scan(&id, &name, &subject); err != nil {
				return err
			}
			if !slices.Contains(standing, Condition{name, subject}) {
				over = append(over, id)
			}
		}
		if err := errors.Join(rows.Err(), rows.Close()); err != nil {
			return err
		}
		for _, id := range over {
			if _, err := tx.Exec("UPDATE findings SET ended = ? WHERE id = ?",
				key(sp.ord, now.Mono.Milliseconds()), id); err != nil {
				return err
			}
		}
		return nil
	}})
}

// query has the goroutine of Run read from the file, after writing what waits. Without a file there
// is nothing to read.
func (s *Store) query(ctx context.Context, do func(*sql.DB) error) error {
	return s.ask(ctx, func() error {
		s.commit()
		if s.db == nil {
			return nil
		}
		return do(s.db)
	})
}

// commit writes what waits in one transaction. What can't be written keeps waiting.
func (s *Store) commit() {
	s.mu.Lock()
	idle := len(s.pending) == 0 && !s.dirty && !s.down
	s.mu.Unlock()
	if idle && s.db != nil {
		return
	}
	if s.db == nil || s.isDown() {
		if err := s.reopen(); err != nil {
			s.fault(err)
			return
		}
	}
	n, err := s.write()
	if err != nil {
		if isDamage(err) {
			s.abandonFile(err)
		}
		s.fault(err)
		return
	}
	s.committed(n)
}

// committed removes the first n things from the list.
func (s *Store) committed(n int) {
	s.mu.Lock()
	s.writing = 0
	for _, o := range s.pending[:n] {
		s.bytes -= o.bytes
	}
	rest := len(s.pending) - n
	copy(s.pending, s.pending[n:])
	clear(s.pending[rest:])
	s.pending = s.pending[:rest]
	if rest == 0 && cap(s.pending) > 1024 {
		s.pending = nil // it was long while the card could not be written
	}
	s.health.Commits++
	was := s.health.Problem
	s.down = false
	if was != "" {
		s.health.Problem, s.health.Detail, s.health.Since = "", "", s.opts.Now()
	}
	s.mu.Unlock()
	if was != "" {
		s.opts.Log.Info("store can be written again", "dir", s.opts.Dir, "was", was)
	}
	s.notifyOutlets()
}

// write does one transaction with everything that waits and returns how many things that was.
func (s *Store) write() (n int, err error) {
	s.mu.Lock()
	ops := append([]op(nil), s.pending...)
	s.writing, s.dirty = len(ops), false
	known := map[*span]bool{}
	for _, sp := range s.spans {
		known[sp] = sp.ord != 0
	}
	rolled, given := s.rolled, s.streams // the numbers of what is in ops, none of a record that comes meanwhile
	s.numbered = false
	s.mu.Unlock()
	tx, err := s.db.BeginTx(context.Background(), nil)
	if err == nil {
		if err = s.writeAll(tx, ops, &given); err == nil {
			err = tx.Commit()
		}
		if err != nil {
			_ = tx.Rollback() // the first error is the one that matters
		}
	}
	if err == nil {
		return len(ops), nil
	}
	s.revertSpans(known)
	s.rolled = rolled
	s.mu.Lock()
	if s.numbered { // by batches that were made within the transaction
		s.streams[Readings].next, s.streams[Readings].nextID = given[Readings].next, given[Readings].nextID
	}
	s.writing, s.dirty = 0, true
	for i := range s.streams {
		s.streams[i].changed = true
		for _, o := range s.outlets {
			o.cursors[i].changed = true
		}
	}
	s.mu.Unlock()
	return 0, fmt.Errorf("store: write: %w", err)
}

func (s *Store) writeAll(tx *sql.Tx, ops []op, given *[streamCount]stream) error {
	if err := s.writeSpans(tx); err != nil {
		return err
	}
	for i := range ops {
		if err := ops[i].apply(tx); err != nil {
			return err
		}
	}
	return s.writeStreams(tx, given)
}

// reopen opens the file again after it could not be written.
func (s *Store) reopen() error {
	if s.db != nil {
		if s.opts.Dir == "" {
			return nil
		}
		_ = s.db.Close() // it is no use, whatever it says
		s.db = nil
	}
	return s.attach()
}

// abandonFile closes a file that turned out to be damaged while it was used; the next attempt
// renames it. Records that were not sent are lost with it, and gaps in the outbox say so.
func (s *Store) abandonFile(err error) {
	_ = s.db.Close() // see revive
	s.db = nil
	if s.opts.Dir == "" {
		return
	}
	if err := s.setAside(err); err != nil {
		s.opts.Log.Error("damaged store can't be renamed", "err", err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := range s.streams {
		s.lostFile(Stream(i))
	}
	for _, sp := range s.spans {
		sp.ord, sp.changed = 0, true
	}
	s.rolled = rollup{}
}

// finish closes the file at the end.
func (s *Store) finish() {
	if s.db == nil {
		return
	}
	if !s.isDown() {
		ran := s.totalRunTime().Milliseconds()
		if _, err := s.db.Exec("INSERT OR REPLACE INTO meta VALUES('ran_ms', ?)", ran); err != nil {
			s.opts.Log.Warn("store: save running time", "err", err)
		}
	}
	if err := s.db.Close(); err != nil {
		s.opts.Log.Warn("store: close", "err", err)
	}
	s.db = nil
}
