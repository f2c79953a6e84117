package main

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

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
	missing := ""
	if _, err := exec.LookPath("mosquitto"); err != nil {
		if _, err := os.Stat("/usr/sbin/mosquitto"); err != nil {
			missing = "mosquitto is not installed: apt-get install mosquitto"
		}
	}
	if o.database == "postgres" {
		if _, err := postgresCommand("initdb"); err != nil {
			missing = err.Error()
		}
	}
	if missing != "" {
		if os.Getenv("CI") == "true" {
			t.Fatal(missing)
		}
		t.Skip(missing)
	}
	// PostgreSQL's account must reach it.
	dir, err := os.MkdirTemp("", "fleettest")
	require.NoError(t, err)
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	o.dir, o.seed = dir, 1
	require.NoError(t, do(t.Context(), o))
}

func TestKillTheBroker(t *testing.T) {
	play(t, options{what: "broker", database: "sqlite", n: 12}, killTest)
}

func TestKillTheDatabase(t *testing.T) {
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

func TestRestore(t *testing.T) {
	slowtest.Long(t)
	for _, database := range []string{"sqlite", "postgres"} {
		play(t, options{database: database}, restoreTest)
	}
}

// The oracle sees a record that is not there, one that is there twice, and one under another's number.
func TestTheOracleSees(t *testing.T) {
	for name, spoil := range map[string]string{
		"missing":  "DELETE FROM record WHERE seq = 7 AND kind = 2",
		"twice":    "INSERT INTO record SELECT id + 1000000, unit, kind, stream, seq, at, mono, trusted, received, body FROM record WHERE seq = 7 AND kind = 2",
		"confused": "UPDATE record SET body = (SELECT o.body FROM record o WHERE o.seq = 8 AND o.kind = 2 AND o.unit = record.unit) WHERE seq = 7 AND kind = 2",
	} {
		t.Run(name, func(t *testing.T) {
			play(t, options{what: "broker", database: "sqlite"}, func(ctx context.Context, o options) error {
				r := &rig{o: o, url: "sqlite://" + filepath.Join(o.dir, "db", "fleet.db")}
				o.n = 1
				if err := killTest(ctx, o); err != nil {
					return err
				}
				d, err := r.open()
				require.NoError(t, err)
				defer d.Close()
				before, err := compareStream(ctx, d, "u-1", 2, 7)
				require.NoError(t, err)
				_, err = d.ExecContext(ctx, spoil)
				require.NoError(t, err)
				after, err := compareStream(ctx, d, "u-1", 2, 7)
				require.NoError(t, err)
				got := map[string]int{"missing": after.missing - before.missing, "twice": after.twice - before.twice,
					"confused": after.confused - before.confused}
				for k, n := range got {
					require.Equal(t, k == name, n > 0, "%s: %v", k, got)
				}
				return nil
			})
		})
	}
}
