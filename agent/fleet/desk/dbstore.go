package desk

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/wire"
	"liftbank/agent/fleet/worklist"
)

// Stored returns the store in a database.
func Stored(d *db.DB, now func() time.Time) Store { return dbStore{d, now, newHourBooks()} }

type dbStore struct {
	db    *db.DB
	now   func() time.Time
	hours *hourBooks
}

// unknown makes ErrUnknown of the database's.
func unknown(err error) error {
	if errors.Is(err, db.ErrUnknown) {
		return fmt.Errorf("%w: %w", ErrUnknown, err)
	}
	return err
}

func queryOf(q RowsQuery) db.RowQuery {
	out := db.RowQuery{
		Now: q.Now, SilentBefore: q.Now.Add(-worklist.SilentAfter), Lists: q.Lists, Severities: q.Severities, Group: q.Group, Search: q.Search,
		Finding: q.Finding, Limit: q.Limit,
	}
	if q.After != nil {
		out.AfterRank, out.AfterUnit = q.After.Rank, q.After.Unit
	}
	return out
}

// rowAt reads a row, with what comes with time.
func rowAt(p db.PageRow, now time.Time) (Row, error) {
	row := worklist.Row{Unit: p.Unit, List: worklist.ListWell, Rank: p.Rank}
	if len(p.Row) > 0 {
		if err := json.Unmarshal(p.Row, &row); err != nil {
			return Row{}, fmt.Errorf("worklist of %s: %w", p.Unit, err)
		}
	}
	d := Data{
		Place: p.Place, Group: p.Group, ParkedFrom: p.Parked.From, ParkedUntil: p.Parked.Until, ParkedReason: p.Parked.Reason,
	}
	row.AsleepUntil = p.AsleepUntil
	row.Age(p.LastRecordAt, d.parkedTo(now), now)
	return rowWith(row, d, now), nil
}

func (s dbStore) Rows(ctx context.Context, q RowsQuery) (rows []Row, more bool, err error) {
	got, more, err := s.db.Rows(ctx, queryOf(q))
	if err != nil {
		return nil, false, err
	}
	for _, p := range got {
		row, err := rowAt(p, q.Now)
		if err != nil {
			return nil, false, err
		}
		rows = append(rows, row)
	}
	return rows, more, nil
}

func (s dbStore) Counts(ctx context.Context, q RowsQuery) (c Counts, err error) {
	c.All, c.Lists, c.Severity, err = s.db.RowCounts(ctx, queryOf(q))
	return c, err
}

func (s dbStore) Parts(ctx context.Context, q RowsQuery) ([]worklist.Part, error) {
	sums, err := s.db.PartSums(ctx, queryOf(q))
	if err != nil {
		return nil, err
	}
	var parts []worklist.Part
	for key, n := range sums {
		p, err := worklist.ParsePart(key, n)
		if err != nil {
			return nil, err
		}
		parts = append(parts, p)
	}
	return worklist.Sum(parts), nil
}

func (s dbStore) Groups(ctx context.Context, most int) ([]string, error) {
	return s.db.GroupNames(ctx, most)
}

const maxStreams = 40 // of a unit's page: a session is a start of the agent

func (s dbStore) Unit(ctx context.Context, id string) (*Unit, error) {
	u, err := s.db.Unit(ctx, id)
	if err != nil {
		return nil, unknown(err)
	}
	about, err := s.db.AboutOf(ctx, id)
	if err != nil {
		return nil, unknown(err)
	}
	standing, err := s.db.StandingOf(ctx, id)
	if err != nil {
		return nil, err
	}
	work, err := s.db.Work(ctx, id)
	if err != nil {
		return nil, err
	}
	streams, err := s.db.Streams(ctx, id, maxStreams)
	if err != nil {
		return nil, err
	}
	out := &Unit{
		Data: dataOf(about), ParkedBy: about.Parked.By, ParkedAt: about.Parked.At, Status: u.Status, StatusAt: u.StatusAt, AsleepUntil: u.AsleepUntil, ReceivedAt: u.LastHeardAt, ClockOffS: u.ClockOffS,
	}
	if len(u.Snapshot) > 0 {
		if out.Snapshot, err = wire.DecodeSnapshot(u.Snapshot); err != nil {
			return nil, fmt.Errorf("snapshot of %s: %w", id, err)
		}
	}
	for _, f := range standing {
		out.Findings = append(out.Findings, f.Finding)
	}
	for _, w := range work {
		out.Work = append(out.Work, w.Worklist())
	}
	for _, x := range streams {
		out.Streams = append(out.Streams, Stream(x))
	}
	for _, f := range u.Flags {
		if f.Flag == db.TwoIdentities {
			out.Clones++
		}
		out.Flags = append(out.Flags, string(f.Flag)+": "+f.Detail)
	}
	// Made anew: it is what the worklist has, but for what comes with time.
	now := s.now()
	out.Row = rowWith(worklist.Of(worklist.Unit{
		ID: id, Snapshot: out.Snapshot, Findings: out.Findings, Work: out.Work, HeardAt: u.LastRecordAt, QuietUntil: out.parkedTo(now),
		Visit: worklist.VisitOf(out.Snapshot, u.LastHeardAt),
	}, now), out.Data, now)
	return out, nil
}

func recordOf(r db.Record) Record {
	return Record{
		ID: r.ID, Unit: r.Unit, Stream: r.Stream, Session: r.Session, Seq: r.Seq, At: r.At, Trusted: r.Trusted, ReceivedAt: r.ReceivedAt,
		Body: r.Body,
	}
}

func (s dbStore) Records(ctx context.Context, unit, stream string, before int64, most int) (out []Record, err error) {
	of := []string{stream}
	if stream == "" {
		of = streams
	}
	for _, name := range of {
		var got []db.Record
		if unit == "" {
			got, err = s.db.RecentRecords(ctx, name, before, most)
		} else {
			got, err = s.db.UnitRecords(ctx, unit, name, before, most)
		}
		if err != nil {
			return nil, err
		}
		for _, r := range got {
			out = append(out, recordOf(r))
		}
	}
	if len(of) > 1 {
		newestFirst(out)
	}
	return out[:min(len(out), most)], nil
}

func (s dbStore) Record(ctx context.Context, id int64) (*Record, error) {
	r, err := s.db.Record(ctx, id)
	if err != nil {
		return nil, unknown(err)
	}
	out := recordOf(r)
	return &out, nil
}

func dataOf(u db.AboutParked) Data {
	return Data{
		Unit: u.Unit, Place: u.Place, Group: u.Group, Model: u.Model, Contact: u.Contact, Note: u.Note, ParkedFrom: u.Parked.From,
		ParkedUntil: u.Parked.Until, ParkedReason: u.Parked.Reason,
	}
}

func aboutOf(d Data) db.AboutParked {
	return db.AboutParked{
		Unit:   d.Unit,
		About:  db.About{Place: d.Place, Group: d.Group, Model: d.Model, Contact: d.Contact, Note: d.Note},
		Parked: db.Parked{From: d.ParkedFrom, Until: d.ParkedUntil, Reason: d.ParkedReason},
	}
}

func (s dbStore) AllData(ctx context.Context, yield func(Data) error) error {
	return s.db.AllAbout(ctx, func(u db.AboutParked) error { return yield(dataOf(u)) })
}

// changeOf writes an entry as the database has it.
func changeOf(e AuditEntry) db.AuditChange {
	return db.AuditChange{
		Audit: db.Audit{At: e.At, Who: e.Who, Action: e.Action, Unit: e.Unit, Detail: e.What}, Was: e.Before, Became: e.After,
	}
}

func (s dbStore) SetData(ctx context.Context, by string, at time.Time, units []Data) error {
	abouts := make([]db.AboutParked, len(units))
	for i, u := range units {
		abouts[i] = aboutOf(u)
	}
	return s.db.SetAbouts(ctx, abouts, func(before, after db.AboutParked) db.AuditChange {
		was, is := Difference(dataOf(before), dataOf(after))
		return changeOf(AuditEntry{At: at, Who: by, Action: ActionData, Unit: after.Unit, Before: was, After: is})
	})
}

func (s dbStore) SetWork(ctx context.Context, by string, at time.Time, unit string, w worklist.Work) error {
	return unknown(s.db.SetWorkAs(ctx, unit, w, func(before worklist.Work) db.AuditChange {
		return changeOf(WorkEntry(by, at, unit, before, w))
	}))
}

func (s dbStore) Revision(ctx context.Context) (int64, error) { return s.db.Revision(ctx) }

func (s dbStore) Audit(ctx context.Context, unit string, before int64, most int) (out []AuditEntry, err error) {
	all, err := s.db.Changes(ctx, unit, before, most)
	for _, a := range all {
		out = append(out, AuditEntry{
			ID: a.ID, At: a.At, Who: a.Who, Action: a.Action, Unit: a.Unit, What: strings.TrimSpace(a.Detail + " " + a.From), Before: a.Was,
			After: a.Became,
		})
	}
	return out, err
}

func (s dbStore) Note(ctx context.Context, e AuditEntry) error {
	return s.db.AddChange(ctx, changeOf(e))
}

func accountOf(a db.Account) Account {
	return Account{Name: a.Name, Role: Role(a.Role), Hash: string(a.Password), SetAt: a.Made}
}

func (s dbStore) Account(ctx context.Context, name string) (*Account, error) {
	a, err := s.db.Account(ctx, name)
	if err == nil && a.Disabled {
		err = ErrUnknown
	}
	if err != nil {
		return nil, unknown(err)
	}
	out := accountOf(a)
	return &out, nil
}

func (s dbStore) Accounts(ctx context.Context) (out []Account, err error) {
	all, err := s.db.Accounts(ctx)
	for _, a := range all {
		if !a.Disabled {
			out = append(out, accountOf(a))
		}
	}
	return out, err
}

func (s dbStore) SetAccount(ctx context.Context, by string, at time.Time, a Account) error {
	old, err := s.Account(ctx, a.Name)
	if err != nil && !errors.Is(err, ErrUnknown) {
		return err
	}
	return s.db.PutAccountAs(ctx, a.Name, &db.Account{Name: a.Name, Role: string(a.Role), Password: []byte(a.Hash), Made: at},
		changeOf(AccountEntry(by, at, a.Name, old, &a)))
}

func (s dbStore) RemoveAccount(ctx context.Context, by string, at time.Time, name string) error {
	old, err := s.Account(ctx, name)
	if err != nil {
		return err
	}
	return unknown(s.db.PutAccountAs(ctx, name, nil, changeOf(AccountEntry(by, at, name, old, nil))))
}

func (s dbStore) AddLogin(ctx context.Context, l Login) error {
	key, err := hex.DecodeString(l.Hash)
	if err != nil {
		return fmt.Errorf("login: %w", err)
	}
	now := s.now()
	if err := s.db.DeleteLogins(ctx, "", now); err != nil {
		return err
	}
	return s.db.PutLogin(ctx, db.Login{Key: key, Account: l.Account, Made: now, Seen: now, Ends: l.Until})
}

func (s dbStore) Login(ctx context.Context, hash string) (*Login, *Account, error) {
	key, err := hex.DecodeString(hash)
	if err != nil {
		return nil, nil, ErrUnknown
	}
	l, err := s.db.Login(ctx, key)
	if err != nil {
		return nil, nil, unknown(err)
	}
	a, err := s.Account(ctx, l.Account)
	if err != nil {
		return nil, nil, err
	}
	return &Login{Hash: hash, Account: l.Account, Until: l.Ends}, a, nil
}

func (s dbStore) EndLogin(ctx context.Context, hash string) error {
	key, err := hex.DecodeString(hash)
	if err != nil {
		return nil // there is none of it
	}
	return s.db.DeleteLogin(ctx, key)
}
