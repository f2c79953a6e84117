package spans

import (
	"database/sql"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	_ "modernc.org/sqlite"

	"liftbank/agent/store/tables"
	"liftbank/rules"
)

var day0 = time.Date(2026, 3, 9, 0, 0, 0, 0, time.UTC)

// moment is what a clock shows that is off by some time.
func moment(mono, off time.Duration, trusted bool) rules.Moment {
	return rules.Moment{Mono: mono, Wall: day0.Add(mono + off), WallTrusted: trusted}
}

func TestASpanForEachSettingOfTheClock(t *testing.T) {
	s := Of("s1")
	assert.Nil(t, s.Last())
	offset := func(sp *Span) (time.Duration, bool) {
		ms, trusted := sp.Offset()
		return time.UnixMilli(ms).Sub(day0), trusted
	}
	f := func(m rules.Moment, want *Span, off time.Duration, trusted bool) *Span {
		t.Helper()
		got := s.At(m)
		if want != nil {
			assert.Same(t, want, got)
		}
		gotOff, gotTrusted := offset(got)
		assert.Equal(t, off, gotOff)
		assert.Equal(t, trusted, gotTrusted)
		return got
	}
	first := f(moment(time.Minute, -time.Hour, false), nil, -time.Hour, false)
	f(moment(2*time.Minute, -time.Hour+time.Second, false), first, -time.Hour, false) // within a jump
	f(moment(3*time.Minute, -2*time.Hour, false), first, -2*time.Hour, false)         // guesses are used as they come
	f(moment(4*time.Minute, 0, true), first, 0, true)
	f(moment(5*time.Minute, -time.Hour, false), first, 0, true) // no longer trusted
	second := f(moment(6*time.Minute, time.Hour, true), nil, time.Hour, true)
	assert.NotSame(t, first, second)
	assert.Same(t, second, s.Last())
	assert.Equal(t, (6 * time.Minute).Milliseconds(), second.FromMS())
	off, _ := offset(first)
	assert.Zero(t, off, "earlier times stay")
}

func TestObserveNoticesATrustedClock(t *testing.T) {
	s := Of("s1")
	s.Observe(moment(time.Minute, -time.Hour, false))
	s.Observe(moment(2*time.Minute, -3*time.Hour, false))
	off, trusted := s.Last().Offset()
	assert.Equal(t, day0.Add(-time.Hour).UnixMilli(), off, "guesses wait until something is added")
	assert.False(t, trusted)
	s.Observe(moment(3*time.Minute, 0, true))
	off, trusted = s.Last().Offset()
	assert.Equal(t, day0.UnixMilli(), off)
	assert.True(t, trusted)
}

// A transaction that fails leaves everything to be written again, under a new place in the file.
func TestWriteAndRevert(t *testing.T) {
	db, err := sql.Open("sqlite", ":memory:")
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, db.Close()) })
	db.SetMaxOpenConns(1)
	require.NoError(t, tables.Migrate(db, tables.Newest))
	s := Of("s1")
	write := func(commit bool) {
		t.Helper()
		tx, err := db.BeginTx(t.Context(), nil)
		require.NoError(t, err)
		revert, err := s.Write(tx)
		require.NoError(t, err)
		if commit {
			require.NoError(t, tx.Commit())
			return
		}
		require.NoError(t, tx.Rollback())
		revert()
	}
	stored := func() (n int, off int64) {
		t.Helper()
		require.NoError(t, db.QueryRow("SELECT count(*), coalesce(max(off_ms), 0) FROM spans").Scan(&n, &off))
		return n, off
	}
	assert.False(t, s.Changed())
	sp := s.At(moment(time.Minute, -time.Hour, false))
	assert.True(t, s.Changed())
	write(false)
	assert.Zero(t, sp.Ord())
	assert.True(t, s.Changed())
	write(true)
	assert.Equal(t, int64(1), sp.Ord())
	assert.False(t, s.Changed())

	s.Observe(moment(2*time.Minute, 0, true))
	write(false)
	assert.Equal(t, int64(1), sp.Ord(), "it is in the file already")
	write(true)
	n, off := stored()
	assert.Equal(t, 1, n)
	assert.Equal(t, day0.UnixMilli(), off)

	s.Forget()
	assert.True(t, s.Changed())
	assert.Zero(t, sp.Ord())
}
