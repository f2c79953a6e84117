package db

import (
	"context"
	"database/sql"
	"fmt"
	"time"
)

// Work returns how far the work on a unit's findings is.
func (d *DB) Work(ctx context.Context, unit string) (out []Work, err error) {
	err = d.query(ctx, `SELECT w.finding, w.subject, w.state, w.at, w.body FROM work w JOIN unit u ON u.id = w.unit
		WHERE u.name = ?1 ORDER BY w.finding, w.subject`, func(r *sql.Rows) error {
		w, err := scanWork(r)
		w.Unit = unit
		out = append(out, w)
		return err
	}, unit)
	return out, err
}

// SetWork keeps how far the work on a finding is; the worklist's columns follow.
func (d *DB) SetWork(ctx context.Context, w Work) error {
	return d.write(ctx, func(x *tx) error {
		var id int64
		if err := known(x.row("SELECT id FROM unit WHERE name = ?1", w.Unit).Scan(&id), "unit "+w.Unit); err != nil {
			return err
		}
		if err := x.setWork(id, w); err != nil {
			return err
		}
		return x.makeRow(id, w.Unit)
	})
}

func (x *tx) setWork(unit int64, w Work) error {
	_, err := x.exec(`INSERT INTO work(unit, finding, subject, state, at, body) VALUES(?1, ?2, ?3, ?4, ?5, ?6)
		ON CONFLICT (unit, finding, subject) DO UPDATE SET state = excluded.state, at = excluded.at, body = excluded.body`,
		unit, w.Finding, w.Subject, w.State, ms(w.At), string(w.Body))
	return err
}

// AddAudit adds a line to the trail.
func (d *DB) AddAudit(ctx context.Context, a Audit) error {
	return d.write(ctx, func(x *tx) error {
		id, err := x.next("audit")
		if err != nil {
			return err
		}
		_, err = x.exec("INSERT INTO audit(id, at, who, address, action, unit, detail) VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7)",
			id, ms(a.At), a.Who, a.From, a.Action, a.Unit, a.Detail)
		return err
	})
}

// AuditTrail returns lines of the trail, the newest first.
func (d *DB) AuditTrail(ctx context.Context, q AuditQuery) (out []Audit, err error) {
	if q.Before <= 0 {
		q.Before = 1 << 62
	}
	if q.Limit <= 0 {
		q.Limit = 100
	}
	where, args := "id < ?1", []any{q.Before, q.Limit}
	for column, value := range map[string]string{"unit": q.Unit, "who": q.Who} {
		if value != "" {
			args = append(args, value)
			where += fmt.Sprintf(" AND %s = ?%d", column, len(args))
		}
	}
	err = d.query(ctx, "SELECT id, at, who, address, action, unit, detail FROM audit WHERE "+where+" ORDER BY id DESC LIMIT ?2",
		func(r *sql.Rows) error {
			var a Audit
			var at int64
			err := r.Scan(&a.ID, &at, &a.Who, &a.From, &a.Action, &a.Unit, &a.Detail)
			a.At = when(at)
			out = append(out, a)
			return err
		}, args...)
	return out, err
}

const accountColumns = "SELECT name, role, password, disabled, made FROM account"

func scanAccount(r interface{ Scan(...any) error }) (a Account, err error) {
	var disabled, made int64
	err = r.Scan(&a.Name, &a.Role, &a.Password, &disabled, &made)
	a.Disabled, a.Made = disabled != 0, when(made)
	return a, err
}

// Account returns somebody who may log in.
func (d *DB) Account(ctx context.Context, name string) (Account, error) {
	a, err := scanAccount(d.row(ctx, accountColumns+" WHERE name = ?1", name))
	return a, known(err, "account "+name)
}

// Accounts returns all accounts by name.
func (d *DB) Accounts(ctx context.Context) (out []Account, err error) {
	err = d.query(ctx, accountColumns+" ORDER BY name", func(r *sql.Rows) error {
		a, err := scanAccount(r)
		out = append(out, a)
		return err
	})
	return out, err
}

// PutAccount makes an account or replaces it.
func (d *DB) PutAccount(ctx context.Context, a Account) error {
	return d.do(ctx, `INSERT INTO account(name, role, password, disabled, made) VALUES(?1, ?2, ?3, ?4, ?5)
		ON CONFLICT (name) DO UPDATE SET role = excluded.role, password = excluded.password, disabled = excluded.disabled`,
		a.Name, a.Role, filled(a.Password), number(a.Disabled), ms(a.Made))
}

// filled returns no nil: that would be null.
func filled(b []byte) []byte {
	if b == nil {
		return []byte{}
	}
	return b
}

// DeleteAccount deletes an account and its logins.
func (d *DB) DeleteAccount(ctx context.Context, name string) error {
	return d.write(ctx, func(x *tx) error {
		if _, err := x.exec("DELETE FROM login WHERE account = ?1", name); err != nil {
			return err
		}
		n, err := x.exec("DELETE FROM account WHERE name = ?1", name)
		if err == nil && n == 0 {
			err = fmt.Errorf("account %s: %w", name, ErrUnknown)
		}
		return err
	})
}

// Login returns a login by its key.
func (d *DB) Login(ctx context.Context, key []byte) (l Login, err error) {
	var made, seen, ends int64
	err = d.row(ctx, "SELECT key, account, made, seen, ends FROM login WHERE key = ?1", filled(key)).
		Scan(&l.Key, &l.Account, &made, &seen, &ends)
	l.Made, l.Seen, l.Ends = when(made), when(seen), when(ends)
	return l, known(err, "login")
}

// PutLogin keeps a login.
func (d *DB) PutLogin(ctx context.Context, l Login) error {
	return d.do(ctx, `INSERT INTO login(key, account, made, seen, ends) VALUES(?1, ?2, ?3, ?4, ?5)
		ON CONFLICT (key) DO UPDATE SET seen = excluded.seen, ends = excluded.ends`,
		filled(l.Key), l.Account, ms(l.Made), ms(l.Seen), ms(l.Ends))
}

// DeleteLogin ends a login.
func (d *DB) DeleteLogin(ctx context.Context, key []byte) error {
	return d.do(ctx, "DELETE FROM login WHERE key = ?1", filled(key))
}

// DeleteLogins deletes logins of an account, or with "" of all; those that ended before a time, or with
// the zero time all.
func (d *DB) DeleteLogins(ctx context.Context, account string, endedBefore time.Time) error {
	before := ms(endedBefore)
	if before == 0 {
		before = 1 << 62
	}
	return d.do(ctx, "DELETE FROM login WHERE (account = ?1 OR ?1 = '') AND ends < ?2", account, before)
}
