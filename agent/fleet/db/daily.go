package db

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"liftbank/agent/fleet/wire"
	"liftbank/agent/snapshot"
)

// Day is what a unit's snapshots said of one day. The database keeps no other snapshot than the last.
type Day struct {
	Day        time.Time // its start, UTC
	At         time.Time // of its last snapshot
	LowPct     *float64  // least charge of the bank among its snapshots
	SinceFullS *float64  // most
	DayFigures
}

// DayFigures are those of the day's last snapshot, but for rested voltages: the last that were known.
type DayFigures struct {
	SoCPct    DayEstimate  `json:"soc"` // of the bank
	Counted   DayCounts    `json:"n"`
	Batteries []DayBattery `json:"b"`
}

// DayCounts only grow, but for a card that was replaced.
type DayCounts struct {
	Lifts     uint64  `json:"l"`
	Runs      uint64  `json:"r"`
	FeedS     float64 `json:"f"`
	ChargedAh float64 `json:"i"`
	DrawnAh   float64 `json:"o"`
}

// DayBattery is one battery on one day.
type DayBattery struct {
	ID             string      `json:"id"`
	RatedCCA       float64     `json:"cca,omitempty"`
	SoCPct         DayEstimate `json:"s"`
	ResistanceMohm DayEstimate `json:"r"`
	CrankingA      DayEstimate `json:"c"`
	CapacityAh     DayEstimate `json:"q"`
	RestedV        DayEstimate `json:"-"`
}

// DayEstimate is a figure and its standard uncertainty, both nil where it is not known.
type DayEstimate [2]*float64

func dayEstimate(e snapshot.Estimate) DayEstimate { return DayEstimate{e.Value, e.Sigma} }

const dayMs = 24 * 60 * 60 * 1000

// dayBook is what a commit notes for the days of its units, and of parked units that have run.
type dayBook struct {
	days map[dayKey]*dayRow
	ran  map[*unitRow]int64
}

type dayKey struct{ unit, day int64 }

// dayRow is the snapshots of one day in a batch: the last, and what is the least and most of all.
type dayRow struct {
	last      *snapshot.Snapshot
	low, full *float64
}

// noteDay keeps a snapshot for the row of its day: that of its own clock where it can be trusted.
func (c *commit) noteDay(u *unitRow, m *wire.Message) {
	at := c.now
	if m.Head.ClockTrusted && ms(m.Head.At) < at+clockLimit.Milliseconds() && m.Head.At.Year() >= 2000 {
		at = ms(m.Head.At)
	}
	if c.book.days == nil {
		c.book.days = map[dayKey]*dayRow{}
	}
	k, s := dayKey{u.id, at / dayMs}, m.Snapshot
	r := c.book.days[k]
	if r == nil {
		c.book.days[k] = &dayRow{s, s.Bank.SoCPct.Value, s.Bank.SinceFullS}
		return
	}
	r.last = withRested(s, r.last)
	if v := s.Bank.SoCPct.Value; v != nil && (r.low == nil || *v < *r.low) {
		r.low = v
	}
	if v := s.Bank.SinceFullS; v != nil && (r.full == nil || *v > *r.full) {
		r.full = v
	}
}

// withRested returns a snapshot that has rested voltages of the one before where its own are not known.
func withRested(s, before *snapshot.Snapshot) *snapshot.Snapshot {
	known := func(s *snapshot.Snapshot) bool {
		return slices.ContainsFunc(s.Batteries, func(b snapshot.Battery) bool { return b.RestedV.Value != nil })
	}
	if known(s) || !known(before) {
		return s
	}
	out := *s
	out.Batteries = slices.Clone(s.Batteries)
	for i := range out.Batteries {
		for _, b := range before.Batteries {
			if b.ID == out.Batteries[i].ID {
				out.Batteries[i].RestedV = b.RestedV
			}
		}
	}
	return &out
}

// saveDays writes the days of the batch's snapshots: one row each, which the next snapshot of the day
// replaces.
func (c *commit) saveDays() error {
	if len(c.book.days) == 0 {
		return nil
	}
	keys := make([]dayKey, 0, len(c.book.days))
	for k := range c.book.days {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b dayKey) int { return cmp.Or(cmp.Compare(a.unit, b.unit), cmp.Compare(a.day, b.day)) })
	r := into("daily", "unit,day", "unit:i", "day:i", "at:i", "low:f", "since_full:f", "rested:t", "figures:t")
	r.set = `at = excluded.at, figures = excluded.figures,
		low = CASE WHEN daily.low < excluded.low OR excluded.low IS NULL THEN daily.low ELSE excluded.low END,
		since_full = CASE WHEN daily.since_full > excluded.since_full OR excluded.since_full IS NULL THEN daily.since_full
			ELSE excluded.since_full END,
		rested = CASE WHEN excluded.rested = '' THEN daily.rested ELSE excluded.rested END`
	for _, k := range keys {
		d := c.book.days[k]
		figures, rested, err := dayOf(d.last)
		if err != nil {
			return err
		}
		r.add(k.unit, k.day, ms(d.last.At), d.low, d.full, rested, figures)
	}
	return c.put(r)
}

// dayOf writes what is kept of a snapshot for its day.
func dayOf(s *snapshot.Snapshot) (figures, rested string, err error) {
	f := DayFigures{
		SoCPct: dayEstimate(s.Bank.SoCPct),
		Counted: DayCounts{
			s.Motor.LiftCycles, s.Motor.Runs, s.Feed.FeedTimeS, s.Bank.ChargedAh, s.Bank.DrawnAh,
		},
		Batteries: make([]DayBattery, len(s.Batteries)),
	}
	volts := map[string]DayEstimate{}
	for i := range s.Batteries {
		b := &s.Batteries[i]
		f.Batteries[i] = DayBattery{
			ID: b.ID, RatedCCA: b.RatedCCA, SoCPct: dayEstimate(b.SoCPct), ResistanceMohm: dayEstimate(b.ResistanceMohm),
			CrankingA: dayEstimate(b.CrankingA), CapacityAh: dayEstimate(b.CapacityAh),
		}
		if b.RestedV.Value != nil {
			volts[b.ID] = dayEstimate(b.RestedV)
		}
	}
	body, err := json.Marshal(f)
	if err == nil && len(volts) > 0 {
		var text []byte
		text, err = json.Marshal(volts)
		rested = string(text)
	}
	if err != nil {
		return "", "", fmt.Errorf("day of %s: %w", s.Unit, err)
	}
	return string(body), rested, nil
}

// Days returns the days of a unit from one on that have any, in order.
func (d *DB) Days(ctx context.Context, unit string, from time.Time) (out []Day, err error) {
	err = d.query(ctx, `SELECT t.day, t.at, t.low, t.since_full, t.rested, t.figures FROM daily t JOIN unit u ON u.id = t.unit
		WHERE u.name = ?1 AND t.day >= ?2 ORDER BY t.day`, func(r *sql.Rows) error {
		var v Day
		var day, at int64
		var rested, figures []byte
		if err := r.Scan(&day, &at, &v.LowPct, &v.SinceFullS, &rested, &figures); err != nil {
			return err
		}
		v.Day, v.At = time.UnixMilli(day*dayMs).UTC(), when(at)
		if err := json.Unmarshal(figures, &v.DayFigures); err != nil {
			return fmt.Errorf("day %s of %s: %w", v.Day.Format(time.DateOnly), unit, err)
		}
		if len(rested) > 0 {
			volts := map[string]DayEstimate{}
			if err := json.Unmarshal(rested, &volts); err != nil {
				return fmt.Errorf("day %s of %s: %w", v.Day.Format(time.DateOnly), unit, err)
			}
			for i := range v.Batteries {
				v.Batteries[i].RestedV = volts[v.Batteries[i].ID]
			}
		}
		out = append(out, v)
		return nil
	}, unit, ms(from)/dayMs)
	return out, err
}

// UnitAlarms returns the raises at a unit that stood in a time, oldest first, at most so many: the last.
func (d *DB) UnitAlarms(ctx context.Context, unit string, from, to time.Time, most int) (out []Alarm, err error) {
	err = d.query(ctx, `SELECT a.id, a.finding, a.subject, a.severity, a.raised, a.ended FROM alarm a JOIN unit u ON u.id = a.unit
		WHERE u.name = ?1 AND a.raised < ?3 AND (a.ended = 0 OR a.ended >= ?2) ORDER BY a.raised DESC, a.id DESC LIMIT ?4`,
		func(r *sql.Rows) error {
			a := Alarm{Unit: unit}
			var raised, ended int64
			if err := r.Scan(&a.ID, &a.Finding, &a.Subject, &a.Severity, &raised, &ended); err != nil {
				return err
			}
			a.Raised, a.Ended = when(raised), when(ended)
			out = append(out, a)
			return nil
		}, unit, ms(from), ms(to), most)
	slices.Reverse(out)
	return out, err
}

// UnitRecordsSince returns records of one unit that were received since a time and have an ID above
// after, the newest first.
func (d *DB) UnitRecordsSince(ctx context.Context, unit, stream string, since time.Time, after int64, most int) (out []Record, err error) {
	const page = 200
	for before := int64(0); len(out) < most; {
		got, err := d.UnitRecords(ctx, unit, stream, before, min(page, most-len(out)))
		if err != nil {
			return nil, err
		}
		for i := range got {
			if got[i].ID <= after || got[i].ReceivedAt.Before(since) { // IDs grow with it
				return append(out, got[:i]...), nil
			}
		}
		out = append(out, got...)
		if len(got) < page {
			break
		}
		before = got[len(got)-1].ID
	}
	return out, nil
}

// RunTimes returns when motor runs of a unit ended, as far as they were received since a time, oldest
// first, at most so many: the last.
func (d *DB) RunTimes(ctx context.Context, unit string, since time.Time, most int) (out []time.Time, err error) {
	kind, _ := kindOf(wire.Runs)
	err = d.query(ctx, `SELECT r.at, r.received FROM record r JOIN unit u ON u.id = r.unit WHERE u.name = ?1 AND r.kind = ?2
		ORDER BY r.id DESC LIMIT ?3`, func(r *sql.Rows) error {
		var at, received int64
		if err := r.Scan(&at, &received); err != nil {
			return err
		}
		if at >= ms(since) && received >= ms(since) && at <= received+clockLimit.Milliseconds() {
			out = append(out, when(at))
		}
		return nil
	}, unit, kind, most)
	slices.SortFunc(out, time.Time.Compare)
	return out, err
}

// retainDays deletes days before a time, a thousand units at a time.
func (d *DB) retainDays(ctx context.Context, before time.Time) (all int64, err error) {
	const units = 1000
	for after := int64(0); ; {
		var ids []int64
		err := d.query(ctx, "SELECT id FROM unit WHERE id > ?1 ORDER BY id LIMIT ?2", func(r *sql.Rows) error {
			var id int64
			err := r.Scan(&id)
			ids = append(ids, id)
			return err
		}, after, units)
		if err != nil || len(ids) == 0 {
			return all, err
		}
		after = ids[len(ids)-1]
		where, arg := d.list("unit", ids)
		err = d.write(ctx, func(x *tx) error {
			n, err := x.exec("DELETE FROM daily WHERE "+where+" AND day < ?2", arg, ms(before)/dayMs)
			all += n
			return err
		})
		if err != nil {
			return all, err
		}
	}
}

// Parked is that a unit stands somewhere and may say nothing. Days are YYYY-MM-DD, the last included.
type Parked struct {
	From, Until, Reason string
	By                  string    // who said so
	At                  time.Time // when
}

// On reports whether a unit is parked on the day of a time.
func (p Parked) On(t time.Time) bool {
	day := t.UTC().Format(time.DateOnly)
	return p.Until != "" && day <= p.Until && day >= p.From
}

// ParkedUnits returns the units that are parked or will be, by name.
func (d *DB) ParkedUnits(ctx context.Context) (map[string]Parked, error) {
	out := map[string]Parked{}
	err := d.query(ctx, "SELECT name, "+parkedColumns+" FROM unit WHERE parked_until <> ''", func(r *sql.Rows) error {
		var name string
		var p Parked
		err := scanParked(r, &p, &name)
		out[name] = p
		return err
	})
	return out, err
}

const parkedColumns = "parked_from, parked_until, parked_reason, parked_by, parked_at"

func scanParked(r interface{ Scan(...any) error }, p *Parked, before ...any) error {
	var at int64
	err := r.Scan(append(before, &p.From, &p.Until, &p.Reason, &p.By, &at)...)
	p.At = when(at)
	return err
}

// noteRun keeps when a unit's motor ran last: a parked unit that runs is not parked any more. The wake
// line would say sooner that a trailer is moved, but snapshots alone have it, some four a day, and a yard
// moves parked trailers, too. A run is a record: it comes, once, however late, with its time.
func (c *commit) noteRun(u *unitRow, m *wire.Message) {
	at := c.now
	if m.Head.ClockTrusted {
		at = min(at, ms(m.Head.At))
	}
	if c.book.ran == nil {
		c.book.ran = map[*unitRow]int64{}
	}
	c.book.ran[u] = max(c.book.ran[u], at)
}

// saveParked ends the parking of units that have run since it was said, on a day on which they were
// parked.
func (c *commit) saveParked() error {
	if len(c.book.ran) == 0 {
		return nil
	}
	by := map[int64]*unitRow{}
	ids := make([]int64, 0, len(c.book.ran))
	for u := range c.book.ran {
		by[u.id] = u
		ids = append(ids, u.id)
	}
	slices.Sort(ids)
	where, arg := c.d.list("id", ids)
	var ended []int64
	parked := map[int64]Parked{}
	// > and not <>, so that the units of the batch are looked up, not all that are parked.
	err := c.query("SELECT id, "+parkedColumns+" FROM unit WHERE parked_until > '' AND "+where+" ORDER BY id", func(r *sql.Rows) error {
		var id int64
		var p Parked
		if err := scanParked(r, &p, &id); err != nil {
			return err
		}
		if at := c.book.ran[by[id]]; at > ms(p.At) && p.On(when(at)) {
			ended, parked[id] = append(ended, id), p
		}
		return nil
	}, arg)
	if err != nil {
		return err
	}
	for _, id := range ended {
		if err := c.endParked(by[id], parked[id], when(c.book.ran[by[id]])); err != nil {
			return err
		}
	}
	return nil
}

func (c *commit) endParked(u *unitRow, p Parked, ran time.Time) error {
	if _, err := c.exec(`UPDATE unit SET parked_from = '', parked_until = '', parked_reason = '', parked_by = '', parked_at = 0
		WHERE id = ?1`, u.id); err != nil {
		return err
	}
	was := []string{"parked_from=" + p.From, "parked_until=" + p.Until}
	if p.Reason != "" {
		was = append(was, "parked_reason="+p.Reason)
	}
	err := c.audit(AuditChange{
		Audit:  Audit{At: c.at, Action: ParkedEnded, Unit: u.name, Detail: ran.Format("2006-01-02 15:04 UTC")},
		Was:    strings.Join(was, "; "),
		Became: "parked_until=",
	})
	if err != nil {
		return err
	}
	return c.revise()
}

// ParkedEnded is the action of the audit trail by which a motor run ends a unit's parking.
const ParkedEnded = "parked-ended"
