package db

import (
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"liftbank/agent/fleet/wire"
	"liftbank/agent/fleet/worklist"
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
	r, row, err := rowOf(in, x.d.opts.Now())
	if err != nil {
		return err
	}
	if _, err := x.exec(`UPDATE unit SET rank = ?2, list = ?3, severity = ?4, finding = ?5, subject = ?6, since = ?7, charge = ?8,
		lifts = ?9, work = ?10, work_ends = ?11 WHERE id = ?1`, id, r.Rank, r.List, r.Severity, r.Finding, r.Subject, ms(r.Since), r.ChargePct,
		r.LiftsLeft, r.WorkState, ms(r.WorkEnds)); err != nil {
		return err
	}
	_, err = x.exec(`INSERT INTO state(unit, worklist) VALUES(?1, ?2) ON CONFLICT (unit) DO UPDATE SET worklist = excluded.worklist`,
		id, string(r.Row))
	if err != nil {
		return err
	}
	if _, err := x.exec("DELETE FROM part WHERE unit = ?1", id); err != nil {
		return err
	}
	for _, p := range row.Parts {
		if _, err := x.exec("INSERT INTO part(unit, part, count) VALUES(?1, ?2, ?3)", id, p.Key(), p.Count); err != nil {
			return err
		}
	}
	return x.revise()
}

// revise notes that something has changed that a page shows.
func (x *tx) revise() error {
	if x.revised {
		return nil
	}
	x.revised = true
	_, err := x.exec("UPDATE counter SET value = value + 1 WHERE name = 'revision'")
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

// rowOf makes a row. Whether the unit is silent is not in it: that comes with time, without a commit.
func rowOf(in rowInput, now time.Time) (RowColumns, worklist.Row, error) {
	u := worklist.Unit{
		ID: in.unit, Snapshot: in.snapshot, Findings: in.findings, HeardAt: now, Visit: worklist.VisitOf(in.snapshot, now),
	}
	for _, w := range in.work {
		u.Work = append(u.Work, w.Worklist())
	}
	row := worklist.Of(u, now)
	row.HeardAt, row.Visit = time.Time{}, u.Visit // the rest of it comes with time
	body, err := json.Marshal(row)
	if err != nil {
		return RowColumns{}, row, fmt.Errorf("worklist of %s: %w", in.unit, err)
	}
	r := RowColumns{
		Rank: row.Rank, List: row.Besides(), Severity: row.Severity, Finding: row.Name, Subject: row.Subject, Since: row.Since,
		ChargePct: row.ChargePct, Row: body,
	}
	if u.Visit != nil {
		r.WorkEnds = u.Visit.EndsAt()
	}
	if row.LiftsLow != nil {
		r.LiftsLeft = in.snapshot.Bank.LiftsLeft.Value
	}
	if row.Work.Name != "" && row.Work.State != worklist.Open {
		r.WorkState = string(row.Work.State)
	}
	return r, row, nil
}

// Worklist returns work as package worklist has it.
func (w Work) Worklist() worklist.Work {
	var out worklist.Work
	if json.Unmarshal(w.Body, &out) != nil {
		out = worklist.Work{} // made elsewhere: its state still counts
	}
	out.Key, out.State, out.At = worklist.Key{Name: w.Finding, Subject: w.Subject}, worklist.State(w.State), w.At
	return out
}

// WorkOf returns package worklist's work as the database keeps it.
func WorkOf(unit string, w worklist.Work) (Work, error) {
	body, err := json.Marshal(w)
	if err != nil {
		return Work{}, fmt.Errorf("work on %s of %s: %w", w.Name, unit, err)
	}
	return Work{Unit: unit, Finding: w.Name, Subject: w.Subject, State: string(w.State), At: w.At, Body: body}, nil
}

// saveWork keeps work as package worklist has it.
func (x *tx) saveWork(id int64, unit string, w worklist.Work) error {
	row, err := WorkOf(unit, w)
	if err != nil {
		return err
	}
	return x.setWork(id, row)
}

// workAfter notes what a finding's change makes of the work on it.
func (c *commit) workAfter(u *unitRow, f *snapshot.Finding) error {
	all, err := c.work(u.id)
	if err != nil {
		return err
	}
	for _, w := range all {
		if w.Finding != f.Name || w.Subject != f.Subject {
			continue
		}
		if after, changed := worklist.AfterFinding(w.Worklist(), f); changed {
			u.rowDue = true
			return c.saveWork(u.id, u.name, after)
		}
	}
	return nil
}

// visit notes what a visit's record makes of the work on the unit: also of findings that nobody has
// taken on yet.
func (c *commit) visit(u *unitRow, m *wire.Message) error {
	all, err := c.work(u.id)
	if err != nil {
		return err
	}
	findings, err := c.findings(u.id)
	if err != nil {
		return err
	}
	for _, s := range u.standing { // newer, of this batch
		findings = append(findings, s.finding)
	}
	since := map[worklist.Key]time.Time{}
	for i := range findings {
		since[worklist.KeyOf(&findings[i])] = worklist.SinceOf(&findings[i])
	}
	works := map[worklist.Key]worklist.Work{}
	for _, w := range all {
		x := w.Worklist()
		works[x.Key] = x
	}
	for k := range since {
		if _, there := works[k]; !there {
			works[k] = worklist.Work{Key: k, State: worklist.Open}
		}
	}
	for k, w := range works {
		if after, changed := worklist.AfterVisit(w, since[k], &m.Visit.Visit); changed {
			u.rowDue = true
			if err := c.saveWork(u.id, u.name, after); err != nil {
				return err
			}
		}
	}
	return nil
}
