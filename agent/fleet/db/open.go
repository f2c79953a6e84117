package db

import (
	"context"
	"errors"
)

// ErrUnknown says that there is no such unit, account or login.
var ErrUnknown = errors.New("not known")

// DB is the database. Its methods may be called from any goroutine; commits go one after the other.
type DB struct{ API }

// Open opens the database, sqlite:///path/fleet.db or postgres://..., and brings its tables up to date.
func Open(ctx context.Context, url string, o Options) (*DB, error) {
	return nil, errors.New("not built yet")
}
