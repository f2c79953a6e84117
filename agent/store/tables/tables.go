// Package tables has the tables of a store's file and their keys, and brings a file from one
// version to the next.
package tables

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"liftbank/agent/moment"
)

// ErrNewer says that a file was written by a newer version of the program.
var ErrNewer = errors.New("file written by a newer version")

// migrations bring a file from one version (PRAGMA user_version) to the next. One that was released
// is never changed.
var migrations = [Newest]func(*sql.Tx) error{first, perOutlet, withSums}

// Versions of the file. Newest is the one that the program reads and writes.
const (
	WithCursors   = 2
	WithChecksums = 3
	Newest        = WithChecksums
)

// Streams as they are numbered in a file of version 1.
const (
	findings = 0
	runs     = 2
	readings = 3
)

// first makes the tables.
func first(tx *sql.Tx) error {
	_, err := tx.Exec(`
CREATE TABLE meta(name TEXT PRIMARY KEY, value INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE layouts(id INTEGER PRIMARY KEY, series TEXT NOT NULL UNIQUE);
CREATE TABLE spans(ord INTEGER PRIMARY KEY, session TEXT NOT NULL, from_ms INTEGER NOT NULL, off_ms INTEGER NOT NULL,
	trusted INTEGER NOT NULL);
CREATE TABLE minutes(id INTEGER PRIMARY KEY, layout INTEGER NOT NULL, data BLOB NOT NULL);
CREATE TABLE tens(id INTEGER PRIMARY KEY, layout INTEGER NOT NULL, data BLOB NOT NULL);
CREATE TABLE hours(id INTEGER PRIMARY KEY, layout INTEGER NOT NULL, data BLOB NOT NULL);
CREATE TABLE runs(id INTEGER PRIMARY KEY, duration_ms INTEGER NOT NULL, mean_a REAL NOT NULL, peak_a REAL NOT NULL);
CREATE TABLE details(id INTEGER PRIMARY KEY, data BLOB NOT NULL);
CREATE TABLE findings(id INTEGER PRIMARY KEY, name TEXT NOT NULL, subject TEXT NOT NULL, severity TEXT NOT NULL,
	ended INTEGER);
CREATE TABLE visits(id TEXT NOT NULL, revision INTEGER NOT NULL, at_ms INTEGER NOT NULL, document BLOB NOT NULL,
	PRIMARY KEY(id, revision)) WITHOUT ROWID;
CREATE TABLE streams(stream INTEGER PRIMARY KEY, next_seq INTEGER NOT NULL, next_id INTEGER NOT NULL,
	acked INTEGER NOT NULL, confirmed_ms INTEGER);
CREATE TABLE outbox(id INTEGER PRIMARY KEY, span INTEGER NOT NULL, first_seq INTEGER NOT NULL,
	from_seq INTEGER NOT NULL, seq INTEGER NOT NULL, mono_ms INTEGER NOT NULL,
	off_ms INTEGER NOT NULL, gap TEXT NOT NULL, body BLOB NOT NULL);
CREATE TABLE acks(stream INTEGER NOT NULL, ran_ms INTEGER NOT NULL, id INTEGER NOT NULL,
	PRIMARY KEY(stream, ran_ms)) WITHOUT ROWID;
`)
	return err
}

// perOutlet gives each outlet cursors of its own; what there was is those of MQTT. Times in bodies
// that were told by the clock as it stood become instants of their session. The severity service is
// named repair. Visits leave the file: they are documents of their own folder, and nobody read
// these.
func perOutlet(tx *sql.Tx) error {
	if _, err := tx.Exec(`
CREATE TABLE cursors(outlet TEXT NOT NULL, stream INTEGER NOT NULL, sent INTEGER NOT NULL, done INTEGER NOT NULL,
	confirmed_ms INTEGER, PRIMARY KEY(outlet, stream)) WITHOUT ROWID;
INSERT INTO cursors SELECT 'mqtt', stream, acked, 0, confirmed_ms FROM streams;
ALTER TABLE streams DROP COLUMN acked;
ALTER TABLE streams DROP COLUMN confirmed_ms;
CREATE TABLE receipts(outlet TEXT NOT NULL, stream INTEGER NOT NULL, session TEXT NOT NULL, through INTEGER NOT NULL,
	PRIMARY KEY(outlet, stream, session)) WITHOUT ROWID;
ALTER TABLE acks RENAME TO mqtt_acks;
CREATE TABLE acks(outlet TEXT NOT NULL, stream INTEGER NOT NULL, ran_ms INTEGER NOT NULL, id INTEGER NOT NULL,
	PRIMARY KEY(outlet, stream, ran_ms)) WITHOUT ROWID;
INSERT INTO acks SELECT 'mqtt', stream, ran_ms, id FROM mqtt_acks;
DROP TABLE mqtt_acks;
UPDATE findings SET severity = 'repair' WHERE severity = 'service';
DROP TABLE visits;
`); err != nil {
		return err
	}
	if err := rewriteBodies(tx); err != nil {
		return err
	}
	_, err := tx.Exec("ALTER TABLE outbox DROP COLUMN off_ms")
	return err
}

// rewriteBodies puts instants in the place of the times in the outbox. A body that can't be read
// stays: when its turn comes, a gap stands for it.
func rewriteBodies(tx *sql.Tx) error {
	rows, err := tx.Query("SELECT id FROM outbox WHERE gap = ''")
	if err != nil {
		return err
	}
	defer rows.Close()
	var ids []int64 // bodies one at a time: all of them may be more than the memory takes
	for rows.Next() {
		var id int64
		if err := rows.Scan(&id); err != nil {
			return err
		}
		ids = append(ids, id)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return err
	}
	for _, id := range ids {
		var off int64
		var body []byte
		if err := tx.QueryRow("SELECT off_ms, body FROM outbox WHERE id = ?", id).Scan(&off, &body); err != nil {
			return err
		}
		var unread error
		switch RecordStream(id) {
		case findings, runs:
			body, unread = rewriteTimes(body, off)
		case readings:
			body, unread = rewriteBatch(body)
		}
		if unread != nil {
			continue
		}
		if _, err := tx.Exec("UPDATE outbox SET body = ? WHERE id = ?", body, id); err != nil {
			return err
		}
	}
	return nil
}

// rewriteTimes rewrites a finding or a run whose times are offMS above their session's timeline.
func rewriteTimes(body []byte, offMS int64) ([]byte, error) {
	var document map[string]any
	if err := json.Unmarshal(body, &document); err != nil {
		return nil, err
	}
	var visit func(any)
	visit = func(v any) {
		switch x := v.(type) {
		case []any:
			for _, e := range x {
				visit(e)
			}
		case map[string]any:
			for name, value := range x {
				switch name {
				case "at", "since", "start", "raised_at", "acknowledged_at", "shelved_until":
					text, _ := value.(string)
					if t, err := time.Parse(time.RFC3339Nano, text); err == nil && !t.IsZero() {
						x[name] = moment.StandIn(t.Sub(time.UnixMilli(offMS)))
					}
				case "severity":
					if value == "service" {
						x[name] = "repair"
					}
				default:
					visit(value)
				}
			}
		}
	}
	visit(document)
	if _, isFinding := document["severity"]; isFinding {
		rewriteFinding(document)
	}
	return json.Marshal(document)
}

// rewriteFinding brings a finding to the form of version 2: texts have IDs, which are not known of
// old ones, and some members have other names.
func rewriteFinding(f map[string]any) {
	text := func(v any) any { return map[string]any{"id": "", "text": v} }
	rename := func(m map[string]any, from, to string, change func(any) any) {
		if v, ok := m[from]; ok {
			delete(m, from)
			m[to] = change(v)
		}
	}
	same := func(v any) any { return v }
	rename(f, "holds", "active", same)
	rename(f, "quiet", "muted", same)
	rename(f, "not_judged_because", "not_judged_because", text)
	rename(f, "next_check", "next_check", func(v any) any { return []any{v} })
	f["title"] = ""
	causes, _ := f["causes"].([]any)
	for i, c := range causes {
		causes[i] = map[string]any{"cause": text(c)}
	}
	evidence, _ := f["evidence"].([]any)
	for _, e := range evidence {
		if m, ok := e.(map[string]any); ok {
			rename(m, "what", "what", text)
			rename(m, "text", "words", text)
		}
	}
}

// rewriteBatch rewrites the start of a batch of readings.
func rewriteBatch(body []byte) ([]byte, error) {
	var old struct {
		MonoMS  *int64          `json:"mono_ms"`
		StartMS int64           `json:"start_ms"`
		Trusted bool            `json:"trusted"`
		Batch   json.RawMessage `json:"batch"`
	}
	if err := json.Unmarshal(body, &old); err != nil {
		return nil, err
	}
	start := time.UnixMilli(old.StartMS).UTC()
	if old.MonoMS != nil {
		start = moment.StandIn(time.Duration(*old.MonoMS) * time.Millisecond)
	}
	return json.Marshal(map[string]any{"start": start, "trusted": old.Trusted, "batch": old.Batch})
}

// Migrate brings a file to a version, each step in a transaction of its own. A file of a version
// that is not known is refused: an older program must not guess.
func Migrate(db *sql.DB, to int) error {
	var version int
	if err := db.QueryRow("PRAGMA user_version").Scan(&version); err != nil {
		return err
	}
	if version > Newest {
		return fmt.Errorf("%w: version %d: this program knows up to %d", ErrNewer, version, Newest)
	}
	for ; version < to; version++ {
		if err := step(db, version); err != nil {
			return err
		}
	}
	return nil
}

// step brings the file from a version to the one after it.
func step(db *sql.DB, version int) error {
	tx, err := db.BeginTx(context.Background(), nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // does nothing after Commit
	if err := migrations[version](tx); err != nil {
		return fmt.Errorf("from version %d: %w", version, err)
	}
	if _, err := tx.Exec(fmt.Sprintf("PRAGMA user_version = %d", version+1)); err != nil {
		return err
	}
	return tx.Commit()
}
