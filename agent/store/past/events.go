package past

import (
	"database/sql"
	"errors"

	"liftbank/agent/history"
)

// AddRun writes a motor run that began at a key, with its first second, which may be empty.
func AddRun(tx *sql.Tx, at int64, r history.Run, detail []byte) error {
	if _, err := tx.Exec("INSERT OR REPLACE INTO runs(id, duration_ms, mean_a, peak_a) VALUES(?, ?, ?, ?)",
		at, int64(r.DurationS*1000), r.MeanA, r.PeakA); err != nil {
		return err
	}
	if len(detail) == 0 {
		return nil
	}
	_, err := tx.Exec("INSERT OR REPLACE INTO details(id, data) VALUES(?, ?)", at, detail)
	return err
}

// Condition is a finding's name and subject.
type Condition struct{ Name, Subject string }

// RaiseFinding writes a finding's onset at a key, or soon after it where others began. A finding
// that is active continues; one that was written there before, by a transaction that seemed to fail,
// is not written again.
func RaiseFinding(tx *sql.Tx, at int64, c Condition, severity string) error {
	_, err := tx.Exec(`INSERT OR IGNORE INTO findings(id, name, subject, severity)
		SELECT coalesce((SELECT max(id) + 1 FROM findings WHERE id BETWEEN ?1 AND ?1 + 999), ?1), ?2, ?3, ?4
		WHERE NOT EXISTS (SELECT 1 FROM findings WHERE name = ?2 AND subject = ?3
			AND (ended IS NULL OR id BETWEEN ?1 AND ?1 + 999))`,
		at, c.Name, c.Subject, severity)
	return err
}

// ClearFinding writes a finding's end at a key.
func ClearFinding(tx *sql.Tx, at int64, c Condition) error {
	_, err := tx.Exec("UPDATE findings SET ended = ? WHERE name = ? AND subject = ? AND ended IS NULL",
		at, c.Name, c.Subject)
	return err
}

// ActiveFindings returns the findings without an end.
func ActiveFindings(tx *sql.Tx) (active []Condition, err error) {
	rows, err := tx.Query("SELECT name, subject FROM findings WHERE ended IS NULL")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var c Condition
		if err := rows.Scan(&c.Name, &c.Subject); err != nil {
			return nil, err
		}
		active = append(active, c)
	}
	return active, errors.Join(rows.Err(), rows.Close())
}
