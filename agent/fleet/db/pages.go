package db

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"liftbank/agent/fleet/worklist"
)

// RowQuery is which rows of the worklist a page shows. Empty fields don't filter.
type RowQuery struct {
	Now          time.Time // when work under way is over if it ends before; zero: nobody works on a unit
	SilentBefore time.Time // when a unit must have sent its last record not to count as silent
	Lists        []string
	Severities   []string
	Group        string
	Search       string // in unit, place, group, model, contact
	Finding      string // stands there, headline or not
	AfterRank    int64  // with AfterUnit: rows after this one
	AfterUnit    string
	Limit        int
}

// where returns the conditions of a query. kinds: those of list, severity and finding, too.
func (q *RowQuery) where(kinds bool) (conditions []string, args []any) {
	conditions, args = []string{"u.decommissioned = 0"}, []any{ms(q.SilentBefore), ms(q.Now)}
	if q.SilentBefore.IsZero() {
		args[0] = int64(0)
	}
	if q.Now.IsZero() {
		args[1] = int64(math.MaxInt64)
	}
	arg := func(v any) string {
		args = append(args, v)
		return fmt.Sprintf("?%d", len(args))
	}
	in := func(column string, values []string) string {
		var list []string
		for _, v := range values {
			list = append(list, arg(v))
		}
		return column + " IN (" + strings.Join(list, ", ") + ")"
	}
	if q.Search != "" {
		pattern := strings.NewReplacer(`\`, `\\`, `%`, `\%`, `_`, `\_`).Replace(strings.ToLower(q.Search))
		conditions = append(conditions, "u.search LIKE "+arg("%"+pattern+"%")+` ESCAPE '\'`)
	}
	if q.Group != "" {
		conditions = append(conditions, "u.grp = "+arg(q.Group))
	}
	if !kinds {
		return conditions, args
	}
	conditions[0] = "+u.decommissioned = 0" // by the index of another column: nearly all are in use
	if len(q.Lists) > 0 {
		var any []string
		for _, list := range q.Lists { // so that the index of list, rank and name is used
			switch list {
			case worklist.ListSilent:
				any = append(any, "u.list IN ('well', 'settled') AND u.last_record < ?1 AND u.asleep_until < ?1 AND u.work_ends <= ?2")
			case worklist.ListWell, worklist.ListSettled:
				any = append(any, "u.list = "+arg(list)+" AND (u.last_record >= ?1 OR u.asleep_until >= ?1) AND u.work_ends <= ?2")
			case worklist.ListVisit:
				any = append(any, underWay)
			default:
				any = append(any, "u.list = "+arg(list)+" AND u.work_ends <= ?2")
			}
		}
		conditions = append(conditions, "("+strings.Join(any, " OR ")+")")
	}
	if len(q.Severities) > 0 {
		conditions = append(conditions, in("u.severity", q.Severities))
	}
	if q.Finding != "" {
		conditions = append(conditions,
			"u.id IN (SELECT s.unit FROM standing s WHERE s.finding = "+arg(q.Finding)+" AND s.stands = 1)")
	}
	return conditions, args
}

// underWay is true of a unit that somebody works on; in words that let its own index be used.
const underWay = "u.work_ends > 0 AND u.work_ends > ?2"

// used keeps the arguments of a query known where its conditions have no use for them.
const used = "CAST(?1 AS BIGINT) >= 0 AND CAST(?2 AS BIGINT) >= 0 AND "

// PageRow is a row of a page.
type PageRow struct {
	Unit, Place, Group string
	Parked             Parked
	LastRecordAt       time.Time
	AsleepUntil        time.Time // see Unit
	Rank               int64
	Row                []byte // of package worklist, as JSON; empty: nothing was ever made of this unit
}

// Rows returns rows in the order of rank and unit, and whether there are more.
func (d *DB) Rows(ctx context.Context, q RowQuery) (out []PageRow, more bool, err error) {
	conditions, args := q.where(true)
	if q.AfterUnit != "" {
		args = append(args, q.AfterRank, q.AfterUnit)
		conditions = append(conditions, fmt.Sprintf("(u.rank, u.name) > (?%d, ?%d)", len(args)-1, len(args)))
	}
	limit := q.Limit
	if limit <= 0 {
		limit = 50
	}
	args = append(args, limit+1)
	err = d.query(ctx, `SELECT p.name, p.place, p.grp, p.parked_from, p.parked_until, p.parked_reason, p.parked_by, p.parked_at, p.last_record, p.asleep_until, p.rank, coalesce(t.worklist, '') FROM (
		SELECT u.id, u.name, u.place, u.grp, u.parked_from, u.parked_until, u.parked_reason, u.parked_by, u.parked_at, u.last_record, u.asleep_until, u.rank FROM unit u WHERE `+used+
		strings.Join(conditions, " AND ")+fmt.Sprintf(` ORDER BY u.rank, u.name LIMIT ?%d) AS p
		LEFT JOIN state t ON t.unit = p.id ORDER BY p.rank, p.name`, len(args)), func(r *sql.Rows) error {
		var p PageRow
		var heard, asleep int64
		var at int64
		if err := r.Scan(&p.Unit, &p.Place, &p.Group, &p.Parked.From, &p.Parked.Until, &p.Parked.Reason, &p.Parked.By, &at, &heard,
			&asleep, &p.Rank, &p.Row); err != nil {
			return err
		}
		p.Parked.At = when(at)
		p.LastRecordAt, p.AsleepUntil = when(heard), when(asleep)
		out = append(out, p)
		return nil
	}, args...)
	if len(out) > limit {
		return out[:limit], true, err
	}
	return out, false, err
}

// RowCounts counts all units by list and by severity, whatever lists and severities are asked for.
func (d *DB) RowCounts(ctx context.Context, q RowQuery) (all int, lists, severities map[string]int, err error) {
	conditions, args := q.where(false)
	where := strings.Join(conditions, " AND ")
	lists, severities = map[string]int{}, map[string]int{}
	err = d.query(ctx, "SELECT u.list, u.severity, count(*) FROM unit u WHERE "+used+where+
		" GROUP BY u.list, u.severity", func(r *sql.Rows) error {
		var list, severity string
		var n int
		if err := r.Scan(&list, &severity, &n); err != nil {
			return err
		}
		all += n
		lists[list] += n
		if list == worklist.ListWork {
			severities[severity] += n
		}
		return nil
	}, args...)
	if err != nil {
		return all, lists, severities, err
	}
	less := func(of map[string]int, key string, n int) {
		if of[key] -= n; of[key] == 0 {
			delete(of, key)
		}
	}
	// Those that somebody works on are in a list of their own.
	err = d.query(ctx, "SELECT u.list, u.severity, count(*) FROM unit u WHERE "+used+underWay+" AND "+where+
		" GROUP BY u.list, u.severity", func(r *sql.Rows) error {
		var list, severity string
		var n int
		err := r.Scan(&list, &severity, &n)
		less(lists, list, n)
		if list == worklist.ListWork {
			less(severities, severity, n)
		}
		lists[worklist.ListVisit] += n
		return err
	}, args...)
	if err != nil || args[0] == int64(0) {
		return all, lists, severities, err
	}
	// Those with nothing to do that are not heard are silent.
	err = d.query(ctx, "SELECT u.list, count(*) FROM unit u WHERE u.last_record < ?1 AND u.asleep_until < ?1 AND u.work_ends <= ?2 AND u.list IN ('well', 'settled') AND "+where+
		" GROUP BY 1", func(r *sql.Rows) error {
		var list string
		var n int
		err := r.Scan(&list, &n)
		less(lists, list, n)
		lists[worklist.ListSilent] += n
		return err
	}, args...)
	return all, lists, severities, err
}

// GroupNames returns the names of groups in order, at most so many.
func (d *DB) GroupNames(ctx context.Context, most int) (out []string, err error) {
	// From one name to the next by the index: units are many, groups few.
	err = d.query(ctx, `WITH RECURSIVE g(name) AS (
		SELECT min(grp) FROM unit WHERE decommissioned = 0 AND grp > ''
		UNION ALL SELECT (SELECT min(grp) FROM unit WHERE decommissioned = 0 AND grp > g.name) FROM g WHERE g.name IS NOT NULL
	) SELECT name FROM g WHERE name IS NOT NULL LIMIT ?1`, func(r *sql.Rows) error {
		var name string
		err := r.Scan(&name)
		out = append(out, name)
		return err
	}, most)
	return out, err
}

// PartSums adds up parts of the units that a query lets pass, by their keys.
func (d *DB) PartSums(ctx context.Context, q RowQuery) (map[string]int, error) {
	conditions, args := q.where(true)
	out := map[string]int{}
	err := d.query(ctx, "SELECT p.part, sum(p.count) FROM part p JOIN unit u ON u.id = p.unit WHERE "+used+
		strings.Join(conditions, " AND ")+" GROUP BY p.part", func(r *sql.Rows) error {
		var part string
		var n int
		err := r.Scan(&part, &n)
		out[part] = n
		return err
	}, args...)
	return out, err
}

// Revision grows with each change of what pages show.
func (d *DB) Revision(ctx context.Context) (n int64, err error) {
	err = d.row(ctx, `SELECT value + (SELECT coalesce(max(id), 0) FROM audit) + (SELECT value FROM counter WHERE name = 'record')
		FROM counter WHERE name = 'revision'`).Scan(&n)
	if err != nil {
		return 0, fmt.Errorf("database: %w", err)
	}
	return n, nil
}

// RecentRecords returns records of one stream of all units, the newest first.
func (d *DB) RecentRecords(ctx context.Context, stream string, before int64, most int) (out []Record, err error) {
	kind, ok := kindOf(stream)
	if !ok {
		return nil, fmt.Errorf("stream %q: want one of %s", stream, strings.Join(streams, ", "))
	}
	if before <= 0 {
		before = 1 << 62
	}
	where := "r.kind = ?1"
	if kind < rare {
		where += " AND r.kind < 2" // so that the index of the rare ones is used
	}
	err = d.query(ctx, "SELECT "+recordColumns+` FROM record r JOIN stream s ON s.id = r.stream JOIN unit u ON u.id = r.unit
		WHERE `+where+" AND r.id < ?2 ORDER BY r.id DESC LIMIT ?3", scanRecord(stream, &out), kind, before, most)
	return out, err
}

// Record returns the record of an ID.
func (d *DB) Record(ctx context.Context, id int64) (Record, error) {
	var kind int64
	if err := known(d.row(ctx, "SELECT kind FROM record WHERE id = ?1", id).Scan(&kind), fmt.Sprintf("record %d", id)); err != nil {
		return Record{}, err
	}
	var out []Record
	err := d.query(ctx, "SELECT "+recordColumns+` FROM record r JOIN stream s ON s.id = r.stream JOIN unit u ON u.id = r.unit
		WHERE r.id = ?1`, scanRecord(streams[kind], &out), id)
	if err == nil && len(out) == 0 {
		err = fmt.Errorf("record %d: %w", id, ErrUnknown)
	}
	if err != nil {
		return Record{}, err
	}
	return out[0], nil
}

// StreamState is what was received of a stream's session.
type StreamState struct {
	Stream, Session               string
	First, Through, Missing, Gone uint64
	HeardAt                       time.Time
}

// Streams returns what was received of a unit, the last heard first.
func (d *DB) Streams(ctx context.Context, unit string, most int) (out []StreamState, err error) {
	err = d.query(ctx, `SELECT s.kind, s.session, s.first, s.through, s.missing, s.gone_count, s.heard FROM stream s
		JOIN unit u ON u.id = s.unit WHERE u.name = ?1 ORDER BY s.heard DESC, s.kind, s.session LIMIT ?2`, func(r *sql.Rows) error {
		var s StreamState
		var kind, first, through, missing, gone, heard int64
		if err := r.Scan(&kind, &s.Session, &first, &through, &missing, &gone, &heard); err != nil {
			return err
		}
		if kind >= 0 && int(kind) < len(streams) {
			s.Stream = streams[kind]
		}
		s.First, s.Through, s.Missing, s.Gone, s.HeardAt = uint64(first), uint64(through), uint64(missing), uint64(gone), when(heard)
		out = append(out, s)
		return nil
	}, unit, most)
	return out, err
}

// AboutParked is what the desk knows of a unit, with whether it is parked.
type AboutParked struct {
	Unit string
	About
	Parked Parked
}

// AllAbout calls yield with each unit in use, in order of the names, until it returns an error.
func (d *DB) AllAbout(ctx context.Context, yield func(AboutParked) error) error {
	const page = 2000
	for after := ""; ; {
		var units []AboutParked
		err := d.query(ctx, aboutColumns+` WHERE name > ?1 AND decommissioned = 0 ORDER BY name LIMIT ?2`, func(r *sql.Rows) error {
			var u AboutParked
			err := scanAbout(r, &u)
			units = append(units, u)
			return err
		}, after, page)
		if err != nil {
			return err
		}
		for _, u := range units { // outside of the query: yield may take its time
			if err := yield(u); err != nil {
				return err
			}
		}
		if len(units) < page {
			return nil
		}
		after = units[len(units)-1].Unit
	}
}

// AboutOf returns what the desk knows of a unit.
func (d *DB) AboutOf(ctx context.Context, unit string) (u AboutParked, err error) {
	err = scanAbout(d.row(ctx, aboutColumns+" WHERE name = ?1", unit), &u)
	return u, known(err, "unit "+unit)
}

const aboutColumns = "SELECT name, place, grp, model, contact, note, " + parkedColumns + " FROM unit"

func scanAbout(r interface{ Scan(...any) error }, u *AboutParked) error {
	return scanParked(r, &u.Parked, &u.Unit, &u.Place, &u.Group, &u.Model, &u.Contact, &u.Note)
}

// AuditChange is a line of the audit trail with what was before and after.
type AuditChange struct {
	Audit
	Was, Became string
}

func (x *tx) audit(a AuditChange) error {
	id, err := x.next("audit")
	if err != nil {
		return err
	}
	_, err = x.exec(`INSERT INTO audit(id, at, who, address, action, unit, detail, was, became)
		VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)`, id, ms(a.At), a.Who, a.From, a.Action, a.Unit, a.Detail, a.Was, a.Became)
	return err
}

// AddChange adds a line to the audit trail.
func (d *DB) AddChange(ctx context.Context, a AuditChange) error {
	return d.write(ctx, func(x *tx) error { return x.audit(a) })
}

// Changes returns lines of the audit trail, the newest first.
func (d *DB) Changes(ctx context.Context, unit string, before int64, most int) (out []AuditChange, err error) {
	if before <= 0 {
		before = 1 << 62
	}
	where, args := "id < ?1", []any{before, most}
	if unit != "" {
		where += " AND unit = ?3"
		args = append(args, unit)
	}
	err = d.query(ctx, "SELECT id, at, who, address, action, unit, detail, was, became FROM audit WHERE "+where+
		" ORDER BY id DESC LIMIT ?2", func(r *sql.Rows) error {
		var a AuditChange
		var at int64
		err := r.Scan(&a.ID, &at, &a.Who, &a.From, &a.Action, &a.Unit, &a.Detail, &a.Was, &a.Became)
		a.At = when(at)
		out = append(out, a)
		return err
	}, args...)
	return out, err
}

// SetAbouts keeps what the desk knows of units, all or none, with a line of the audit trail for each.
// line gets what was known before.
func (d *DB) SetAbouts(ctx context.Context, units []AboutParked, line func(before, after AboutParked) AuditChange) error {
	return d.write(ctx, func(x *tx) error {
		next, err := x.next("unit")
		if err != nil {
			return err
		}
		for _, u := range units {
			before := AboutParked{Unit: u.Unit}
			err := known(scanAbout(x.row(aboutColumns+" WHERE name = ?1", u.Unit), &before), "unit "+u.Unit)
			if err != nil && !errors.Is(err, ErrUnknown) {
				return err
			}
			before.Unit = u.Unit
			entry, was, is := line(before, u), before.Parked, u.Parked
			switch {
			case is.From == was.From && is.Until == was.Until && is.Reason == was.Reason:
				is = was
			case is.Until == "":
				is = Parked{}
			default:
				is.By, is.At = entry.Who, entry.At
			}
			search := strings.ToLower(strings.Join([]string{u.Unit, u.Place, u.Group, u.Model, u.Contact}, "\n"))
			if _, err := x.exec(`INSERT INTO unit(id, name, search, place, grp, model, contact, note, parked_from, parked_until,
				parked_reason, parked_by, parked_at) VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13)
				ON CONFLICT (name) DO UPDATE SET search = excluded.search, place = excluded.place, grp = excluded.grp,
				model = excluded.model, contact = excluded.contact, note = excluded.note, parked_from = excluded.parked_from,
				parked_until = excluded.parked_until, parked_reason = excluded.parked_reason, parked_by = excluded.parked_by,
				parked_at = excluded.parked_at`, next, u.Unit, search, u.Place, u.Group, u.Model, u.Contact, u.Note, is.From, is.Until,
				is.Reason, is.By, ms(is.At)); err != nil {
				return err
			}
			next++
			if err := x.audit(entry); err != nil {
				return err
			}
		}
		return x.revise()
	})
}

// SetWorkAs keeps work with a line of the audit trail, which is made from what was before.
func (d *DB) SetWorkAs(ctx context.Context, unit string, w worklist.Work, line func(before worklist.Work) AuditChange) error {
	return d.write(ctx, func(x *tx) error {
		var id int64
		if err := known(x.row("SELECT id FROM unit WHERE name = ?1", unit).Scan(&id), "unit "+unit); err != nil {
			return err
		}
		all, err := x.work(id)
		if err != nil {
			return err
		}
		before := worklist.Work{Key: w.Key, State: worklist.Open}
		for _, old := range all {
			if o := old.Worklist(); o.Key == w.Key {
				before = o
			}
		}
		if err := x.saveWork(id, unit, w); err != nil {
			return err
		}
		if err := x.audit(line(before)); err != nil {
			return err
		}
		return x.makeRow(id, unit)
	})
}

// PutAccountAs makes an account or replaces it, ends its logins, and adds a line to the audit trail. A nil
// account is deleted.
func (d *DB) PutAccountAs(ctx context.Context, name string, a *Account, line AuditChange) error {
	return d.write(ctx, func(x *tx) error {
		if _, err := x.exec("DELETE FROM login WHERE account = ?1", name); err != nil {
			return err
		}
		var err error
		if a == nil {
			var n int64
			if n, err = x.exec("DELETE FROM account WHERE name = ?1", name); err == nil && n == 0 {
				err = fmt.Errorf("account %s: %w", name, ErrUnknown)
			}
		} else {
			_, err = x.exec(`INSERT INTO account(name, role, password, disabled, made) VALUES(?1, ?2, ?3, ?4, ?5)
				ON CONFLICT (name) DO UPDATE SET role = excluded.role, password = excluded.password, disabled = excluded.disabled`,
				a.Name, a.Role, filled(a.Password), number(a.Disabled), ms(a.Made))
		}
		if err != nil {
			return err
		}
		return x.audit(line)
	})
}
