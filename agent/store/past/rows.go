// Package past keeps a unit's past in the file: aggregates in tiers (a minute, ten minutes, an
// hour), motor runs with their first second, findings from onset to end. Package window reads it.
package past

import (
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"liftbank/agent/readings"
	"liftbank/agent/store/tables"
)

// Tier is one width of aggregates.
type Tier struct {
	Table string
	Width time.Duration
	from  string // the table that it is made of; "" for minutes
}

// Tiers are all widths, the narrowest first.
var Tiers = [...]Tier{
	{"minutes", readings.Step, ""},
	{"tens", 10 * time.Minute, "minutes"},
	{"hours", time.Hour, "tens"},
}

// Rows writes minutes, and the coarser aggregates once they are complete. It belongs to one
// goroutine.
type Rows struct {
	layout int64 // id of the layout in the file
	last   Mark
}

// Mark is the minute written last. Once one comes that lies in another ten minutes or another
// hour, those before are complete.
type Mark struct {
	span   int64
	mono   time.Duration
	layout int64
	any    bool
}

// Load reads what a start needs: the layout's place in the file, and the minute written last, so
// that the next one closes what a crash left open.
func (r *Rows) Load(db *sql.DB, l readings.Layout) error {
	series, err := json.Marshal(l)
	if err != nil {
		return fmt.Errorf("store: layout: %w", err)
	}
	if _, err := db.Exec("INSERT OR IGNORE INTO layouts(series) VALUES(?)", string(series)); err != nil {
		return fmt.Errorf("store: layout: %w", err)
	}
	if err := db.QueryRow("SELECT id FROM layouts WHERE series = ?", string(series)).Scan(&r.layout); err != nil {
		return fmt.Errorf("store: layout: %w", err)
	}
	if r.last.any {
		return nil
	}
	var id, layout int64
	err = db.QueryRow("SELECT id, layout FROM minutes ORDER BY id DESC LIMIT 1").Scan(&id, &layout)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("store: rows: %w", err)
	}
	r.last = Mark{tables.Span(id), tables.Mono(id), layout, true}
	return nil
}

// ParseLayout reads a layout as the file has it.
func ParseLayout(text string) (l readings.Layout, err error) {
	err = json.Unmarshal([]byte(text), &l)
	return l, err
}

// Last returns the minute written last, for [Rows.Revert].
func (r *Rows) Last() Mark { return r.last }

// Revert goes back to a mark: the transaction failed that wrote what came after it.
func (r *Rows) Revert(to Mark) { r.last = to }

// Forget notes that the file is gone.
func (r *Rows) Forget() { r.last = Mark{} }

// Add writes a minute of a span in the form of [readings.AppendRow].
func (r *Rows) Add(tx *sql.Tx, span int64, start time.Duration, data []byte) error {
	id := tables.Key(span, start.Milliseconds())
	if _, err := tx.Exec("INSERT OR REPLACE INTO minutes(id, layout, data) VALUES(?, ?, ?)", id, r.layout, data); err != nil {
		return err
	}
	next := Mark{span, start.Truncate(time.Millisecond), r.layout, true}
	if err := r.rollup(tx, next); err != nil {
		return err
	}
	r.last = next
	return nil
}

// rollup writes the coarser aggregates that are complete now that a row at next is there.
func (r *Rows) rollup(tx *sql.Tx, next Mark) error {
	last := r.last
	if !last.any {
		return nil
	}
	for _, t := range Tiers[1:] {
		begin := last.mono.Truncate(t.Width)
		if last.span == next.span && begin == next.mono.Truncate(t.Width) {
			return nil // the wider ones are not complete either
		}
		if err := condense(tx, t, last, begin); err != nil {
			return err
		}
	}
	return nil
}

func condense(tx *sql.Tx, t Tier, last Mark, begin time.Duration) error {
	ms := begin.Milliseconds()
	rows, err := tx.Query("SELECT data, (SELECT series FROM layouts WHERE layouts.id = layout) FROM sound_"+t.from+
		" WHERE id >= ? AND id < ? AND layout = ?",
		tables.Key(last.span, ms), tables.Key(last.span, ms+t.Width.Milliseconds()), last.layout)
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
		n, err := ParseLayout(series)
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
	_, err = tx.Exec("INSERT OR REPLACE INTO "+t.Table+"(id, layout, data) VALUES(?, ?, ?)",
		tables.Key(last.span, ms), last.layout, readings.AppendRow(nil, readings.Merge(begin, parts)))
	return err
}
