package db

import (
	"encoding/json"
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/worklist"
	"liftbank/agent/records"
	"liftbank/agent/visit"
)

func TestPages(t *testing.T) {
	both(t, func(t *testing.T, d *DB) {
		ctx := t.Context()
		commitAll(t, d, now, run(t, "t-1", "s", 1, 1), run(t, "t-2", "s", 1, 1), run(t, "t-3", "s", 1, 1), run(t, "t-4", "s", 1, 1),
			findingMessage(t, "t-2", "s", 1, findingOf("service-due", "", "note", "unacknowledged", 1)),
			findingMessage(t, "t-3", "s", 1, findingOf("link-resistive", "positive link a-b", "repair", "unacknowledged", 1)))
		rev, err := d.Revision(ctx)
		require.NoError(t, err)
		units := []AboutParked{
			{Unit: "t-1", About: About{Place: "Málaga", Group: "south"}, Parked: Parked{Until: "2026-04-01"}}, {Unit: "t-3", About: About{Group: "north"}}, {Unit: "t-9"},
		}
		line := func(before, after AboutParked) AuditChange {
			return AuditChange{Audit: Audit{At: now, Who: "kim", Action: "data", Unit: after.Unit}, Was: before.Place, Became: after.Place}
		}
		require.NoError(t, d.SetAbouts(ctx, units, line))
		units[0].Place = "Nave 3"
		require.NoError(t, d.SetAbouts(ctx, units[:1], line))
		trail, err := d.Changes(ctx, "t-1", 0, 10)
		require.NoError(t, err)
		require.Len(t, trail, 2)
		assert.Equal(t, "Málaga", trail[0].Was)
		assert.Equal(t, "Nave 3", trail[0].Became)
		later, err := d.Revision(ctx)
		require.NoError(t, err)
		assert.Greater(t, later, rev)

		names := func(q RowQuery) (out []string) {
			rows, _, err := d.Rows(ctx, q)
			require.NoError(t, err)
			for _, r := range rows {
				out = append(out, r.Unit)
			}
			return out
		}
		heard := now.Add(-time.Hour)
		assert.Equal(t, []string{"t-3", "t-2", "t-1", "t-4", "t-9"}, names(RowQuery{SilentBefore: heard}))
		assert.Equal(t, []string{"t-9"}, names(RowQuery{SilentBefore: heard, Lists: []string{"silent"}}))
		assert.Equal(t, []string{"t-1", "t-4"}, names(RowQuery{SilentBefore: heard, Lists: []string{"well"}}))
		assert.Equal(t, []string{"t-3", "t-1", "t-4"}, names(RowQuery{SilentBefore: heard, Lists: []string{"well", "work"}, Severities: []string{"repair", ""}}))
		assert.Equal(t, []string{"t-1"}, names(RowQuery{SilentBefore: heard, Search: "NAVE"}))
		assert.Equal(t, []string{"t-3"}, names(RowQuery{SilentBefore: heard, Group: "north"}))
		assert.Equal(t, []string{"t-2"}, names(RowQuery{SilentBefore: heard, Finding: "service-due"}))
		var walked []string
		for q := (RowQuery{SilentBefore: heard, Limit: 2}); ; {
			rows, more, err := d.Rows(ctx, q)
			require.NoError(t, err)
			for _, r := range rows {
				walked = append(walked, r.Unit)
			}
			if !more {
				break
			}
			q.AfterRank, q.AfterUnit = rows[len(rows)-1].Rank, rows[len(rows)-1].Unit
		}
		assert.Equal(t, []string{"t-3", "t-2", "t-1", "t-4", "t-9"}, walked)
		all, lists, severities, err := d.RowCounts(ctx, RowQuery{SilentBefore: heard})
		require.NoError(t, err)
		assert.Equal(t, 5, all)
		assert.Equal(t, map[string]int{"work": 2, "well": 2, "silent": 1}, lists)
		assert.Equal(t, map[string]int{"note": 1, "repair": 1}, severities)
		parts, err := d.PartSums(ctx, RowQuery{SilentBefore: heard})
		require.NoError(t, err)
		assert.Equal(t, map[string]int{"lug": 2, "oil": 1, "filter": 1}, parts)
		groups, err := d.GroupNames(ctx, 10)
		require.NoError(t, err)
		assert.Equal(t, []string{"north", "south"}, groups)

		var seen []string
		require.NoError(t, d.AllAbout(ctx, func(u AboutParked) error { seen = append(seen, u.Unit+u.Parked.Until); return nil }))
		assert.Equal(t, []string{"t-12026-04-01", "t-2", "t-3", "t-4", "t-9"}, seen)
		assert.ErrorContains(t, d.AllAbout(ctx, func(AboutParked) error { return errors.New("enough") }), "enough")
		about, err := d.AboutOf(ctx, "t-1")
		require.NoError(t, err)
		units[0].Parked.By, units[0].Parked.At = "kim", now // what was the same the second time stays as it was
		assert.Equal(t, units[0], about)
		_, err = d.AboutOf(ctx, "t-0")
		assert.ErrorIs(t, err, ErrUnknown)
		streams, err := d.Streams(ctx, "t-2", 10)
		require.NoError(t, err)
		assert.Len(t, streams, 2)
		recent, err := d.RecentRecords(ctx, "findings", 0, 10)
		require.NoError(t, err)
		require.Len(t, recent, 2)
		assert.Greater(t, recent[0].ID, recent[1].ID)
		one, err := d.Record(ctx, recent[1].ID)
		require.NoError(t, err)
		assert.Equal(t, recent[1], one)
		_, err = d.Record(ctx, 999)
		assert.ErrorIs(t, err, ErrUnknown)
	})
}

// The work on a finding follows the desk, visits' records and the finding itself.
func TestWorkFollows(t *testing.T) {
	both(t, func(t *testing.T, d *DB) {
		ctx := t.Context()
		key := worklist.Key{Name: "battery-tired", Subject: "b"}
		commitAll(t, d, now, findingMessage(t, "t-1", "s", 1, findingOf(key.Name, key.Subject, "repair", "unacknowledged", 1)))
		list := func() string {
			rows, _, err := d.Rows(ctx, RowQuery{})
			require.NoError(t, err)
			require.Len(t, rows, 1)
			return fmt.Sprint(rowList(t, rows[0].Row))
		}
		assert.Equal(t, "work", list())
		note := func(before worklist.Work) AuditChange {
			return AuditChange{Audit: Audit{At: now, Who: "kim", Action: "work", Unit: "t-1"}, Was: string(before.State)}
		}
		set := func(s worklist.State, at time.Time) {
			require.NoError(t, d.SetWorkAs(ctx, "t-1", worklist.Work{Key: key, State: s, At: at, By: "kim"}, note))
		}
		set(worklist.Planned, now.Add(2*time.Minute))
		set(worklist.Dismissed, now.Add(3*time.Minute))
		assert.Equal(t, "settled", list())
		trail, err := d.Changes(ctx, "t-1", 0, 10)
		require.NoError(t, err)
		assert.Equal(t, []string{"planned", "open"}, []string{trail[0].Was, trail[1].Was})
		assert.ErrorIs(t, d.SetWorkAs(ctx, "t-0", worklist.Work{}, note), ErrUnknown)

		again := findingOf(key.Name, key.Subject, "repair", "unacknowledged", 10)
		again.Times = 2
		commitAll(t, d, now.Add(time.Hour), findingMessage(t, "t-1", "s", 10, again))
		assert.Equal(t, "work", list(), "raised anew")

		h := head("t-1", "visits", "s", 1, 1)
		h.Schema = records.VisitSchema
		v := visit.Visit{
			Schema: visit.Schema, ID: "v", Unit: "t-1", By: "R. Vale", Begun: now.Add(20 * time.Minute), Finished: now.Add(30 * time.Minute), ClockTrusted: true,
			Areas: []visit.CheckedArea{}, Readings: []visit.Reading{}, Tests: []visit.Test{}, Work: []visit.Work{}, Findings: []visit.Remaining{},
			Before: visit.Figures{Batteries: []visit.BatteryFigures{}, Links: []visit.LinkFigures{}}, After: visit.Figures{Batteries: []visit.BatteryFigures{}, Links: []visit.LinkFigures{}},
		}
		commitAll(t, d, now.Add(time.Hour), message(t, "t-1", "visits", records.Visit{Head: h, Visit: v}))
		assert.Equal(t, "settled", list(), "a visit's record closes it")
		work, err := d.Work(ctx, "t-1")
		require.NoError(t, err)
		require.Len(t, work, 1)
		assert.Equal(t, "v", work[0].Worklist().Visit)

		a := Account{Name: "kim", Role: "desk", Password: []byte("h"), Made: now}
		require.NoError(t, d.PutAccountAs(ctx, "kim", &a, AuditChange{Audit: Audit{At: now, Who: "x", Action: "account"}}))
		require.NoError(t, d.PutLogin(ctx, Login{Key: []byte{1}, Account: "kim", Ends: now.Add(time.Hour)}))
		a.Role = "read"
		require.NoError(t, d.PutAccountAs(ctx, "kim", &a, AuditChange{Audit: Audit{At: now, Who: "x", Action: "account"}}))
		_, err = d.Login(ctx, []byte{1})
		assert.ErrorIs(t, err, ErrUnknown, "its sessions end")
		require.NoError(t, d.PutAccountAs(ctx, "kim", nil, AuditChange{Audit: Audit{At: now, Who: "x", Action: "account"}}))
		assert.ErrorIs(t, d.PutAccountAs(ctx, "kim", nil, AuditChange{}), ErrUnknown)
	})
}

func rowList(t *testing.T, body []byte) string {
	t.Helper()
	var r worklist.Row
	require.NoError(t, json.Unmarshal(body, &r))
	return r.List
}
