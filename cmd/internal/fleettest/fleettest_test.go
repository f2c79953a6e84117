package main

import (
	"context"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"liftbank/agent/store/outbox"
	"liftbank/cmd/outside"
	"liftbank/cmd/pgtest"
	"liftbank/cmd/slowtest"
)

// The tests' own program is the collector's process, too.
func TestMain(m *testing.M) {
	if os.Getenv(asProgram) == "" {
		os.Exit(m.Run())
	}
	main()
}

// play runs a command with a real broker and database, or skips the test where they are not installed;
// where everything is to be installed (CI=true) that is a failure.
func play(t *testing.T, o options, do func(context.Context, options) error) {
	t.Helper()
	slowtest.SkipUnderRace(t)
	outside.Program(t, "mosquitto", "mosquitto")
	if o.database == "postgres" {
		if err := pgtest.Missing(); err != nil {
			outside.Missing(t, err.Error())
		}
	}
	// PostgreSQL's account must reach it.
	dir, err := os.MkdirTemp("", "fleettest")
	require.NoError(t, err)
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	o.dir, o.seed = dir, 1
	require.NoError(t, do(t.Context(), o))
}

func TestKillTheBroker(t *testing.T) {
	slowtest.Long(t)
	play(t, options{what: "broker", database: "sqlite", n: 12}, killTest)
}

func TestKillTheDatabase(t *testing.T) {
	slowtest.Long(t)
	play(t, options{what: "database", database: "postgres", n: 12}, killTest)
}

func TestKillTheCollector(t *testing.T) {
	slowtest.Long(t)
	for _, database := range []string{"sqlite", "postgres"} {
		play(t, options{what: "collector", database: database, n: 30}, killTest)
	}
}

func TestFullDisk(t *testing.T) {
	slowtest.Long(t)
	if os.Getuid() != 0 {
		t.Skip("wants root for a small file system")
	}
	play(t, options{database: "sqlite"}, fullTest)
}

func TestStandby(t *testing.T) {
	slowtest.Long(t)
	play(t, options{database: "postgres", n: 3}, standbyTest)
}

func TestDatabaseAwayForADay(t *testing.T) {
	slowtest.Long(t)
	play(t, options{database: "postgres"}, awayTest)
}

func TestRestore(t *testing.T) {
	slowtest.Long(t)
	for _, database := range []string{"sqlite", "postgres"} {
		play(t, options{database: database}, restoreTest)
	}
}

// The oracle sees a record that is there twice, one under another's number, and one that is not there.
func TestTheOracleSees(t *testing.T) {
	play(t, options{what: "broker", database: "sqlite", n: 1}, func(ctx context.Context, o options) error {
		if err := killTest(ctx, o); err != nil {
			return err
		}
		r := &rig{o: o, url: "sqlite://" + filepath.Join(o.dir, "db", "fleet.db")}
		d, err := r.open()
		require.NoError(t, err)
		defer d.Close()
		const made = 7
		runs := func() count {
			c, err := compareStream(ctx, d, "u-1", outbox.Runs, made)
			require.NoError(t, err)
			return c
		}
		before := runs() // more were made than it is told
		for _, spoil := range []struct {
			query string
			want  count
		}{
			{
				"UPDATE record SET body = replace(body, '\"number\":7', '\"number\":8') WHERE seq = 7 AND kind = 2",
				count{confused: 1},
			},
			{
				"INSERT INTO record SELECT id + 1000000, unit, kind, stream, seq, at, mono, trusted, received, body FROM record WHERE seq = 6 AND kind = 2",
				count{confused: 1, twice: 1, stored: 1},
			},
			{"DELETE FROM record WHERE seq = 5 AND kind = 2", count{confused: 1, twice: 1, missing: 1}},
		} {
			_, err := d.ExecContext(ctx, spoil.query)
			require.NoError(t, err)
			want := before
			want.add(spoil.want)
			require.Equal(t, want, runs(), spoil.query)
		}
		return nil
	})
}
