package store

import (
	"context"
	"database/sql"
	"fmt"
)

// migrations bring a file from one version (PRAGMA user_version) to the next. One that was released is never changed.
//
// Keys of what has a time are span<<40 | milliseconds of the monotonic time: things are appended in order, and a span's whole content
// moves in wall time by one number. Keys of the outbox are stream<<48 | n.
var migrations = []string{`
CREATE TABLE meta(name TEXT PRIMARY KEY, value INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE layouts(id INTEGER PRIMARY KEY, series TEXT NOT NULL UNIQUE);
CREATE TABLE spans(ord INTEGER PRIMARY KEY, session TEXT NOT NULL, from_ms INTEGER NOT NULL, off_ms INTEGER NOT NULL, trusted INTEGER NOT NULL);
CREATE TABLE minutes(id INTEGER PRIMARY KEY, layout INTEGER NOT NULL, data BLOB NOT NULL);
CREATE TABLE tens(id INTEGER PRIMARY KEY, layout INTEGER NOT NULL, data BLOB NOT NULL);
CREATE TABLE hours(id INTEGER PRIMARY KEY, layout INTEGER NOT NULL, data BLOB NOT NULL);
CREATE TABLE runs(id INTEGER PRIMARY KEY, duration_ms INTEGER NOT NULL, mean_a REAL NOT NULL, peak_a REAL NOT NULL);
CREATE TABLE details(id INTEGER PRIMARY KEY, data BLOB NOT NULL);
CREATE TABLE findings(id INTEGER PRIMARY KEY, name TEXT NOT NULL, subject TEXT NOT NULL, severity TEXT NOT NULL, ended INTEGER);
CREATE TABLE visits(id TEXT NOT NULL, revision INTEGER NOT NULL, at_ms INTEGER NOT NULL, document BLOB NOT NULL, PRIMARY KEY(id, revision)) WITHOUT ROWID;
CREATE TABLE streams(stream INTEGER PRIMARY KEY, next_seq INTEGER NOT NULL, next_id INTEGER NOT NULL, acked INTEGER NOT NULL, confirmed_ms INTEGER);
CREATE TABLE outbox(id INTEGER PRIMARY KEY, span INTEGER NOT NULL, first_seq INTEGER NOT NULL, from_seq INTEGER NOT NULL, seq INTEGER NOT NULL,
	mono_ms INTEGER NOT NULL, off_ms INTEGER NOT NULL, gap TEXT NOT NULL, body BLOB NOT NULL);
CREATE TABLE acks(stream INTEGER NOT NULL, ran_ms INTEGER NOT NULL, id INTEGER NOT NULL, PRIMARY KEY(stream, ran_ms)) WITHOUT ROWID;
`}

// migrate brings the file to the newest version, each step in a transaction of its own. A file of a later version is refused: an older
// program must not guess.
func migrate(db *sql.DB) error {
	var version int
	if err := db.QueryRow("PRAGMA user_version").Scan(&version); err != nil {
		return err
	}
	if version > len(migrations) {
		return fmt.Errorf("%w: version %d: this program knows up to %d", errNewer, version, len(migrations))
	}
	for ; version < len(migrations); version++ {
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
	if _, err := tx.Exec(migrations[version]); err != nil {
		return err
	}
	if _, err := tx.Exec(fmt.Sprintf("PRAGMA user_version = %d", version+1)); err != nil {
		return err
	}
	return tx.Commit()
}
