package db

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"
)

const recordColumns = "r.id, u.name, s.session, r.seq, r.at, r.mono, r.trusted, r.received, r.body"

func scanRecord(stream string, out *[]Record) func(*sql.Rows) error {
	return func(r *sql.Rows) error {
		v := Record{Stream: stream}
		var seq, at, mono, trusted, received int64
		var body []byte
		if err := r.Scan(&v.ID, &v.Unit, &v.Session, &seq, &at, &mono, &trusted, &received, &body); err != nil {
			return err
		}
		v.Seq, v.At, v.MonoS, v.Trusted, v.ReceivedAt, v.Body = uint64(seq), when(at), float64(mono)/1000, trusted != 0,
			when(received), body
		*out = append(*out, v)
		return nil
	}
}

// Records returns records of a stream of all units, in order of their IDs, for a cursor.
func (d *DB) Records(ctx context.Context, stream string, after int64, most int) (out []Record, err error) {
	kind, ok := kindOf(stream)
	if !ok {
		return nil, fmt.Errorf("stream %q: want one of %s", stream, strings.Join(streams, ", "))
	}
	where := "r.kind = ?1"
	if kind < rare {
		where += " AND r.kind < 2" // so that the index of the rare ones is used
	}
	err = d.query(ctx, "SELECT "+recordColumns+` FROM record r JOIN stream s ON s.id = r.stream JOIN unit u ON u.id = r.unit
		WHERE `+where+" AND r.id > ?2 ORDER BY r.id LIMIT ?3", scanRecord(stream, &out), kind, after, most)
	return out, err
}

// rare is the first kind of record that is not one of the rare ones, which have an index.
const rare = 2

// UnitRecords returns records of one unit, the newest first.
func (d *DB) UnitRecords(ctx context.Context, unit, stream string, before int64, most int) (out []Record, err error) {
	kind, ok := kindOf(stream)
	if !ok {
		return nil, fmt.Errorf("stream %q: want one of %s", stream, strings.Join(streams, ", "))
	}
	if before <= 0 {
		before = 1 << 62
	}
	id, err := d.unitID(ctx, unit)
	if errors.Is(err, ErrUnknown) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	err = d.query(ctx, "SELECT "+recordColumns+` FROM record r JOIN stream s ON s.id = r.stream JOIN unit u ON u.id = r.unit
		WHERE r.unit = ?1 AND r.kind = ?2 AND r.id < ?3 ORDER BY r.id DESC LIMIT ?4`, scanRecord(stream, &out), id, kind, before, most)
	return out, err
}

func (d *DB) unitID(ctx context.Context, name string) (id int64, err error) {
	err = d.row(ctx, "SELECT id FROM unit WHERE name = ?1", name).Scan(&id)
	return id, known(err, "unit "+name)
}

// known makes ErrUnknown of no row.
func known(err error, what string) error {
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return fmt.Errorf("%s: %w", what, ErrUnknown)
	case err != nil:
		return fmt.Errorf("database: %s: %w", what, err)
	}
	return nil
}

// Position returns how far a cursor is, 0 of one that never was.
func (d *DB) Position(ctx context.Context, name string) (id int64, err error) {
	err = known(d.row(ctx, "SELECT id FROM position WHERE name = ?1", name).Scan(&id), name)
	if errors.Is(err, ErrUnknown) {
		err = nil
	}
	return id, err
}

// SetPosition keeps how far a cursor is.
func (d *DB) SetPosition(ctx context.Context, name string, id int64) error {
	return d.do(ctx, "INSERT INTO position(name, id) VALUES(?1, ?2) ON CONFLICT (name) DO UPDATE SET id = excluded.id", name, id)
}

// do writes with one statement.
func (d *DB) do(ctx context.Context, query string, args ...any) error {
	return d.write(ctx, func(x *tx) error {
		_, err := x.exec(query, args...)
		return err
	})
}

const standingColumns = "SELECT u.name, t.at, t.heard, t.body FROM standing t JOIN unit u ON u.id = t.unit WHERE t.stands = 1"

func scanStanding(out *[]Standing) func(*sql.Rows) error {
	return func(r *sql.Rows) error {
		var s Standing
		var at, heard int64
		var body []byte
		if err := r.Scan(&s.Unit, &at, &heard, &body); err != nil {
			return err
		}
		s.At, s.Heard = when(at), when(heard)
		if err := json.Unmarshal(body, &s.Finding); err != nil {
			return err
		}
		*out = append(*out, s)
		return nil
	}
}

// Standing returns all that stands, of units in use.
func (d *DB) Standing(ctx context.Context) (out []Standing, err error) {
	err = d.query(ctx, standingColumns+" AND u.decommissioned = 0 ORDER BY u.name, t.finding, t.subject", scanStanding(&out))
	return out, err
}

// StandingOf returns what stands of a unit.
func (d *DB) StandingOf(ctx context.Context, unit string) (out []Standing, err error) {
	err = d.query(ctx, standingColumns+" AND u.name = ?1 ORDER BY t.finding, t.subject", scanStanding(&out), unit)
	return out, err
}

// Alarms returns the raises that stood in a time, oldest first.
func (d *DB) Alarms(ctx context.Context, from, to time.Time, most int) (out []Alarm, err error) {
	err = d.query(ctx, `SELECT a.id, u.name, a.finding, a.subject, a.severity, a.raised, a.ended FROM alarm a
		JOIN unit u ON u.id = a.unit WHERE a.raised < ?2 AND (a.ended = 0 OR a.ended >= ?1) ORDER BY a.raised, a.id LIMIT ?3`,
		func(r *sql.Rows) error {
			var a Alarm
			var raised, ended int64
			if err := r.Scan(&a.ID, &a.Unit, &a.Finding, &a.Subject, &a.Severity, &raised, &ended); err != nil {
				return err
			}
			a.Raised, a.Ended = when(raised), when(ended)
			out = append(out, a)
			return nil
		}, ms(from), ms(to), most)
	return out, err
}

// Flags returns what only the fleet's side can see of units in use.
func (d *DB) Flags(ctx context.Context) ([]Flagged, error) { return d.flags(ctx, "", "") }

func (d *DB) flags(ctx context.Context, where, unit string) (out []Flagged, err error) {
	if where == "" {
		where = "u.decommissioned = 0 AND ?1 = ''"
	}
	err = d.query(ctx, "SELECT u.name, f.flag, f.since, f.last, f.detail FROM flag f JOIN unit u ON u.id = f.unit WHERE "+where+
		" ORDER BY u.name, f.flag", func(r *sql.Rows) error {
		var f Flagged
		var since, last int64
		if err := r.Scan(&f.Unit, &f.Flag, &since, &last, &f.Detail); err != nil {
			return err
		}
		f.Since, f.Last = when(since), when(last)
		out = append(out, f)
		return nil
	}, unit)
	return out, err
}

// ClearFlag says that somebody has seen to it.
func (d *DB) ClearFlag(ctx context.Context, unit string, flag Flag) error {
	return d.write(ctx, func(x *tx) error {
		if _, err := x.exec("DELETE FROM flag WHERE unit = (SELECT id FROM unit WHERE name = ?1) AND flag = ?2", unit,
			string(flag)); err != nil {
			return err
		}
		_, err := x.exec("UPDATE unit SET flags = (SELECT count(*) FROM flag WHERE flag.unit = unit.id) WHERE name = ?1", unit)
		return err
	})
}

const unitColumns = `u.name, u.place, u.grp, u.model, u.contact, u.note, u.decommissioned, u.first_heard, u.last_heard,
	u.last_record, u.status, u.status_at, u.session, u.work_ends, u.asleep_until`

func scanUnit(r interface{ Scan(...any) error }, more ...any) (u Unit, err error) {
	var gone, first, heard, record, status, work, asleep int64
	err = r.Scan(append([]any{&u.ID, &u.Place, &u.Group, &u.Model, &u.Contact, &u.Note, &gone, &first, &heard, &record,
		&u.Status, &status, &u.Session, &work, &asleep}, more...)...)
	u.Decommissioned, u.FirstHeardAt, u.LastHeardAt, u.LastRecordAt, u.StatusAt, u.WorkEnds, u.AsleepUntil = when(gone), when(first),
		when(heard), when(record), when(status), when(work), when(asleep)
	u.Flags = []Flagged{}
	return u, err
}

// Unit returns what is known of a unit.
func (d *DB) Unit(ctx context.Context, id string) (Unit, error) {
	var at sql.NullInt64
	var schema sql.NullString
	var body []byte
	var off *float64
	u, err := scanUnit(d.row(ctx, "SELECT "+unitColumns+`, t.snapshot_at, t.snapshot_schema, t.snapshot, t.clock_off FROM unit u
		LEFT JOIN state t ON t.unit = u.id WHERE u.name = ?1`, id), &at, &schema, &body, &off)
	if err := known(err, "unit "+id); err != nil {
		return Unit{}, err
	}
	u.SnapshotAt, u.SnapshotSchema, u.ClockOffS = when(at.Int64), schema.String, off
	if len(body) > 0 {
		u.Snapshot = body
	}
	flags, err := d.flags(ctx, "u.name = ?1", id)
	if flags != nil {
		u.Flags = flags
	}
	return u, err
}

// Units returns units in order of their names, without flags and snapshots, but with the time of these:
// it tells which are new.
func (d *DB) Units(ctx context.Context, after string, most int) (out []Unit, err error) {
	err = d.query(ctx, "SELECT "+unitColumns+`, t.snapshot_at FROM unit u LEFT JOIN state t ON t.unit = u.id
		WHERE u.name > ?1 ORDER BY u.name LIMIT ?2`, func(r *sql.Rows) error {
		var at sql.NullInt64
		u, err := scanUnit(r, &at)
		u.SnapshotAt = when(at.Int64)
		out = append(out, u)
		return err
	}, after, most)
	return out, err
}

func scanUnits(out *[]Unit) func(*sql.Rows) error {
	return func(r *sql.Rows) error {
		u, err := scanUnit(r)
		*out = append(*out, u)
		return err
	}
}

// SilentUnits returns units in use that have sent no record since then, the longest silent first. One
// that was never heard is not silent: it was made by import.
func (d *DB) SilentUnits(ctx context.Context, before time.Time, most int) (out []Unit, err error) {
	err = d.query(ctx, "SELECT "+unitColumns+` FROM unit u WHERE u.decommissioned = 0 AND u.first_heard > 0 AND u.first_heard < ?1 AND u.last_record < ?1 AND u.asleep_until < ?1
		ORDER BY u.last_record, u.name LIMIT ?2`, scanUnits(&out), ms(before), most)
	return out, err
}

// Groups returns the names of all groups.
func (d *DB) Groups(ctx context.Context) (out []string, err error) {
	err = d.query(ctx, "SELECT DISTINCT grp FROM unit WHERE grp <> '' AND decommissioned = 0 ORDER BY grp", func(r *sql.Rows) error {
		var g string
		err := r.Scan(&g)
		out = append(out, g)
		return err
	})
	return out, err
}

// SetAbout keeps what the desk knows of a unit, which it makes where it isn't known.
func (d *DB) SetAbout(ctx context.Context, id string, a About) error {
	search := strings.ToLower(strings.Join([]string{id, a.Place, a.Group, a.Model, a.Contact}, "\n"))
	return d.write(ctx, func(x *tx) error {
		next, err := x.next("unit")
		if err != nil {
			return err
		}
		_, err = x.exec(`INSERT INTO unit(id, name, search, place, grp, model, contact, note) VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)
			ON CONFLICT (name) DO UPDATE SET search = excluded.search, place = excluded.place, grp = excluded.grp,
			model = excluded.model, contact = excluded.contact, note = excluded.note`,
			next, id, search, a.Place, a.Group, a.Model, a.Contact, a.Note)
		return err
	})
}

// Decommission takes a unit out of use, or with the zero time back.
func (d *DB) Decommission(ctx context.Context, id string, at time.Time) error {
	return d.write(ctx, func(x *tx) error {
		n, err := x.exec("UPDATE unit SET decommissioned = ?2 WHERE name = ?1", id, ms(at))
		if err == nil && n == 0 {
			err = fmt.Errorf("unit %s: %w", id, ErrUnknown)
		}
		return err
	})
}

// Worklist returns rows of the worklist.
func (d *DB) Worklist(ctx context.Context, q WorklistQuery) (page WorklistPage, err error) {
	page = WorklistPage{Rows: []WorklistRow{}, BySeverity: map[string]int{}, ByList: map[string]int{}}
	if q.Limit <= 0 {
		q.Limit = 50
	}
	// A unit with nothing to do that is not heard is in a list of its own.
	const list = "CASE WHEN u.list = 'well' AND u.last_record < ?1 AND u.asleep_until < ?1 THEN 'silent' ELSE u.list END"
	where, args := []string{"u.decommissioned = 0"}, []any{ms(q.SilentBefore)}
	and := func(condition string, value any) {
		args = append(args, value)
		where = append(where, strings.ReplaceAll(condition, "?", fmt.Sprintf("?%d", len(args))))
	}
	if q.Search != "" {
		pattern := strings.NewReplacer(`\`, `\\`, `%`, `\%`, `_`, `\_`).Replace(strings.ToLower(q.Search))
		and(`u.search LIKE ? ESCAPE '\'`, "%"+pattern+"%")
	}
	if q.Finding != "" {
		and("u.finding = ?", q.Finding)
	}
	if q.Group != "" {
		and("u.grp = ?", q.Group)
	}
	if q.WorkState != "" {
		and("u.work = ?", q.WorkState)
	}
	counted := strings.Join(where, " AND ")
	countArgs := args
	if q.Severity != "" {
		and("u.severity = ?", q.Severity)
	}
	if q.List != "" {
		args = append(args, q.List)
		where = append(where, fmt.Sprintf("%s = ?%d", list, len(args)))
	}
	err = d.query(ctx, "SELECT u.severity, "+list+", count(*) FROM unit u WHERE "+counted+" GROUP BY 1, 2", func(r *sql.Rows) error {
		var severity, of string
		var n int
		if err := r.Scan(&severity, &of, &n); err != nil {
			return err
		}
		page.BySeverity[severity] += n
		page.ByList[of] += n
		if (q.Severity == "" || q.Severity == severity) && (q.List == "" || q.List == of) {
			page.Total += n
		}
		return nil
	}, countArgs...)
	if err != nil {
		return page, err
	}
	down := ""
	if q.Descending {
		down = " DESC"
	}
	order := map[Sort]string{
		ByRank: "u.rank" + down, ByUnit: "u.name" + down, BySince: "u.since" + down,
		ByCharge: "CASE WHEN u.charge IS NULL THEN 1 ELSE 0 END, u.charge" + down,
		ByLifts:  "CASE WHEN u.lifts IS NULL THEN 1 ELSE 0 END, u.lifts" + down,
		ByHeard:  "u.last_record" + down, ByPlace: "u.place" + down,
	}[q.Sort]
	if order == "" {
		return page, fmt.Errorf("worklist: order %q: not known", q.Sort)
	}
	args = append(args, q.Limit, q.Offset)
	// The wide columns are read of the rows of the page only.
	err = d.query(ctx, `SELECT p.name, p.place, p.grp, p.model, p.contact, p.note, p.rank, p.list, p.severity, p.finding, p.subject,
		p.since, p.charge, p.lifts, p.work, p.last_record, p.status, p.flags, coalesce(t.worklist, '') FROM (
			SELECT u.id, u.name, u.place, u.grp, u.model, u.contact, u.note, u.rank, `+list+` AS list, u.severity, u.finding,
			u.subject, u.since, u.charge, u.lifts, u.work, u.last_record, u.status, u.flags
			FROM unit u WHERE `+strings.Join(where, " AND ")+fmt.Sprintf(` ORDER BY %s, u.name LIMIT ?%d OFFSET ?%d
		) AS p LEFT JOIN state t ON t.unit = p.id ORDER BY %s, p.name`, order, len(args)-1, len(args),
		strings.ReplaceAll(order, "u.", "p.")), func(r *sql.Rows) error {
		var w WorklistRow
		var since, heard int64
		var row []byte
		if err := r.Scan(&w.Unit, &w.Place, &w.Group, &w.Model, &w.Contact, &w.Note, &w.Rank, &w.List, &w.Severity, &w.Finding,
			&w.Subject, &since, &w.ChargePct, &w.LiftsLeft, &w.WorkState, &heard, &w.Status, &w.Flags, &row); err != nil {
			return err
		}
		w.Since, w.LastRecordAt = when(since), when(heard)
		if len(row) > 0 {
			w.Row = row
		}
		page.Rows = append(page.Rows, w)
		return nil
	}, args...)
	return page, err
}

// Sums returns counts over the whole database.
func (d *DB) Sums(ctx context.Context, silentBefore time.Time) (Sums, error) {
	s := Sums{Standing: map[string]int{}, Flagged: map[Flag]int{}}
	err := d.row(ctx, `SELECT count(*), count(CASE WHEN decommissioned > 0 THEN 1 END),
		count(CASE WHEN decommissioned = 0 AND status = 'online' THEN 1 END),
		count(CASE WHEN decommissioned = 0 AND first_heard > 0 AND first_heard < ?1 AND last_record < ?1 AND asleep_until < ?1 THEN 1 END) FROM unit`, ms(silentBefore)).
		Scan(&s.Units, &s.Decommissioned, &s.Online, &s.Silent)
	if err != nil {
		return s, fmt.Errorf("database: %w", err)
	}
	if err := d.row(ctx, "SELECT count(*), coalesce(sum(bytes), 0) FROM quarantine").Scan(&s.Quarantined, &s.QuarantinedB); err != nil {
		return s, fmt.Errorf("database: %w", err)
	}
	// As floating point: the sum of what a few liars say would not fit a whole number.
	for _, of := range []struct {
		column string
		to     *uint64
	}{{"missing", &s.MissingRecords}, {"gone_count", &s.GoneRecords}} {
		var n float64
		if err := d.row(ctx, "SELECT coalesce(sum(CAST("+of.column+" AS DOUBLE PRECISION)), 0) FROM stream WHERE "+of.column+" > 0").
			Scan(&n); err != nil {
			return s, fmt.Errorf("database: %w", err)
		}
		*of.to = uint64(min(n, 1<<63))
	}
	err = d.query(ctx, `SELECT t.severity, count(*) FROM standing t JOIN unit u ON u.id = t.unit
		WHERE t.stands = 1 AND u.decommissioned = 0 GROUP BY t.severity`, func(r *sql.Rows) error {
		var severity string
		var n int
		err := r.Scan(&severity, &n)
		s.Standing[severity] = n
		return err
	})
	if err != nil {
		return s, err
	}
	err = d.query(ctx, `SELECT f.flag, count(*) FROM flag f JOIN unit u ON u.id = f.unit WHERE u.decommissioned = 0 GROUP BY f.flag`,
		func(r *sql.Rows) error {
			var f Flag
			var n int
			err := r.Scan(&f, &n)
			s.Flagged[f] = n
			return err
		})
	return s, err
}
