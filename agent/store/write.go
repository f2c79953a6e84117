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
	worth  worth
	bytes  int
	record *record // the outbox record that this is, nil for anything else
	batch  bool    // makes batches of readings
	apply  func(tx *sql.Tx) error
}

// worth says what goes first when there is no room.
type worth uint8

const (
	cheap  worth = iota // aggregates and batches of them
	dear                // runs
	prized              // findings, visits: given up only beyond twice the bound
)

// add queues things to be written. The caller holds s.mu.
func (s *Store) add(urgent bool, ops ...op) {
	for _, o := range ops {
		s.pending = append(s.pending, o)
		s.bytes += o.bytes
	}
	s.makeRoom()
	if urgent {
		poke(s.wake)
	}
	if s.down {
		poke(s.news)
	}
}

// makeRoom gives up the oldest of what is worth least while more is pending than there may be. The caller holds s.mu.
func (s *Store) makeRoom() {
	for w := cheap; w <= prized; w++ {
		limit := s.opts.Limits.PendingBytes
		if w == prized {
			limit *= 2
		}
		if s.bytes <= limit {
			return
		}
		kept := s.pending[:s.writing] // those are being written
		for _, o := range s.pending[s.writing:] {
			if s.bytes <= limit || o.worth != w || o.record != nil && o.record.gap != "" {
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
			gap := s.gapOp(o.record, "no room in memory while the store took nothing")
			s.bytes += gap.bytes
			kept = append(kept, gap)
		}
		clear(s.pending[len(kept):])
		s.pending = kept
	}
}

// AddRow adds one minute's aggregate, taken at now. The row's layout is that of the options.
func (s *Store) AddRow(now rules.Moment, r readings.Row) {
	data := readings.AppendRow(nil, r)
	s.mu.Lock()
	defer s.mu.Unlock()
	sp := s.at(now)
	s.add(false, op{worth: cheap, bytes: len(data) + opBytes, apply: func(tx *sql.Tx) error {
		return s.insertRow(tx, sp.ord, r.Start.Milliseconds(), data)
	}})
}

// opBytes is what a thing that waits costs beside its data.
const opBytes = 150

// AddRun adds a motor run with its first second, in a form that is the caller's (it may be empty), and the record that tells the fleet.
func (s *Store) AddRun(now rules.Moment, start time.Duration, r history.Run, detail, body []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	sp := s.at(now)
	s.add(true, op{worth: dear, bytes: len(detail) + opBytes, apply: func(tx *sql.Tx) error {
		id := key(sp.ord, start.Milliseconds())
		if _, err := tx.Exec("INSERT OR REPLACE INTO runs VALUES(?, ?, ?, ?)", id, int64(r.DurationS*1000), r.MeanA, r.PeakA); err != nil {
			return err
		}
		if len(detail) == 0 {
			return nil
		}
		_, err := tx.Exec("INSERT OR REPLACE INTO details VALUES(?, ?)", id, detail)
		return err
	}}, s.recordOp(now, Runs, body))
}

// RaiseFinding notes a finding's onset, with the record that tells the fleet. One that stands already, from before a restart, goes on.
func (s *Store) RaiseFinding(now rules.Moment, name, subject, severity string, body []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	sp := s.at(now)
	s.add(true, op{worth: prized, bytes: opBytes, apply: func(tx *sql.Tx) error {
		_, err := tx.Exec(`INSERT OR IGNORE INTO findings(id, name, subject, severity)
			SELECT coalesce((SELECT max(id) + 1 FROM findings WHERE id BETWEEN ?1 AND ?1 + 999), ?1), ?2, ?3, ?4
			WHERE NOT EXISTS (SELECT 1 FROM findings WHERE name = ?2 AND subject = ?3 AND ended IS NULL)`,
			key(sp.ord, now.Mono.Milliseconds()), name, subject, severity)
		return err
	}}, s.recordOp(now, Findings, body))
}

// ClearFinding notes a finding's end, with the record that tells the fleet.
func (s *Store) ClearFinding(now rules.Moment, name, subject string, body []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	sp := s.at(now)
	s.add(true, op{worth: prized, bytes: opBytes, apply: func(tx *sql.Tx) error {
		_, err := tx.Exec("UPDATE findings SET ended = ? WHERE name = ? AND subject = ? AND ended IS NULL", key(sp.ord, now.Mono.Milliseconds()), name, subject)
		return err
	}}, s.recordOp(now, Findings, body))
}

// Condition is a finding's name and what it is of.
type Condition struct{ Name, Subject string }

// Standing ends every finding in the history that stands there and isn't among those given: of a start that didn't bring its state along.
func (s *Store) Standing(now rules.Moment, standing []Condition) {
	s.mu.Lock()
	defer s.mu.Unlock()
	sp := s.at(now)
	s.add(false, op{worth: prized, bytes: opBytes, apply: func(tx *sql.Tx) error {
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
			if _, err := tx.Exec("UPDATE findings SET ended = ? WHERE id = ?", key(sp.ord, now.Mono.Milliseconds()), id); err != nil {
				return err
			}
		}
		return nil
	}})
}

// PutVisit keeps one revision of a visit and puts it into the outbox. It returns once the card has it, or with the reason why not; the
// document is then still held in memory and written when the card takes something again.
func (s *Store) PutVisit(ctx context.Context, now rules.Moment, id string, revision int64, document []byte) error {
	s.mu.Lock()
	at := now.Mono.Milliseconds() + s.at(now).offMS
	s.add(true, op{worth: prized, bytes: len(document) + opBytes, apply: func(tx *sql.Tx) error {
		_, err := tx.Exec("INSERT OR REPLACE INTO visits VALUES(?, ?, ?, ?)", id, revision, at, document)
		return err
	}}, s.recordOp(now, Visits, document))
	s.mu.Unlock()
	return s.Flush(ctx)
}

// Visit is one kept revision of a visit.
type Visit struct {
	ID       string
	Revision int64
	At       time.Time // when it was put, by the unit's clock then
	Document []byte
}

// Visits gives the newest revision of each visit, the latest first, at most n.
func (s *Store) Visits(ctx context.Context, n int) (out []Visit, err error) {
	err = s.query(ctx, func(db *sql.DB) error {
		out, err = visits(db, "SELECT id, max(revision), at_ms, document FROM visits GROUP BY id ORDER BY at_ms DESC, id LIMIT ?", n)
		return err
	})
	return out, err
}

// Revisions gives every revision of one visit, oldest first.
func (s *Store) Revisions(ctx context.Context, id string) (out []Visit, err error) {
	err = s.query(ctx, func(db *sql.DB) error {
		out, err = visits(db, "SELECT id, revision, at_ms, document FROM visits WHERE id = ? ORDER BY revision", id)
		return err
	})
	return out, err
}

func visits(db *sql.DB, query string, arg any) (out []Visit, err error) {
	rows, err := db.Query(query, arg)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var v Visit
		var at int64
		if err := rows.Scan(&v.ID, &v.Revision, &at, &v.Document); err != nil {
			return nil, err
		}
		v.At = time.UnixMilli(at).UTC()
		out = append(out, v)
	}
	return out, rows.Err()
}

// query has the goroutine of Run read from the file, after what waits was written. Without a file there is nothing to read.
func (s *Store) query(ctx context.Context, do func(*sql.DB) error) error {
	return s.ask(ctx, func() error {
		s.commit()
		if s.db == nil {
			return nil
		}
		return do(s.db)
	})
}

// commit writes what waits in one transaction. What fails to be written goes on waiting.
func (s *Store) commit() {
	s.mu.Lock()
	idle := len(s.pending) == 0 && !s.dirty && !s.down
	s.mu.Unlock()
	if idle && s.db != nil {
		return
	}
	if s.db == nil || s.isDown() {
		if err := s.revive(); err != nil {
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

// committed takes the first n things off the list.
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
		s.pending = nil // it was long while the card took nothing
	}
	s.health.Commits++
	was := s.health.Problem
	s.down = false
	if was != "" {
		s.health.Problem, s.health.Detail, s.health.Since = "", "", s.opts.Now()
	}
	s.mu.Unlock()
	if was != "" {
		s.opts.Log.Info("store takes things again", "dir", s.opts.Dir, "was", was)
	}
	poke(s.news)
}

// write does one transaction with the first n things that wait, and the rest that is to be written.
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
			_ = tx.Rollback() // the first error is the one that tells
		}
	}
	if err == nil {
		return len(ops), nil
	}
	s.unwriteSpans(known)
	s.rolled = rolled
	s.mu.Lock()
	if s.numbered { // by batches that were made within the transaction
		s.streams[Readings].next, s.streams[Readings].nextID = given[Readings].next, given[Readings].nextID
	}
	s.writing, s.dirty = 0, true
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

// revive opens the file again after it took nothing.
func (s *Store) revive() error {
	if s.db != nil {
		if s.opts.Dir == "" {
			return nil
		}
		_ = s.db.Close() // it is no use, whatever it says
		s.db = nil
	}
	return s.attach()
}

// abandonFile closes a file that turned out to be damaged while it was used; the next attempt sets it aside. Records that nobody has
// acknowledged are gone with it, and the outbox says so.
func (s *Store) abandonFile(err error) {
	_ = s.db.Close() // see revive
	s.db = nil
	if s.opts.Dir == "" {
		return
	}
	if err := s.setAside(err); err != nil {
		s.opts.Log.Error("damaged store can't be set aside", "err", err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := range s.streams {
		s.streams[i].lostFile(s, Stream(i))
	}
	for _, sp := range s.spans {
		sp.ord, sp.changed = 0, true
	}
	s.rolled = roll{}
}

// finish closes the file at the end.
func (s *Store) finish() {
	if s.db == nil {
		return
	}
	if !s.isDown() {
		if _, err := s.db.Exec("INSERT OR REPLACE INTO meta VALUES('ran_ms', ?)", s.ran().Milliseconds()); err != nil {
			s.opts.Log.Warn("store: note running time", "err", err)
		}
	}
	if err := s.db.Close(); err != nil {
		s.opts.Log.Warn("store: close", "err", err)
	}
	s.db = nil
}
