// Package file opens the store's SQLite file, checks it, renames a damaged one, and says what is
// wrong with a card.
package file

import (
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"time"

	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"

	"liftbank/agent/safefile"
	"liftbank/agent/store/tables"
)

// Name of the database in its folder.
const Name = "unit.db"

// ErrDamaged says that a file's structure is damaged.
var ErrDamaged = errors.New("file damaged")

// pragmas of the one connection, in the order that they must come in: EXCLUSIVE before the first
// look at the file, so that others are kept out and the index of the write-ahead log is in memory;
// the page size before the journal mode. FULL keeps a commit over a power cut. Pages are small
// because most commits change a minute's row and little else: measured, a day's writing is 40 %
// less than with 4 KiB.
var pragmas = []string{
	"locking_mode = EXCLUSIVE", "page_size = 1024", "auto_vacuum = INCREMENTAL", "journal_mode = WAL",
	"synchronous = FULL", "journal_size_limit = 4194304", "cache_size = -512", "temp_store = MEMORY",
	"mmap_size = 0", "cell_size_check = ON",
}

// Open opens the file in a folder, "" for one in memory, checks it and brings it to the newest
// version. It must be closed.
func Open(dir string) (*sql.DB, error) {
	name := ":memory:"
	if dir != "" {
		if err := safefile.MakeDir(dir, 0o750); err != nil {
			return nil, fmt.Errorf("store: %w", err)
		}
		path, err := filepath.Abs(filepath.Join(dir, Name))
		if err != nil {
			return nil, fmt.Errorf("store: %w", err)
		}
		name = (&url.URL{Scheme: "file", Path: path}).String()
	}
	db, err := sql.Open("sqlite", name+"?_txlock=immediate")
	if err != nil {
		return nil, fmt.Errorf("store: %w", err)
	}
	db.SetMaxOpenConns(1) // one connection, kept: the settings below are its own
	for _, p := range pragmas {
		if _, err := db.Exec("PRAGMA " + p); err != nil {
			return nil, errors.Join(fmt.Errorf("store: %s: %w", p, err), db.Close())
		}
	}
	if err := check(db); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	if err := tables.Migrate(db, tables.Newest); err != nil {
		return nil, errors.Join(fmt.Errorf("store: schema: %w", err), db.Close())
	}
	return db, nil
}

// check reads the whole file and returns an error if its structure is damaged.
func check(db *sql.DB) error {
	var found string
	if err := db.QueryRow("PRAGMA quick_check(1)").Scan(&found); err != nil {
		return fmt.Errorf("store: check: %w", err)
	}
	if found != "ok" {
		return fmt.Errorf("store: %w: %s", ErrDamaged, found)
	}
	return nil
}

// IsDamage reports whether an error says that the file itself is damaged.
func IsDamage(err error) bool {
	if errors.Is(err, ErrDamaged) {
		return true
	}
	e, ok := errors.AsType[*sqlite.Error](err)
	return ok && (e.Code()&0xff == lib.SQLITE_CORRUPT || e.Code()&0xff == lib.SQLITE_NOTADB)
}

// maxDamagedFiles is how many damaged files are kept for somebody to look at.
const maxDamagedFiles = 2

// DamagedName returns the name that a damaged file gets. Names sort by time.
func DamagedName(now time.Time, session string) string {
	return fmt.Sprintf("damaged-%d-%s.db", now.Unix(), session)
}

// SetAside renames the file in a folder with its companions to a [DamagedName], so that a new one
// can be started. Of several that were renamed the oldest are removed.
func SetAside(dir, name string) error {
	base, to := filepath.Join(dir, Name), filepath.Join(dir, name)
	// The database itself last: if this is cut short, the rest is found damaged again.
	for _, suffix := range []string{"-wal", "-shm", ""} {
		if err := os.Rename(base+suffix, to+suffix); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("store: rename damaged file: %w", err)
		}
	}
	old := Damaged(dir)
	for _, name := range old[:max(0, len(old)-maxDamagedFiles)] {
		for _, suffix := range []string{"-wal", "-shm", ""} {
			_ = os.Remove(filepath.Join(dir, name) + suffix) // room is all that is lost
		}
	}
	return nil
}

// Damaged returns the names of the damaged files that are kept in a folder, oldest first.
func Damaged(dir string) (names []string) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil // what can't be looked into is said by those who need it
	}
	for _, e := range entries {
		if is, _ := filepath.Match("damaged-*.db", e.Name()); is { // the pattern is sound
			names = append(names, e.Name())
		}
	}
	slices.Sort(names)
	return names
}

// Problem returns what is wrong with the card, in words for the page.
func Problem(err error) string {
	if e, ok := errors.AsType[*sqlite.Error](err); ok {
		switch e.Code() & 0xff {
		case lib.SQLITE_FULL:
			return "disk full"
		case lib.SQLITE_READONLY:
			return "read-only"
		case lib.SQLITE_IOERR:
			return "I/O error"
		case lib.SQLITE_BUSY, lib.SQLITE_LOCKED:
			return "in use by another process"
		case lib.SQLITE_CANTOPEN, lib.SQLITE_PERM, lib.SQLITE_AUTH:
			return "can't be opened"
		case lib.SQLITE_CORRUPT, lib.SQLITE_NOTADB:
			return "damaged"
		case lib.SQLITE_NOMEM:
			return "out of memory"
		}
	}
	switch {
	case errors.Is(err, tables.ErrNewer):
		return "written by a newer version"
	case errors.Is(err, ErrDamaged):
		return "damaged"
	case errors.Is(err, fs.ErrPermission):
		return "can't be opened"
	case errors.Is(err, syscall.EROFS):
		return "read-only"
	case errors.Is(err, syscall.ENOSPC):
		return "disk full"
	}
	return "can't be used"
}

// Querier is a database or a transaction.
type Querier interface{ QueryRow(string, ...any) *sql.Row }

// Used returns the bytes of the file that are in use.
func Used(from Querier) (int64, error) {
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

// Shrink deletes the oldest rows of tables, in the order that they are given, while more than limit
// bytes of the file are in use.
func Shrink(tx *sql.Tx, limit int64, names ...string) error {
	used, err := Used(tx)
	for _, table := range names {
		if err != nil || used <= limit {
			return err
		}
		if _, err := tx.Exec(fmt.Sprintf(`DELETE FROM %[1]s WHERE id IN (SELECT id FROM %[1]s
			ORDER BY id LIMIT (SELECT count(*) / 5 FROM %[1]s))`, table)); err != nil {
			return err
		}
		used, err = Used(tx)
	}
	return err
}
