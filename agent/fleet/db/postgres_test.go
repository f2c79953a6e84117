package db

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/pgtest"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

func openPostgresTest(t testing.TB) *DB {
	t.Helper()
	d, err := Open(t.Context(), pgtest.URL(t), Options{})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, d.Close()) })
	return d
}
