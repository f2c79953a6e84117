package db

import (
	"context"
	"database/sql"
	"time"
)

// RecentGaps returns the numbers of all units in use that were found lost since a time, newest first.
func (d *DB) RecentGaps(ctx context.Context, since time.Time, most int) (out []Gap, err error) {
	err = d.query(ctx, `SELECT u.name, g.kind, g.session, g.from_seq, g.to_seq, g.because, g.received FROM gap g
		JOIN unit u ON u.id = g.unit WHERE g.received >= ?1 AND u.decommissioned = 0 ORDER BY g.id DESC LIMIT ?2`, func(r *sql.Rows) error {
		var g Gap
		var kind, from, to, at int64
		if err := r.Scan(&g.Unit, &kind, &g.Session, &from, &to, &g.Because, &at); err != nil {
			return err
		}
		g.Stream, g.From, g.To, g.ReceivedAt = streams[kind], uint64(from), uint64(to), when(at)
		out = append(out, g)
		return nil
	}, ms(since), most)
	return out, err
}

// SettledWork returns the work that is done or dismissed, of findings that stand.
func (d *DB) SettledWork(ctx context.Context) (out []Work, err error) {
	err = d.query(ctx, `SELECT u.name, w.finding, w.subject, w.state, w.at FROM work w JOIN unit u ON u.id = w.unit
		JOIN standing t ON t.unit = w.unit AND t.finding = w.finding AND t.subject = w.subject
		WHERE w.state IN ('done', 'dismissed') ORDER BY u.name, w.finding, w.subject`, func(r *sql.Rows) error {
		var w Work
		var at int64
		if err := r.Scan(&w.Unit, &w.Finding, &w.Subject, &w.State, &at); err != nil {
			return err
		}
		w.At = when(at)
		out = append(out, w)
		return nil
	})
	return out, err
}
