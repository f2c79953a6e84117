package store

import (
	"database/sql"
	"encoding/json"
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
)

// fileName of the database in its folder.
const fileName = "unit.db"

var (
	errNewer   = errors.New("file written by a newer version")
	errDamaged = errors.New("file damaged")
)

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

// attach opens the file and reads what a start needs. It renames a damaged file and starts a new
// one.
func (s *Store) attach() error {
	db, err := s.openFile()
	if err != nil && isDamage(err) && s.opts.Dir != "" {
		if err = s.setAside(err); err == nil {
			db, err = s.openFile()
		}
	}
	if err != nil {
		return err
	}
	if err := s.load(db); err != nil {
		return errors.Join(err, db.Close())
	}
	s.db = db
	return nil
}

func (s *Store) openFile() (*sql.DB, error) {
	name := ":memory:"
	if s.opts.Dir != "" {
		if err := os.MkdirAll(s.opts.Dir, 0o750); err != nil {
			return nil, fmt.Errorf("store: %w", err)
		}
		path, err := filepath.Abs(filepath.Join(s.opts.Dir, fileName))
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
	if err := migrate(db); err != nil {
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
		return fmt.Errorf("store: %w: %s", errDamaged, found)
	}
	return nil
}

// isDamage reports whether an error says that the file itself is damaged.
func isDamage(err error) bool {
	if errors.Is(err, errDamaged) {
		return true
	}
	e, ok := errors.AsType[*sqlite.Error](err)
	return ok && (e.Code()&0xff == lib.SQLITE_CORRUPT || e.Code()&0xff == lib.SQLITE_NOTADB)
}

// maxDamagedFiles is how many damaged files are kept for somebody to look at.
const maxDamagedFiles = 2

// setAside renames the file with its companions, so that a new one can be started.
func (s *Store) setAside(why error) error {
	base := filepath.Join(s.opts.Dir, fileName)
	to := filepath.Join(s.opts.Dir, fmt.Sprintf("damaged-%d-%s.db", s.opts.Now().Unix(), s.opts.Session))
	s.opts.Log.Error("store damaged: renamed, starting with a new file", "file", base, "renamed to", to, "err", why)
	// The database itself last: if this is cut short, the rest is found damaged again.
	for _, suffix := range []string{"-wal", "-shm", ""} {
		if err := os.Rename(base+suffix, to+suffix); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("store: rename damaged file: %w", err)
		}
	}
	s.mu.Lock()
	s.health.SetAside = filepath.Base(to)
	s.mu.Unlock()
	old, err := filepath.Glob(filepath.Join(s.opts.Dir, "damaged-*.db"))
	if err != nil || len(old) <= maxDamagedFiles {
		return nil
	}
	slices.Sort(old)
	for _, path := range old[:len(old)-maxDamagedFiles] {
		for _, suffix := range []string{"-wal", "-shm", ""} {
			_ = os.Remove(path + suffix) // room is all that is lost
		}
	}
	return nil
}

// load reads what a start needs.
func (s *Store) load(db *sql.DB) error {
	series, err := json.Marshal(s.opts.Layout)
	if err != nil {
		return fmt.Errorf("store: layout: %w", err)
	}
	if _, err := db.Exec("INSERT OR IGNORE INTO layouts(series) VALUES(?)", string(series)); err != nil {
		return fmt.Errorf("store: layout: %w", err)
	}
	if err := db.QueryRow("SELECT id FROM layouts WHERE series = ?", string(series)).Scan(&s.layout); err != nil {
		return fmt.Errorf("store: layout: %w", err)
	}
	var ranMS int64
	row := db.QueryRow("SELECT value FROM meta WHERE name = 'ran_ms'")
	if err := row.Scan(&ranMS); err != nil && !errors.Is(err, sql.ErrNoRows) {
		return fmt.Errorf("store: %w", err)
	}
	s.ranBase = time.Duration(ranMS) * time.Millisecond
	if err := s.loadStreams(db); err != nil {
		return err
	}
	return s.loadRows(db)
}

// fault notes that the card can't be written, and why.
func (s *Store) fault(err error) {
	problem := problemOf(err)
	s.mu.Lock()
	fresh := s.health.Problem != problem
	if fresh {
		s.health.Problem, s.health.Since = problem, s.opts.Now()
	}
	s.health.Detail = err.Error()
	s.health.Failed++
	s.down = true
	s.mu.Unlock()
	if fresh {
		s.opts.Log.Error("store can't be written: measuring continues, records are held in memory",
			"dir", s.opts.Dir, "problem", problem, "err", err)
	}
	s.notifyOutlets()
}

// problemOf returns what is wrong with the card, in words for the page.
func problemOf(err error) string {
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
	case errors.Is(err, errNewer):
		return "written by a newer version"
	case errors.Is(err, errDamaged):
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
