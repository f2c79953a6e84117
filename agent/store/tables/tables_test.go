package tables

import (
	"database/sql"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	_ "modernc.org/sqlite"
)

func TestKeysSayWhatTheyAreMadeOf(t *testing.T) {
	k := Key(7, 90_000)
	assert.Equal(t, int64(7), Span(k))
	assert.Equal(t, int64(90_000), MonoMS(k))
	assert.Equal(t, 90*time.Second, Mono(k))
	assert.Equal(t, Key(7, 0), Key(7, -1), "a time before the start goes to the start")
	assert.Equal(t, Key(7, MaxMonoMS), Key(7, MaxMonoMS+1))
	assert.Equal(t, Key(8, 0), Key(7, MaxMonoMS)+1, "spans lie one behind the other")

	r := RecordKey(uint8(3), 12)
	assert.Equal(t, int64(3), RecordStream(r))
	assert.Equal(t, int64(12), RecordNumber(r))
	assert.Less(t, RecordKey(uint8(2), 1<<40), RecordKey(uint8(3), 0))
}

func TestMigrateStepByStep(t *testing.T) {
	db, err := sql.Open("sqlite", ":memory:")
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, db.Close()) })
	db.SetMaxOpenConns(1)
	version := func() (n int) {
		require.NoError(t, db.QueryRow("PRAGMA user_version").Scan(&n))
		return n
	}
	for v := range Newest + 1 {
		require.NoError(t, Migrate(db, v))
		assert.Equal(t, v, version())
	}
	require.NoError(t, Migrate(db, 1))
	assert.Equal(t, Newest, version(), "never back")
	_, err = db.Exec("PRAGMA user_version = 99")
	require.NoError(t, err)
	assert.ErrorIs(t, Migrate(db, Newest), ErrNewer)
	assert.Equal(t, 99, version())
}
