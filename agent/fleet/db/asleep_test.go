package db

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/wire"
	"liftbank/agent/fleet/worklist"
	"liftbank/agent/records"
)

func asleepMessage(t testing.TB, unit string, connection uint64, at time.Time, until *time.Time) wire.Message {
	t.Helper()
	return message(t, unit, "status", records.Status{
		Schema: records.StatusSchema, Unit: unit, Session: "s", Connection: connection, Status: records.Asleep, At: at,
		Until: until, Why: "parked for long",
	})
}

// A unit that said that its board is switched off is not silent until a day after it is to be back: by its
// own clock's difference, set or not, and never for longer than a timer can be set.
func TestUnitsAsleep(t *testing.T) {
	both(t, func(t *testing.T, d *DB) {
		week, year := now.Add(7*24*time.Hour), now.Add(365*24*time.Hour)
		unset := time.Date(1970, 1, 1, 0, 5, 0, 0, time.UTC)
		later := unset.Add(7 * 24 * time.Hour)
		for _, unit := range []string{"t-1", "t-2", "t-3", "t-4", "t-5"} {
			commitAll(t, d, now, snapshotMessage(t, unit, "s", 1, now))
		}
		commitAll(t, d, now, asleepMessage(t, "t-1", 1, now, &week), asleepMessage(t, "t-2", 1, now, nil),
			asleepMessage(t, "t-3", 1, unset, &later), asleepMessage(t, "t-4", 1, now, &year),
			statusMessage(t, "t-5", "s", 1, records.Saving, now))
		silent := func(days int) (units []string) {
			at := now.Add(time.Duration(days) * 24 * time.Hour)
			rows, _, err := d.Rows(t.Context(), RowQuery{Now: at, SilentBefore: at.Add(-worklist.SilentAfter), Lists: []string{worklist.ListSilent}})
			require.NoError(t, err)
			for _, r := range rows {
				units = append(units, r.Unit)
				row := worklist.Row{AsleepUntil: r.AsleepUntil}
				row.Age(now, time.Time{}, at)
				assert.True(t, row.Silent, "%s after %d days", r.Unit, days)
			}
			sums, err := d.Sums(t.Context(), at.Add(-worklist.SilentAfter))
			require.NoError(t, err)
			assert.Equal(t, len(units), sums.Silent)
			_, lists, _, err := d.RowCounts(t.Context(), RowQuery{Now: at, SilentBefore: at.Add(-worklist.SilentAfter)})
			require.NoError(t, err)
			assert.Equal(t, len(units), lists[worklist.ListSilent])
			return units
		}
		assert.Equal(t, []string{"t-5"}, silent(3))
		assert.Equal(t, []string{"t-1", "t-3", "t-5"}, silent(9))
		assert.Equal(t, []string{"t-1", "t-3", "t-4", "t-5"}, silent(33))
		assert.Equal(t, []string{"t-1", "t-3", "t-4", "t-5"}, silent(1000), "the wake line may be off for years")
		u, err := d.Unit(t.Context(), "t-2")
		require.NoError(t, err)
		assert.Equal(t, worklist.WokenByLine, u.AsleepUntil)

		back := now.Add(2 * 24 * time.Hour)
		commitAll(t, d, back, statusMessage(t, "t-1", "s", 2, records.Online, back))
		u, err = d.Unit(t.Context(), "t-1")
		require.NoError(t, err)
		assert.Zero(t, u.AsleepUntil)
		assert.Contains(t, silent(4), "t-1")
	})
}
