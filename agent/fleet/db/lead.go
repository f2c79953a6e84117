package db

import (
	"context"
	"database/sql"
	"fmt"
	"hash/fnv"
)

// Lead is the right to be the one collector of a name, while it is held.
type Lead struct{ conn *sql.Conn }

// TryLead takes the lead of a name in a PostgreSQL database; nil: another has it. It ends with the
// connection, and so with the process. A SQLite database is one machine's: there everybody leads.
func (d *DB) TryLead(ctx context.Context, name string) (*Lead, error) {
	if d.dialect != postgres {
		return &Lead{}, nil
	}
	conn, err := d.sql.Conn(ctx)
	if err != nil {
		return nil, fmt.Errorf("database: %w", err)
	}
	h := fnv.New64a()
	h.Write([]byte("lead " + name))
	var got bool
	err = conn.QueryRowContext(ctx, "SELECT pg_try_advisory_lock($1)", int64(h.Sum64())).Scan(&got)
	if err == nil && got {
		return &Lead{conn}, nil
	}
	_ = conn.Close() // back to the others
	if err != nil {
		return nil, fmt.Errorf("database: %w", err)
	}
	return nil, nil
}

// Check returns an error if the lead is lost.
func (l *Lead) Check(ctx context.Context) error {
	if l.conn == nil {
		return nil
	}
	var one int
	if err := l.conn.QueryRowContext(ctx, "SELECT 1").Scan(&one); err != nil {
		return fmt.Errorf("database: lead lost: %w", err)
	}
	return nil
}

// Release gives the lead back.
func (l *Lead) Release(ctx context.Context) {
	if l.conn == nil {
		return
	}
	_, _ = l.conn.ExecContext(ctx, "SELECT pg_advisory_unlock_all()") // with the connection it ends anyway
	_ = l.conn.Close()
}
