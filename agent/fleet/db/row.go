package db

import (
	"cmp"
	"database/sql"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"time"

	"liftbank/agent/fleet/wire"
	"liftbank/agent/fleet/worklist"
	"liftbank/agent/snapshot"
)

// makeRow makes the worklist's columns of a unit anew.
func (x *tx) makeRow(id int64, name string) error {
	in := []*rowInput{{id: id, unit: name}}
	if err := x.makeRows(in); err != nil {
		return err
	}
	return x.putRows(in)
}

// makeRows makes the worklist's columns of units anew, but for the rows themselves.
func (x *tx) makeRows(all []*rowInput) error {
	if len(all) == 0 {
		return nil
	}
	by := make(map[int64]*rowInput, len(all))
	var ids, unread, unknown []int64
	for _, in := range all {
		by[in.id] = in
		ids = append(ids, in.id)
		if in.snapshot == nil {
			unread = append(unread, in.id)
		}
		if !in.known {
			unknown = append(unknown, in.id)
		}
	}
	if err := x.readSnapshots(unread, by); err != nil {
		return err
	}
	if err := x.readFindings(unknown, by); err != nil {
		return err
	}
	parts, err := x.partsOf(ids)
	if err != nil {
		return err
	}
	columns := into("unit", "id", "id:i", "name:t!", "rank:i", "list:t", "severity:t", "finding:t", "subject:t", "since:i", "charge:f",
		"lifts:f", "work:t", "work_ends:i")
	fresh := into("part", "", "unit:i", "part:t", "count:i")
	for _, in := range all {
		r, row, err := rowOf(in, x.d.opts.Now())
		if err != nil {
			return err
		}
		in.out = r
		columns.add(in.id, in.unit, r.Rank, r.List, r.Severity, r.Finding, r.Subject, ms(r.Since), r.ChargePct, r.LiftsLeft,
			r.WorkState, ms(r.WorkEnds))
		now := make(map[string]int64, len(row.Parts))
		for _, p := range row.Parts {
			now[p.Key()] = int64(p.Count)
		}
		if maps.Equal(now, parts[in.id]) {
			continue
		}
		if _, err := x.exec("DELETE FROM part WHERE unit = ?1", in.id); err != nil {
			return err
		}
		for _, key := range slices.Sorted(maps.Keys(now)) {
			fresh.add(in.id, key, now[key])
		}
	}
	if err := x.put(columns); err != nil {
		return err
	}
	if err := x.put(fresh); err != nil {
		return err
	}
	return x.revise()
}

// putRows writes the worklist's rows.
func (x *tx) putRows(all []*rowInput) error {
	r := into("state", "unit", "unit:i", "worklist:t")
	for _, in := range all {
		r.add(in.id, string(in.out.Row))
	}
	return x.put(r)
}

// readSnapshots reads the last snapshot of units.
func (x *tx) readSnapshots(ids []int64, by map[int64]*rowInput) error {
	if len(ids) == 0 {
		return nil
	}
	where, arg := x.d.list("unit", ids)
	return x.query("SELECT unit, snapshot FROM state WHERE snapshot <> '' AND "+where, func(r *sql.Rows) error {
		var id int64
		var body []byte
		err := r.Scan(&id, &body)
		if err != nil {
			return err
		}
		in := by[id]
		if in.snapshot, err = wire.DecodeSnapshot(body); err != nil {
			return fmt.Errorf("snapshot of %s: %w", in.unit, err)
		}
		return nil
	}, arg)
}

// readFindings reads what stands of units, and the work on it.
func (x *tx) readFindings(ids []int64, by map[int64]*rowInput) error {
	if len(ids) == 0 {
		return nil
	}
	where, arg := x.d.list("unit", ids)
	err := x.query("SELECT unit, body FROM standing WHERE stands = 1 AND "+where+" ORDER BY unit, finding, subject",
		func(r *sql.Rows) error {
			var id int64
			var body []byte
			if err := r.Scan(&id, &body); err != nil {
				return err
			}
			in := by[id]
			in.findings = append(in.findings, snapshot.Finding{})
			return json.Unmarshal(body, &in.findings[len(in.findings)-1])
		}, arg)
	if err != nil {
		return err
	}
	works, err := x.worksOf(ids)
	for id, list := range works {
		by[id].work = list
	}
	return err
}

// partsOf returns the parts to bring to units.
func (x *tx) partsOf(ids []int64) (map[int64]map[string]int64, error) {
	out := map[int64]map[string]int64{}
	where, arg := x.d.list("unit", ids)
	return out, x.query("SELECT unit, part, count FROM part WHERE "+where, func(r *sql.Rows) error {
		var id, n int64
		var part string
		err := r.Scan(&id, &part, &n)
		if out[id] == nil {
			out[id] = map[string]int64{}
		}
		out[id][part] = n
		return err
	}, arg)
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

// worksOf returns the work on units.
func (x *tx) worksOf(ids []int64) (map[int64][]Work, error) {
	out := map[int64][]Work{}
	where, arg := x.d.list("unit", ids)
	return out, x.query("SELECT unit, finding, subject, state, at, body FROM work WHERE "+where+" ORDER BY unit, finding, subject",
		func(r *sql.Rows) error {
			var id, at int64
			var body []byte
			var w Work
			err := r.Scan(&id, &w.Finding, &w.Subject, &w.State, &at, &body)
			w.At, w.Body = when(at), body
			out[id] = append(out[id], w)
			return err
		}, arg)
}

func (x *tx) work(id int64) ([]Work, error) {
	all, err := x.worksOf([]int64{id})
	return all[id], err
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
	id       int64
	unit     string
	snapshot *snapshot.Snapshot // nil: not read, and before the first
	findings []snapshot.Finding // that stand, and the work on them
	work     []Work
	known    bool       // findings and work are all that there are
	out      RowColumns // what was made
}

// rowOf makes a row. Whether the unit is silent is not in it: that comes with time, without a commit.
func rowOf(in *rowInput, now time.Time) (RowColumns, worklist.Row, error) {
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

// keepWork keeps work of a unit of this batch.
func (c *commit) keepWork(u *unitRow, w worklist.Work) error {
	row, err := WorkOf(u.name, w)
	if err != nil {
		return err
	}
	u.rowDue = true
	i := slices.IndexFunc(u.works, func(o Work) bool { return o.Finding == row.Finding && o.Subject == row.Subject })
	if i < 0 {
		u.works = append(u.works, row)
		slices.SortFunc(u.works, func(a, b Work) int {
			return cmp.Or(cmp.Compare(a.Finding, b.Finding), cmp.Compare(a.Subject, b.Subject))
		})
	} else {
		u.works[i] = row
	}
	return c.setWork(u.id, row)
}

// workAfter notes what a finding's change makes of the work on it.
func (c *commit) workAfter(u *unitRow, f *snapshot.Finding) error {
	for _, w := range u.works {
		if w.Finding != f.Name || w.Subject != f.Subject {
			continue
		}
		if after, changed := worklist.AfterFinding(w.Worklist(), f); changed {
			return c.keepWork(u, after)
		}
	}
	return nil
}

// visit notes what a visit's record makes of the work on the unit: also of findings that nobody has
// taken on yet.
func (c *commit) visit(u *unitRow, m *wire.Message) error {
	findings := u.stand()
	since := map[worklist.Key]time.Time{}
	for i := range findings {
		since[worklist.KeyOf(&findings[i])] = worklist.SinceOf(&findings[i])
	}
	works := map[worklist.Key]worklist.Work{}
	for _, w := range u.works {
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
			if err := c.keepWork(u, after); err != nil {
				return err
			}
		}
	}
	return nil
}
