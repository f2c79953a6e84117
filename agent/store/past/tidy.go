package past

import (
	"database/sql"
	"fmt"
	"time"

	"liftbank/agent/readings"
)

// Keep says how much of the past is kept. Times are of running, not of the calendar: a wrong clock
// deletes nothing.
type Keep struct {
	Minutes, Tens, Hours       time.Duration
	Runs, RunDetails, Findings int // the newest
}

// perTidy bounds what one tidy deletes from one table: an hour adds less.
const perTidy = 5000

// Tidy deletes what is not kept, a limited number of rows at a time.
func Tidy(tx *sql.Tx, k Keep) error {
	for _, keep := range []struct {
		table string
		rows  int64
	}{
		{"minutes", int64(k.Minutes / readings.Step)}, {"tens", int64(k.Tens / (10 * time.Minute))},
		{"hours", int64(k.Hours / time.Hour)},
		{"runs", int64(k.Runs)}, {"details", int64(k.RunDetails)}, {"findings", int64(k.Findings)},
	} {
		if _, err := tx.Exec(fmt.Sprintf(`DELETE FROM %[1]s WHERE id IN (SELECT id FROM %[1]s
			WHERE id <= (SELECT id FROM %[1]s ORDER BY id DESC LIMIT 1 OFFSET ?) LIMIT ?)`, keep.table),
			keep.rows, perTidy); err != nil {
			return err
		}
	}
	return nil
}
