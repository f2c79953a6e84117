package db

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/agent/fleet/wire"
	"liftbank/agent/records"
	"liftbank/agent/snapshot"
)

// shot is a snapshot whose figures are set by change.
func shot(t testing.TB, unit string, seq uint64, at time.Time, change func(s *snapshot.Snapshot)) wire.Message {
	t.Helper()
	m := snapshotMessage(t, unit, "s1", seq, at)
	if change != nil {
		change(m.Snapshot)
	}
	return m
}

func estimate(v, sigma float64) snapshot.Estimate { return snapshot.Estimate{Value: &v, Sigma: &sigma} }

func TestDays(t *testing.T) {
	both(t, func(t *testing.T, d *DB) {
		ctx := t.Context()
		day := now.Truncate(24 * time.Hour)
		set := func(charge, full float64, lifts uint64, rested bool) func(*snapshot.Snapshot) {
			return func(s *snapshot.Snapshot) {
				s.Bank.SoCPct, s.Bank.SinceFullS, s.Motor.LiftCycles = estimate(charge, 2), &full, lifts
				s.Bank.DrawnAh, s.Feed.FeedTimeS = float64(lifts)/4, 3600*float64(lifts)
				for i := range s.Batteries {
					s.Batteries[i].CrankingA, s.Batteries[i].RestedV = estimate(700-float64(lifts), 14), snapshot.Estimate{}
					if rested {
						s.Batteries[i].RestedV = estimate(12.7, 0.01)
					}
				}
			}
		}
		commitAll(t, d, now, shot(t, "t-1", 1, now, set(90, 3600, 10, true)), shot(t, "t-2", 1, now, set(50, 1, 1, false)))
		commitAll(t, d, now.Add(6*time.Hour), shot(t, "t-1", 2, now.Add(6*time.Hour), set(70, 7200, 14, false)))
		// Two days in one batch, and two snapshots of the second.
		next := now.Add(24 * time.Hour)
		commitAll(t, d, next.Add(7*time.Hour), shot(t, "t-1", 3, next, set(80, 90000, 20, true)),
			shot(t, "t-1", 4, next.Add(6*time.Hour), set(85, 100, 22, false)))

		days, err := d.Days(ctx, "t-1", day)
		require.NoError(t, err)
		require.Len(t, days, 2)
		assert.Equal(t, day, days[0].Day)
		assert.Equal(t, now.Add(6*time.Hour), days[0].At)
		assert.InDelta(t, 70, *days[0].LowPct, 0)
		assert.InDelta(t, 7200, *days[0].SinceFullS, 0)
		assert.Equal(t, uint64(14), days[0].Counted.Lifts)
		assert.InDelta(t, 3.5, days[0].Counted.DrawnAh, 1e-9)
		require.NotEmpty(t, days[0].Batteries)
		b := days[0].Batteries[0]
		assert.Equal(t, "a", b.ID)
		assert.InDelta(t, 686, *b.CrankingA[0], 0)
		assert.InDelta(t, 14, *b.CrankingA[1], 0)
		assert.InDelta(t, 12.7, *b.RestedV[0], 0, "the last that was known that day")
		assert.InDelta(t, 90000, *days[1].SinceFullS, 0)
		assert.InDelta(t, 80, *days[1].LowPct, 0)
		assert.Equal(t, uint64(22), days[1].Counted.Lifts)
		assert.InDelta(t, 12.7, *days[1].Batteries[0].RestedV[0], 0)
		days, err = d.Days(ctx, "t-1", next)
		require.NoError(t, err)
		assert.Len(t, days, 1)

		// One that is older than what is known makes no day; a clock that isn't set counts by when it came.
		m := shot(t, "t-1", 9, now.Add(-48*time.Hour), nil)
		m.Head.Session = "s0"
		commitAll(t, d, next.Add(8*time.Hour), m)
		m = shot(t, "t-3", 1, time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC), nil)
		m.Head.ClockTrusted = false
		commitAll(t, d, now, m)
		days, err = d.Days(ctx, "t-1", time.Time{})
		require.NoError(t, err)
		assert.Len(t, days, 2)
		days, err = d.Days(ctx, "t-3", time.Time{})
		require.NoError(t, err)
		require.Len(t, days, 1)
		assert.Equal(t, day, days[0].Day)

		deleted, err := d.Retain(ctx, day.AddDate(0, 0, 31), Retention{Days: 30 * 24 * time.Hour})
		require.NoError(t, err)
		assert.Equal(t, Deleted{Days: 3}, deleted)
		days, err = d.Days(ctx, "t-1", time.Time{})
		require.NoError(t, err)
		assert.Len(t, days, 1)
	})
}

// A day's row is what all of its snapshots together say, however they fall into batches.
func TestDaysAreTheSameInAnyBatches(t *testing.T) {
	d, unit := openSQLiteTest(t), ""
	units := 0
	rapid.Check(t, func(rt *rapid.T) {
		units++
		unit = fmt.Sprintf("t-%d", units)
		type said struct {
			hours       int
			low, volts  float64
			full        float64
			known, rest bool
		}
		var batch []wire.Message
		type row struct {
			low, full, volts float64
			known, rest      bool
			at               time.Time
		}
		want := map[time.Time]row{}
		at := now
		for i := range rapid.IntRange(1, 12).Draw(rt, "snapshots") {
			x := said{
				rapid.IntRange(1, 30).Draw(rt, "hours"), float64(rapid.IntRange(0, 100).Draw(rt, "charge")),
				float64(rapid.IntRange(11, 13).Draw(rt, "volts")), float64(rapid.IntRange(0, 1000).Draw(rt, "full")),
				rapid.Bool().Draw(rt, "known"), rapid.Bool().Draw(rt, "rested"),
			}
			at = at.Add(time.Duration(x.hours) * time.Hour)
			batch = append(batch, shot(t, unit, uint64(i+1), at, func(s *snapshot.Snapshot) {
				s.Bank.SoCPct, s.Bank.SinceFullS = snapshot.Estimate{}, nil
				if x.known {
					s.Bank.SoCPct, s.Bank.SinceFullS = estimate(x.low, 1), &x.full
				}
				for k := range s.Batteries {
					s.Batteries[k].RestedV = snapshot.Estimate{}
					if x.rest {
						s.Batteries[k].RestedV = estimate(x.volts, 0.01)
					}
				}
			}))
			day := at.Truncate(24 * time.Hour)
			r := want[day]
			if x.known {
				if !r.known || x.low < r.low {
					r.low = x.low
				}
				r.full, r.known = max(r.full, x.full), true
			}
			if x.rest {
				r.volts, r.rest = x.volts, true
			}
			r.at = at
			want[day] = r
			if rapid.Bool().Draw(rt, "commit") {
				_, err := d.Commit(t.Context(), at, batch)
				require.NoError(rt, err)
				batch = nil
			}
		}
		if len(batch) > 0 {
			_, err := d.Commit(t.Context(), at, batch)
			require.NoError(rt, err)
		}
		days, err := d.Days(t.Context(), unit, time.Time{})
		require.NoError(rt, err)
		require.Len(rt, days, len(want))
		for _, x := range days {
			r := want[x.Day]
			assert.Equal(rt, r.at, x.At)
			require.Equal(rt, r.known, x.LowPct != nil)
			if r.known {
				assert.InDelta(rt, r.low, *x.LowPct, 0)
				assert.InDelta(rt, r.full, *x.SinceFullS, 0)
			}
			require.Equal(rt, r.rest, x.Batteries[0].RestedV[0] != nil)
			if r.rest {
				assert.InDelta(rt, r.volts, *x.Batteries[0].RestedV[0], 0)
			}
		}
	})
}

func TestUnitAlarmsAndRecords(t *testing.T) {
	both(t, func(t *testing.T, d *DB) {
		ctx := t.Context()
		f := findingOf("bank-undercharged", "", "repair", "unacknowledged", 1)
		commitAll(t, d, now, findingMessage(t, "t-1", "s", 1, f), findingMessage(t, "t-2", "s", 1, f), run(t, "t-1", "s", 1, 1))
		over := f
		over.State, over.Active, over.Seq = "normal", false, 2
		over.Since = over.Since.Add(time.Minute)
		commitAll(t, d, now.Add(time.Hour), findingMessage(t, "t-1", "s", 2, over), run(t, "t-1", "s", 1, 2), run(t, "t-1", "s", 1, 3))
		again := findingOf("bank-undercharged", "", "repair", "unacknowledged", 3)
		commitAll(t, d, now.Add(2*time.Hour), findingMessage(t, "t-1", "s", 3, again))
		all, err := d.UnitAlarms(ctx, "t-1", now.Add(-time.Hour), now.Add(3*time.Hour), 10)
		require.NoError(t, err)
		require.Len(t, all, 2)
		assert.True(t, all[0].Raised.Before(all[1].Raised))
		assert.False(t, all[0].Ended.IsZero())
		assert.True(t, all[1].Ended.IsZero())
		all, err = d.UnitAlarms(ctx, "t-1", now.Add(-time.Hour), now.Add(3*time.Hour), 1)
		require.NoError(t, err)
		require.Len(t, all, 1)
		assert.True(t, all[0].Ended.IsZero(), "the last")

		got, err := d.UnitRecordsSince(ctx, "t-1", "runs", now, 0, 10)
		require.NoError(t, err)
		require.Len(t, got, 3)
		later, err := d.UnitRecordsSince(ctx, "t-1", "runs", now.Add(time.Minute), 0, 10)
		require.NoError(t, err)
		assert.Equal(t, got[:2], later)
		later, err = d.UnitRecordsSince(ctx, "t-1", "runs", now, got[1].ID, 10)
		require.NoError(t, err)
		assert.Equal(t, got[:1], later)
		later, err = d.UnitRecordsSince(ctx, "t-1", "runs", now, 0, 1)
		require.NoError(t, err)
		assert.Equal(t, got[:1], later)
	})
}

func TestAMotorRunEndsParking(t *testing.T) {
	both(t, func(t *testing.T, d *DB) {
		ctx := t.Context()
		park := func(unit, from, until string, at time.Time) {
			require.NoError(t, d.SetAbouts(ctx, []AboutParked{{Unit: unit, Parked: Parked{From: from, Until: until, Reason: "season"}}},
				func(_, after AboutParked) AuditChange {
					return AuditChange{Audit: Audit{At: at, Who: "kim", Action: "data", Unit: after.Unit}}
				}))
		}
		seq := uint64(0)
		ran := func(unit string, at time.Time, trusted bool) {
			seq++
			h := head(unit, "runs", "s", 1, seq)
			h.At, h.ClockTrusted = at, trusted
			commitAll(t, d, now.Add(100*24*time.Hour), message(t, unit, "runs", records.Run{Head: h, Run: snapshot.Run{Number: seq, Start: at}}))
		}
		parked := func(unit string) bool {
			all, err := d.ParkedUnits(ctx)
			require.NoError(t, err)
			_, is := all[unit]
			return is
		}
		day := func(n int) string { return now.AddDate(0, 0, n).Format(time.DateOnly) }
		hour := func(n int) time.Time { return now.Add(time.Duration(n) * time.Hour) }
		park("t-1", day(0), day(30), now)
		ran("t-1", hour(-1), true) // before that was said
		ran("t-1", hour(24*31+10), true)
		assert.True(t, parked("t-1"), "neither ends it")
		ran("t-2", hour(48), true)
		assert.True(t, parked("t-1"), "nor another's run")
		ran("t-1", hour(48), true)
		assert.False(t, parked("t-1"))
		trail, err := d.Changes(ctx, "t-1", 0, 10)
		require.NoError(t, err)
		require.Len(t, trail, 2)
		assert.Equal(t, ParkedEnded, trail[0].Action)
		assert.Empty(t, trail[0].Who)
		assert.Equal(t, "parked_from="+day(0)+"; parked_until="+day(30)+"; parked_reason=season", trail[0].Was)
		about, err := d.AboutOf(ctx, "t-1")
		require.NoError(t, err)
		assert.Equal(t, Parked{}, about.Parked)

		park("t-1", day(10), day(30), now)
		ran("t-1", hour(48), true)
		assert.True(t, parked("t-1"), "it isn't parked yet")
		ran("t-1", hour(24*10), true)
		assert.False(t, parked("t-1"))
		park("t-1", "", day(200), now)
		ran("t-1", time.Date(1970, 1, 2, 0, 0, 0, 0, time.UTC), false)
		assert.False(t, parked("t-1"), "a clock that isn't set: by when it came")

		p := Parked{From: day(0), Until: day(1)}
		assert.False(t, p.On(now.AddDate(0, 0, -1)))
		assert.True(t, p.On(now))
		assert.True(t, p.On(now.AddDate(0, 0, 1).Truncate(24*time.Hour).Add(24*time.Hour-1)), "the last day is in it")
		assert.False(t, p.On(now.AddDate(0, 0, 2).Truncate(24*time.Hour)))
		assert.False(t, Parked{}.On(now))
	})
}
