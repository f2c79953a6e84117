package file

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"strings"

	"liftbank/agent/store/tables"
)

// Salvaged is what came out of a damaged file.
type Salvaged struct {
	Rows map[string]int // by table
	Lost bool           // some part could not be read
}

// perPart bounds the rows that one transaction writes.
const perPart = 500

// Salvage copies the rows of a damaged file that are as they were written into a new one. Where
// the file can't be read it goes on behind the damage. It changes nothing that the new file has.
func Salvage(ctx context.Context, to *sql.DB, damaged string) (Salvaged, error) {
	out := Salvaged{Rows: map[string]int{}}
	from, err := openDamaged(damaged)
	if err != nil {
		return out, err
	}
	defer from.Close()
	var version int
	if err := from.QueryRow("PRAGMA user_version").Scan(&version); err != nil {
		return out, fmt.Errorf("store: salvage: %w", err)
	}
	if version < tables.WithCursors || version > tables.Newest {
		return out, fmt.Errorf("store: salvage: version %d: want %d to %d", version, tables.WithCursors, tables.Newest)
	}
	for _, t := range tables.Checked {
		s := salvage{ctx: ctx, from: from, to: to, table: t, checked: version >= tables.WithChecksums}
		n, lost, err := s.run()
		out.Rows[t.Name] = n
		out.Lost = out.Lost || lost
		if err != nil {
			return out, fmt.Errorf("store: salvage: %s: %w", t.Name, err)
		}
	}
	return out, nil
}

// openDamaged opens a damaged file to read what can be read of it.
func openDamaged(path string) (*sql.DB, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("store: salvage: %w", err)
	}
	db, err := sql.Open("sqlite", (&url.URL{Scheme: "file", Path: path}).String())
	if err != nil {
		return nil, fmt.Errorf("store: salvage: %w", err)
	}
	db.SetMaxOpenConns(1)
	for _, p := range []string{"locking_mode = EXCLUSIVE", "cache_size = -256", "mmap_size = 0", "cell_size_check = ON"} {
		if _, err := db.Exec("PRAGMA " + p); err != nil {
			return nil, errors.Join(fmt.Errorf("store: salvage: %w", err), db.Close())
		}
	}
	return db, nil
}

// salvage copies one table.
type salvage struct {
	ctx      context.Context
	from, to *sql.DB
	table    tables.Table
	checked  bool // its rows have checksums
}

func (s *salvage) run() (copied int, lost bool, err error) {
	key := s.table.Keys[0]
	if len(s.table.Keys) > 1 { // a small one, all at once
		n, _, err := s.part("1 = 1 OR ? = ?", 0, 0)
		if isRead(err) {
			return n, true, nil
		}
		return n, false, err
	}
	at := int64(-1) << 62
	for range maxParts {
		n, last, err := s.part(key+" > ? ORDER BY "+key+" LIMIT ?", at, perPart)
		copied += n
		switch {
		case err != nil && !isRead(err):
			return copied, lost, err
		case err == nil && last == nil:
			return copied, lost, nil
		case err == nil && *last > at:
			at = *last
			continue
		}
		// Not to be read behind here, or its keys are out of order.
		lost = true
		if last != nil {
			at = max(at, *last) // the rows before the damage were copied
		}
		next, ok := s.behind(at)
		if !ok {
			return copied, lost, nil
		}
		at = next
	}
	return copied, true, nil
}

// maxParts bounds how often a table is read on: a healthy one of the largest size has fewer parts.
const maxParts = 5000

// readError is an error of reading the damaged file, not of writing the new one.
type readError struct{ error }

func isRead(err error) bool {
	_, is := errors.AsType[readError](err)
	return is
}

// behind returns the smallest key, as far as bisection finds it, from which the table can be read
// again after damage behind at.
func (s *salvage) behind(at int64) (next int64, ok bool) {
	columns := s.table.Columns()
	got, into := make([]any, len(columns)), make([]any, len(columns))
	for i := range got {
		into[i] = &got[i]
	}
	readable := func(key int64) bool { // with all its columns: a long one may lie on a damaged page of its own
		return s.from.QueryRowContext(s.ctx, fmt.Sprintf("SELECT %[3]s FROM %[2]s WHERE %[1]s > ? ORDER BY %[1]s LIMIT 1",
			columns[0], s.table.Name, strings.Join(columns, ", ")), key).Scan(into...) == nil
	}
	low, high := at, at
	row := s.from.QueryRowContext(s.ctx, fmt.Sprintf("SELECT max(%s) - 1 FROM %s", s.table.Keys[0], s.table.Name))
	if err := row.Scan(&high); err != nil || !readable(high) { // the end is damaged, too
		step := int64(1)
		for ; !readable(at + step); step *= 2 {
			low = at + step
			if step > 1<<60 {
				return 0, false
			}
		}
		high = at + step
	}
	for high-low > 1 {
		if mid := low + (high-low)/2; readable(mid) {
			high = mid
		} else {
			low = mid
		}
	}
	return high, true
}

// part copies some rows and returns the last key that it read, nil for none.
func (s *salvage) part(where string, args ...any) (copied int, last *int64, err error) {
	columns := strings.Join(s.table.Columns(), ", ")
	sound := "1"
	if s.checked {
		sound = s.table.Sound()
	}
	rows, err := s.from.QueryContext(s.ctx, "SELECT "+columns+", "+sound+" FROM "+s.table.Name+" WHERE "+where, args...)
	if err != nil {
		return 0, nil, readError{err}
	}
	defer rows.Close()
	tx, err := s.to.BeginTx(s.ctx, nil)
	if err != nil {
		return 0, nil, err
	}
	defer func() { _ = tx.Rollback() }() // does nothing after Commit
	insert := "INSERT OR IGNORE INTO " + s.table.Name + "(" + columns + ") VALUES(?" +
		strings.Repeat(", ?", len(s.table.Columns())-1) + ")"
	values := make([]any, len(s.table.Columns())+1)
	into := make([]any, len(values))
	for i := range values {
		into[i] = &values[i]
	}
	var reading error
	for rows.Next() {
		if err := rows.Scan(into...); err != nil {
			reading = err
			break
		}
		if id, isNumber := values[0].(int64); isNumber {
			last = new(id)
		}
		if values[len(values)-1] != int64(1) {
			continue // not as it was written
		}
		if _, err := tx.ExecContext(s.ctx, insert, values[:len(values)-1]...); err != nil {
			continue // damaged so that the table's own rules refuse it
		}
		copied++
	}
	reading = errors.Join(reading, rows.Err())
	if err := tx.Commit(); err != nil {
		return 0, nil, err
	}
	if reading != nil {
		return copied, last, readError{reading}
	}
	return copied, last, nil
}
