package db

import (
	"cmp"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"

	"liftbank/agent/fleet/wire"
	"liftbank/agent/snapshot"
)

// makeRow makes the worklist's columns of a unit anew.
func (x *tx) makeRow(id int64, name string) error {
	var schema string
	var body []byte
	err := x.row("SELECT snapshot_schema, snapshot FROM state WHERE unit = ?1", id).Scan(&schema, &body)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return fmt.Errorf("database: %w", err)
	}
	in := rowInput{unit: name}
	if len(body) > 0 {
		if in.snapshot, err = wire.DecodeSnapshot(body); err != nil {
			return fmt.Errorf("database: snapshot of %s: %w", name, err)
		}
	}
	if in.findings, err = x.findings(id); err != nil {
		return err
	}
	if in.work, err = x.work(id); err != nil {
		return err
	}
	r := rowOf(in)
	if _, err := x.exec(`UPDATE unit SET rank = ?2, list = ?3, severity = ?4, finding = ?5, subject = ?6, since = ?7, charge = ?8,
		lifts = ?9, work = ?10 WHERE id = ?1`, id, r.Rank, r.List, r.Severity, r.Finding, r.Subject, ms(r.Since), r.ChargePct,
		r.LiftsLeft, r.WorkState); err != nil {
		return err
	}
	_, err = x.exec(`INSERT INTO state(unit, worklist) VALUES(?1, ?2) ON CONFLICT (unit) DO UPDATE SET worklist = excluded.worklist`,
		id, string(r.Row))
	return err
}

// findings returns what stands of a unit.
func (x *tx) findings(id int64) (out []snapshot.Finding, err error) {
	err = x.query("SELECT body FROM standing WHERE unit = ?1 AND stands = 1 ORDER BY finding, subject", func(r *sql.Rows) error {
		var body []byte
		if err := r.Scan(&body); err != nil {
			return err
		}
		out = append(out, snapshot.Finding{})
		return json.Unmarshal(body, &out[len(out)-1])
	}, id)
	return out, err
}

func (x *tx) work(id int64) (out []Work, err error) {
	err = x.query("SELECT finding, subject, state, at, body FROM work WHERE unit = ?1 ORDER BY finding, subject",
		func(r *sql.Rows) error {
			w, err := scanWork(r)
			out = append(out, w)
			return err
		}, id)
	return out, err
}

func scanWork(r *sql.Rows) (w Work, err error) {
	var at int64
	var body []byte
	err = r.Scan(&w.Finding, &w.Subject, &w.State, &at, &body)
	w.At, w.Body = when(at), body
	return w, err
}

// rowInput is what a worklist's row is made from.
type rowInput struct {
	unit     string
	snapshot *snapshot.Snapshot // nil before the first
	findings []snapshot.Finding
	work     []Work
}

// wellRank comes after all ranks of findings; it is the column's default, too.
const wellRank = int64(3) << 44

// rowOf makes a row. All that the database knows of a row's sense is here.
func rowOf(in rowInput) RowColumns {
	r := RowColumns{Rank: wellRank, List: "well"}
	rank := map[string]int64{"urgent": 0, "repair": 1, "note": 2}
	active := slices.DeleteFunc(slices.Clone(in.findings), func(f snapshot.Finding) bool { return !f.Active })
	if len(active) > 0 {
		f := slices.MinFunc(active, func(a, b snapshot.Finding) int {
			return cmp.Or(cmp.Compare(rank[a.Severity], rank[b.Severity]), a.Since.Compare(b.Since))
		})
		r.Rank, r.List = rank[f.Severity]<<44|max(f.Since.Unix(), 0), "work"
		r.Severity, r.Finding, r.Subject, r.Since = f.Severity, f.Name, f.Subject, f.Since
		for _, w := range in.work {
			if w.Finding == f.Name && w.Subject == f.Subject {
				r.WorkState = w.State
			}
		}
	}
	if s := in.snapshot; s != nil {
		r.ChargePct, r.LiftsLeft = s.Bank.SoCPct.Value, s.Bank.LiftsLeft.Value
	}
	return r
}

// workAfter notes what a finding's change makes of the work on it.
func (c *commit) workAfter(u *unitRow, f *snapshot.Finding) error { return nil }

// visit notes what a visit's record makes of the work on the unit.
func (c *commit) visit(u *unitRow, m *wire.Message) error { return nil }
