package store

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"liftbank/agent/readings"
)

// tidyEvery is how often the store deletes what is too old, too much or done.
const tidyEvery = time.Hour

// tidy deletes what need not be stored, a limited number of rows at a time, and measures the file.
func (s *Store) tidy() {
	if s.db == nil || s.isDown() {
		return
	}
	s.measure()
	if s.opts.Now().Sub(s.lastTidy) < tidyEvery && s.Health().SizeBytes <= s.opts.Limits.FileBytes {
		return
	}
	s.lastTidy = s.opts.Now()
	if err := s.tidyAll(); err != nil {
		s.fault(fmt.Errorf("store: tidy: %w", err))
	}
	s.measure()
}

// perTidy bounds what one tidy deletes from one table: an hour adds less.
const perTidy = 5000

func (s *Store) tidyAll() error {
	l := &s.opts.Limits
	tx, err := s.db.BeginTx(context.Background(), nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // does nothing after Commit
	for _, keep := range []struct {
		table string
		rows  int64
	}{
		{"minutes", int64(l.Minutes / readings.Step)}, {"tens", int64(l.Tens / (10 * time.Minute))},
		{"hours", int64(l.Hours / time.Hour)},
		{"runs", int64(l.Runs)}, {"details", int64(l.RunDetails)}, {"findings", int64(l.Findings)},
	} {
		if _, err := tx.Exec(fmt.Sprintf(`DELETE FROM %[1]s WHERE id IN (SELECT id FROM %[1]s
			WHERE id <= (SELECT id FROM %[1]s ORDER BY id DESC LIMIT 1 OFFSET ?) LIMIT ?)`, keep.table),
			keep.rows, perTidy); err != nil {
			return err
		}
	}
	if err := s.tidyOutbox(tx); err != nil {
		return err
	}
	if err := s.shrink(tx); err != nil {
		return err
	}
	if _, err := tx.Exec(`DELETE FROM spans WHERE ord < (SELECT min(o) FROM (SELECT min(id) >> 40 AS o FROM minutes
		UNION ALL SELECT min(id) >> 40 FROM tens UNION ALL SELECT min(id) >> 40 FROM hours
		UNION ALL SELECT min(id) >> 40 FROM runs UNION ALL SELECT min(id) >> 40 FROM findings
		UNION ALL SELECT min(span) FROM outbox))`); err != nil {
		return err
	}
	if _, err := tx.Exec("DELETE FROM receipts WHERE session NOT IN (SELECT session FROM spans)"); err != nil {
		return err
	}
	if _, err := tx.Exec("INSERT OR REPLACE INTO meta VALUES('ran_ms', ?)",
		s.totalRunTime().Milliseconds()); err != nil {
		return err
	}
	if err := tx.Commit(); err != nil {
		return err
	}
	_, err = s.db.Exec("PRAGMA incremental_vacuum(256)")
	return err
}

// tidyOutbox deletes records that every outlet is done with. Then it makes room by the oldest
// batches of readings, and if that isn't enough the oldest runs, each time leaving a gap that says
// so.
func (s *Store) tidyOutbox(tx *sql.Tx) error {
	for i := range streamCount {
		for _, o := range s.outlets {
			if err := o.age(tx, i); err != nil {
				return err
			}
		}
		if err := s.drop(tx, i); err != nil {
			return err
		}
	}
	for _, give := range []Stream{Readings, Runs} {
		if err := s.giveUp(tx, give); err != nil {
			return err
		}
	}
	return nil
}

// giveUp replaces the oldest records of a stream by one gap until the outbox fits.
func (s *Store) giveUp(tx *sql.Tx, of Stream) error {
	var held int64
	if err := tx.QueryRow("SELECT coalesce(sum(length(body)), 0) FROM outbox").Scan(&held); err != nil {
		return err
	}
	over := held - s.opts.Limits.OutboxBytes
	if over <= 0 {
		return nil
	}
	over += s.opts.Limits.OutboxBytes / 10 // some air, so that it isn't one gap an hour
	rows, err := tx.Query("SELECT id, span, seq, length(body), gap FROM outbox WHERE id > ? AND id < ? ORDER BY id",
		outboxKey(of, 0), outboxKey(of+1, 0))
	if err != nil {
		return err
	}
	defer rows.Close()
	type gap struct{ firstID, lastID, span, seq, records int64 }
	var gaps []gap
	for rows.Next() && over > 0 {
		var id, span, seq, size int64
		var why string
		if err := rows.Scan(&id, &span, &seq, &size, &why); err != nil {
			return err
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
		return err
	}
	if err := rows.Close(); err != nil {
		return err
	}
	for _, g := range gaps {
		if _, err := tx.Exec(`UPDATE outbox SET body = x'', gap = 'no room on the card',
			from_seq = (SELECT min(from_seq) FROM outbox WHERE id BETWEEN ?1 AND ?2) WHERE id = ?2`,
			g.firstID, g.lastID); err != nil {
			return err
		}
		if _, err := tx.Exec("DELETE FROM outbox WHERE id >= ? AND id < ?", g.firstID, g.lastID); err != nil {
			return err
		}
		s.mu.Lock()
		s.health.Lost += uint64(g.records)
		s.mu.Unlock()
	}
	return nil
}

// shrink deletes the oldest minutes, then the oldest first seconds, while the file is over its
// limit.
func (s *Store) shrink(tx *sql.Tx) error {
	used, err := s.used(tx)
	if err != nil || used <= s.opts.Limits.FileBytes {
		return err
	}
	for _, table := range []string{"minutes", "details", "tens"} {
		if _, err := tx.Exec(fmt.Sprintf(`DELETE FROM %[1]s WHERE id IN (SELECT id FROM %[1]s
			ORDER BY id LIMIT (SELECT count(*) / 5 FROM %[1]s))`, table)); err != nil {
			return err
		}
		if used, err = s.used(tx); err != nil || used <= s.opts.Limits.FileBytes {
			return err
		}
	}
	return nil
}

// rowQuerier is a database or a transaction.
type rowQuerier interface{ QueryRow(string, ...any) *sql.Row }

// used returns the bytes of the file that are in use.
func (s *Store) used(from rowQuerier) (int64, error) {
	var pages, free, size int64
	for _, q := range []struct {
		pragma string
		to     *int64
	}{{"page_count", &pages}, {"freelist_count", &free}, {"page_size", &size}} {
		if err := from.QueryRow("PRAGMA " + q.pragma).Scan(q.to); err != nil {
			return 0, err
		}
	}
	return (pages - free) * size, nil
}

// measure notes the file's size and the number of records stored.
func (s *Store) measure() {
	used, err := s.used(s.db)
	if err != nil {
		return // the next commit tells
	}
	var kept [streamCount]int64
	for i := range streamCount {
		row := s.db.QueryRow("SELECT count(*) FROM outbox WHERE id > ? AND id < ?", outboxKey(i, 0), outboxKey(i+1, 0))
		if err := row.Scan(&kept[i]); err != nil {
			return
		}
	}
	s.mu.Lock()
	s.health.SizeBytes, s.health.Kept = used, kept
	s.mu.Unlock()
}
