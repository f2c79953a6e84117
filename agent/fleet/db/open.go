package db

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5/pgconn"
	_ "github.com/jackc/pgx/v5/stdlib" // driver pgx
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"
	sqlitedriver "modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"
)

// ErrUnknown says that there is no such unit, account or login.
var ErrUnknown = errors.New("not known")

// DB is the database. Its methods may be called from any goroutine; what writes goes one after the
// other.
type DB struct {
	sql     *sql.DB
	dialect dialect
	opts    Options

	writing sync.Mutex         // of SQLite, so that its waiting has no limit but the context's
	months  map[time.Time]bool // partitions that are there
	texts   map[string]string  // queries in the dialect's form
	textsMu sync.RWMutex

	statements map[string]*sql.Stmt // of SQLite's transactions; guarded by writing
}

var _ API = (*DB)(nil)

//go:embed migrations
var migrations embed.FS

// Open opens the database, sqlite:///path/fleet.db or postgres://..., and brings its tables up to
// date.
func Open(ctx context.Context, address string, o Options) (*DB, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.QuarantineRows == 0 {
		o.QuarantineRows = 10_000
	}
	if o.QuarantineBytes == 0 {
		o.QuarantineBytes = 64 << 20
	}
	d := &DB{opts: o, months: map[time.Time]bool{}, texts: map[string]string{}, statements: map[string]*sql.Stmt{}}
	var err error
	switch scheme, rest, _ := strings.Cut(address, "://"); scheme {
	case "sqlite":
		d.dialect = sqlite
		d.sql, err = openSQLite(rest)
	case "postgres", "postgresql":
		d.dialect = postgres
		d.sql, err = sql.Open("pgx", address)
		if err == nil {
			const open = 8 // commits, cursors and pages; a server has 100 by default
			d.sql.SetMaxOpenConns(open)
		}
	default:
		return nil, fmt.Errorf("database %q: want sqlite:///path/fleet.db or postgres://user@host/name", scheme)
	}
	if err != nil {
		return nil, fmt.Errorf("database: %w", err)
	}
	if err := d.migrate(ctx); err != nil {
		return nil, errors.Join(fmt.Errorf("database %s: %w", Shown(address), err), d.sql.Close())
	}
	return d, nil
}

// Shown returns a database's address without its password.
func Shown(address string) string {
	u, err := url.Parse(address)
	if err != nil {
		return "with an address that can't be read"
	}
	return u.Redacted()
}

func openSQLite(path string) (*sql.DB, error) {
	path, _, _ = strings.Cut(path, "?")
	if path == "" || path == "/" {
		return nil, errors.New("sqlite: no file: want sqlite:///path/fleet.db")
	}
	const private = 0o700
	if err := os.MkdirAll(filepath.Dir(path), private); err != nil {
		return nil, err
	}
	// FULL: what is acknowledged to a broker is on the disk. The wait is for other processes; those of
	// this one wait for DB.writing.
	q := url.Values{"_txlock": {"immediate"}, "_pragma": {
		"journal_mode(WAL)", "synchronous(FULL)", "busy_timeout(30000)", "cache_size(-16384)", "temp_store(MEMORY)",
		"wal_autocheckpoint(4000)",
	}}
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: path}).EscapedPath()+"?"+q.Encode())
	if err == nil {
		const open = 4 // one writes, others read
		db.SetMaxOpenConns(open)
		db.SetMaxIdleConns(open)
	}
	return db, err
}

func (d *DB) migrate(ctx context.Context) error {
	name, folder := goose.DialectSQLite3, "migrations/sqlite"
	var options []goose.ProviderOption
	if d.dialect == postgres {
		name, folder = goose.DialectPostgres, "migrations/postgres"
		var version int
		if err := d.sql.QueryRowContext(ctx, "SELECT current_setting('server_version_num')::int").Scan(&version); err != nil {
			return err
		}
		const oldest = 150000
		if version < oldest {
			return fmt.Errorf("PostgreSQL %d.%d: want 15 or newer", version/10000, version%10000)
		}
		// Two collectors may start at once.
		locker, err := lock.NewPostgresSessionLocker()
		if err != nil {
			return err
		}
		options = append(options, goose.WithSessionLocker(locker))
	}
	files, err := fs.Sub(migrations, folder)
	if err != nil {
		return err
	}
	p, err := goose.NewProvider(name, d.sql, files, options...)
	if err != nil {
		return err
	}
	_, err = p.Up(ctx)
	return err
}

// Unwell says that the database itself is why, as a full disk, and not what it was given.
func Unwell(err error) bool {
	if e, ok := errors.AsType[*pgconn.PgError](err); ok {
		// Classes of PostgreSQL's Appendix A: insufficient resources, operator intervention, system error.
		return slices.Contains([]string{"53", "57", "58"}, e.Code[:min(2, len(e.Code))])
	}
	if e, ok := errors.AsType[*sqlitedriver.Error](err); ok {
		const primary = 0xff
		return slices.Contains([]int{lib.SQLITE_FULL, lib.SQLITE_IOERR}, e.Code()&primary)
	}
	return false
}

// Close closes the database.
func (d *DB) Close() error { return d.sql.Close() }

// Ping asks whether the database answers.
func (d *DB) Ping(ctx context.Context) error {
	var one int
	return d.sql.QueryRowContext(ctx, "SELECT 1").Scan(&one)
}
