package db

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/wire"
	"liftbank/agent/fleet/worklist"
	"liftbank/agent/snapshot"
)

// atWork adds work under way, for four hours from at, to a snapshot's message.
func atWork(t testing.TB, m wire.Message, at time.Time) wire.Message {
	t.Helper()
	s, err := wire.DecodeSnapshot(m.Body)
	require.NoError(t, err)
	s.Work = &snapshot.UnderWay{Since: at, By: "R. Vale", Ends: at.Add(4 * time.Hour), Kind: "visit"}
	return message(t, m.Unit, "snapshot", *s)
}

// A unit that somebody works on is in a list of its own, until it says that this is over, or its time
// is up and nothing was heard.
func TestUnitsUnderWork(t *testing.T) {
	both(t, func(t *testing.T, d *DB) {
		f := findingOf("bank-low", "", "repair", "unacknowledged", 1)
		commitAll(t, d, now, snapshotMessage(t, "t-1", "s", 1, now, f), snapshotMessage(t, "t-2", "s", 1, now),
			snapshotMessage(t, "t-3", "s", 1, now))
		ask := func(at time.Time) (lists map[string]int, severities map[string]int, visits []string, work []string) {
			t.Helper()
			q := RowQuery{Now: at, SilentBefore: now.Add(-time.Hour)}
			all, lists, severities, err := d.RowCounts(t.Context(), q)
			require.NoError(t, err)
			require.Equal(t, 3, all)
			for list, to := range map[string]*[]string{worklist.ListVisit: &visits, worklist.ListWork: &work} {
				q.Lists = []string{list}
				rows, _, err := d.Rows(t.Context(), q)
				require.NoError(t, err)
				for _, r := range rows {
					*to = append(*to, r.Unit)
					var row worklist.Row
					require.NoError(t, json.Unmarshal(r.Row, &row))
					row.Age(now, time.Time{}, at)
					assert.Equal(t, list, row.List, r.Unit)
				}
			}
			return lists, severities, visits, work
		}
		// Neither of these units has sent a record: what is not seen is silent.
		lists, severities, visits, work := ask(now)
		assert.Equal(t, map[string]int{"work": 1, "silent": 2}, lists)
		assert.Equal(t, map[string]int{"repair": 1}, severities)
		assert.Empty(t, visits)
		assert.Equal(t, []string{"t-1"}, work)

		at := now.Add(time.Minute)
		commitAll(t, d, at, atWork(t, snapshotMessage(t, "t-1", "s", 2, at, f), at), atWork(t, snapshotMessage(t, "t-2", "s", 2, at), at))
		lists, severities, visits, work = ask(at)
		assert.Equal(t, map[string]int{"visit": 2, "silent": 1}, lists)
		assert.Empty(t, severities)
		assert.Equal(t, []string{"t-1", "t-2"}, visits, "the one with something to do first")
		assert.Empty(t, work)
		u, err := d.Unit(t.Context(), "t-1")
		require.NoError(t, err)
		assert.Equal(t, at.Add(4*time.Hour), u.WorkEnds)

		lists, _, visits, work = ask(at.Add(4 * time.Hour)) // nobody said that it is over
		assert.Equal(t, map[string]int{"work": 1, "silent": 2}, lists)
		assert.Empty(t, visits)
		assert.Equal(t, []string{"t-1"}, work)

		commitAll(t, d, at.Add(time.Hour), snapshotMessage(t, "t-2", "s", 3, at.Add(time.Hour)))
		_, _, visits, _ = ask(at.Add(time.Hour))
		assert.Equal(t, []string{"t-1"}, visits, "the other said that it is")
	})
}

// A clock that is not set, or a year ahead, holds nothing back for longer than the work is to last.
func TestWorkByAWrongClock(t *testing.T) {
	both(t, func(t *testing.T, d *DB) {
		for i, at := range []time.Time{time.Unix(600, 0).UTC(), time.Now().Add(365 * 24 * time.Hour)} {
			unit := []string{"t-1", "t-2"}[i]
			m := atWork(t, snapshotMessage(t, unit, "s", 1, at), at)
			s, err := wire.DecodeSnapshot(m.Body)
			require.NoError(t, err)
			s.ClockTrusted = i == 1
			commitAll(t, d, now, message(t, unit, "snapshot", *s))
			u, err := d.Unit(t.Context(), unit)
			require.NoError(t, err)
			assert.WithinDuration(t, time.Now().Add(4*time.Hour), u.WorkEnds, time.Minute, unit)
		}
		m := atWork(t, snapshotMessage(t, "t-3", "s", 1, now), now)
		s, err := wire.DecodeSnapshot(m.Body)
		require.NoError(t, err)
		s.Work.Ends = now.Add(365 * 24 * time.Hour)
		commitAll(t, d, now, message(t, "t-3", "snapshot", *s))
		u, err := d.Unit(t.Context(), "t-3")
		require.NoError(t, err)
		assert.Equal(t, now.Add(48*time.Hour), u.WorkEnds, "no unit lets work go on for a year")
	})
}
