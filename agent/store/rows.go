package store

import (
	"database/sql"
	"errors"
	"fmt"
	"time"

	"liftbank/agent/readings"
)

// tier is one width of aggregates.
type tier struct {
	table string
	width time.Duration
	from  string // the table that it is made of; "" for minutes
}

var tiers = [...]tier{
	{"minutes", readings.Step, ""},
	{"tens", 10 * time.Minute, "minutes"},
	{"hours", time.Hour, "tens"},
}

// rollup is the minute written last. Once one comes that lies in another ten minutes or another
// hour, those before are complete.
type rollup struct {
	ord    int64
	mono   time.Duration
	layout int64
	any    bool
}

func (s *Store) insertRow(tx *sql.Tx, ord, monoMS int64, data []byte) error {
	if _, err := tx.Exec("INSERT OR REPLACE INTO minutes VALUES(?, ?, ?)", key(ord, monoMS), s.layout,
		data); err != nil {
		return err
	}
	next := rollup{ord, time.Duration(monoMS) * time.Millisecond, s.layout, true}
	if err := s.rollup(tx, next); err != nil {
		return err
	}
	s.rolled = next
	return nil
}

// rollup writes the coarser aggregates that are complete now that a row at next is there.
func (s *Store) rollup(tx *sql.Tx, next rollup) error {
	last := s.rolled
	if !last.any {
		return nil
	}
	for _, t := range tiers[1:] {
		begin := last.mono.Truncate(t.width)
		if last.ord == next.ord && begin == next.mono.Truncate(t.width) {
			return nil // the wider ones are not complete either
		}
		if err := s.condense(tx, t, last, begin); err != nil {
			return err
		}
	}
	return nil
}

func (s *Store) condense(tx *sql.Tx, t tier, last rollup, begin time.Duration) error {
	ms := begin.Milliseconds()
	rows, err := tx.Query("SELECT data, (SELECT series FROM layouts WHERE layouts.id = layout) FROM "+t.from+
		" WHERE id >= ? AND id < ? AND layout = ?",
		key(last.ord, ms), key(last.ord, ms+t.width.Milliseconds()), last.layout)
	if err != nil {
		return err
	}
	defer rows.Close()
	var parts []readings.Row
	for rows.Next() {
		var data []byte
		var series string
		if err := rows.Scan(&data, &series); err != nil {
			return err
		}
		n, err := seriesIn(series)
		if err != nil {
			return err
		}
		if r, err := readings.ParseRow(len(n), data); err == nil { // skip one that can't be read
			parts = append(parts, r)
		}
	}
	if err := rows.Err(); err != nil || len(parts) == 0 {
		return err
	}
	if err := rows.Close(); err != nil {
		return err
	}
	_, err = tx.Exec("INSERT OR REPLACE INTO "+t.table+" VALUES(?, ?, ?)",
		key(last.ord, ms), last.layout, readings.AppendRow(nil, readings.Merge(begin, parts)))
	return err
}

// loadRows finds the minute written last, so that the next one closes what a crash left open.
func (s *Store) loadRows(db *sql.DB) error {
	if s.rolled.any {
		return nil
	}
	var id, layout int64
	err := db.QueryRow("SELECT id, layout FROM minutes ORDER BY id DESC LIMIT 1").Scan(&id, &layout)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("store: rows: %w", err)
	}
	s.rolled = rollup{id >> spanShift, time.Duration(id&monoMask) * time.Millisecond, layout, true}
	return nil
}
