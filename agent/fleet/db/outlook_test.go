package db

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestRecentGaps(t *testing.T) {
	both(t, func(t *testing.T, d *DB) {
		for i, unit := range []string{"t-1", "t-2", "t-3"} {
			commitAll(t, d, now.Add(time.Duration(i)*time.Hour), gap(t, unit, "s", 1, 2, 5))
		}
		require.NoError(t, d.Decommission(t.Context(), "t-3", now))
		got, err := d.RecentGaps(t.Context(), now.Add(-time.Minute), 10)
		require.NoError(t, err)
		require.Len(t, got, 2, "of units in use")
		assert.Equal(t, Gap{
			Unit: "t-2", Stream: "runs", Session: "s", From: 2, To: 5, Because: "no longer stored", ReceivedAt: now.Add(time.Hour),
		}, got[0])
		got, err = d.RecentGaps(t.Context(), now.Add(time.Minute), 10)
		require.NoError(t, err)
		assert.Len(t, got, 1)
		got, err = d.RecentGaps(t.Context(), time.Time{}, 1)
		require.NoError(t, err)
		assert.Equal(t, "t-2", got[0].Unit, "the newest first")
	})
}

func TestSettledWorkIsOfWhatStands(t *testing.T) {
	both(t, func(t *testing.T, d *DB) {
		for i, name := range []string{"bank-low", "hot", "feed-weak"} {
			commitAll(t, d, now, findingMessage(t, "t-1", "s", uint64(i+1), findingOf(name, "", "repair", "unacknowledged", uint64(i+1))))
		}
		for finding, state := range map[string]string{"bank-low": "dismissed", "hot": "planned", "other": "done"} {
			require.NoError(t, d.SetWork(t.Context(), Work{Unit: "t-1", Finding: finding, State: state, At: now, Body: []byte(`{}`)}))
		}
		got, err := d.SettledWork(t.Context())
		require.NoError(t, err)
		assert.Equal(t, []Work{{Unit: "t-1", Finding: "bank-low", State: "dismissed", At: now}}, got)
	})
}

// A snapshot has all findings, but not whether somebody is to be called: that stays as the message said.
func TestASnapshotDoesNotUnmute(t *testing.T) {
	both(t, func(t *testing.T, d *DB) {
		f := findingOf("bank-low", "", "repair", "unacknowledged", 1)
		f.Muted = true
		commitAll(t, d, now, findingMessage(t, "t-1", "s", 1, f))
		muted := func() bool {
			t.Helper()
			all, err := d.StandingOf(t.Context(), "t-1")
			require.NoError(t, err)
			require.Len(t, all, 1)
			return all[0].Finding.Muted
		}
		require.True(t, muted())
		f.Muted = false
		commitAll(t, d, now, snapshotMessage(t, "t-1", "s", 1, now.Add(time.Hour), f))
		assert.True(t, muted())
		f.Seq++ // a change of which the unit says nothing of the kind
		commitAll(t, d, now, snapshotMessage(t, "t-1", "s", 2, now.Add(2*time.Hour), f))
		assert.False(t, muted())
	})
}
