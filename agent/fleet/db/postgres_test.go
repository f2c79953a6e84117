package db

import (
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// server is one PostgreSQL for all tests of the package, in a folder of its own and on a socket only.
var server struct {
	sync.Once
	dir string
	err error
}

func TestMain(m *testing.M) {
	code := m.Run()
	if server.dir != "" {
		stop, err := postgresCommand("pg_ctl", "stop", "-m", "immediate", "-D", filepath.Join(server.dir, "data"))
		if err == nil {
			_ = stop.Run()
		}
		_ = os.RemoveAll(server.dir)
	}
	os.Exit(code)
}

// postgresCommand returns a program of PostgreSQL, run by an account that isn't root: it refuses that.
func postgresCommand(name string, args ...string) (*exec.Cmd, error) {
	path := ""
	versions, _ := filepath.Glob("/usr/lib/postgresql/*/bin/" + name)
	slices.Sort(versions)
	if len(versions) > 0 {
		path = versions[len(versions)-1]
	} else if p, err := exec.LookPath(name); err == nil {
		path = p
	} else {
		return nil, fmt.Errorf("%s is not installed: apt-get install postgresql", name)
	}
	cmd := exec.Command(path, args...)
	cmd.Dir = "/"
	if os.Getuid() == 0 {
		u, err := user.Lookup("nobody")
		if err != nil {
			return nil, err
		}
		uid, _ := strconv.Atoi(u.Uid)
		gid, _ := strconv.Atoi(u.Gid)
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}}
	}
	return cmd, nil
}

func startPostgres() (dir string, err error) {
	dir, err = os.MkdirTemp("", "liftbank-pg")
	if err != nil {
		return "", err
	}
	if err := os.Chmod(dir, 0o777); err != nil {
		return dir, err
	}
	data := filepath.Join(dir, "data")
	for _, step := range [][]string{
		{"initdb", "-D", data, "-U", "fleet", "-A", "trust", "-E", "UTF8", "--locale=C", "--no-sync"},
		{
			"pg_ctl", "start", "-w", "-D", data, "-l", filepath.Join(dir, "log"),
			"-o", "-c listen_addresses='' -c unix_socket_directories=" + dir + " -c shared_buffers=64MB -c max_wal_size=2GB",
		},
	} {
		cmd, err := postgresCommand(step[0], step[1:]...)
		if err != nil {
			return dir, err
		}
		// pg_ctl's child keeps what it inherits: no pipe to wait for.
		out, err := os.Create(filepath.Join(os.TempDir(), filepath.Base(dir)+".out"))
		if err != nil {
			return dir, err
		}
		cmd.Stdout, cmd.Stderr = out, out
		err = cmd.Run()
		text, _ := os.ReadFile(out.Name())
		_ = out.Close()
		_ = os.Remove(out.Name())
		if err != nil {
			return dir, fmt.Errorf("%s: %w: %s", step[0], err, text)
		}
	}
	return dir, nil
}

// postgresURL returns the address of an empty database of its own for a test, which is skipped where
// PostgreSQL isn't installed; where everything is to be installed (CI=true) that is a failure.
func postgresURL(t testing.TB) string {
	t.Helper()
	if _, err := postgresCommand("initdb"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	server.Do(func() { server.dir, server.err = startPostgres() })
	require.NoError(t, server.err)
	sum := sha256.Sum256([]byte(t.Name() + time.Now().String()))
	name := "t" + hex.EncodeToString(sum[:8])
	admin, err := sql.Open("pgx", "postgres:///postgres?user=fleet&host="+server.dir)
	require.NoError(t, err)
	defer admin.Close()
	_, err = admin.Exec("CREATE DATABASE " + name)
	require.NoError(t, err)
	return "postgres:///" + name + "?user=fleet&host=" + server.dir
}

func openPostgresTest(t testing.TB) *DB {
	t.Helper()
	d, err := Open(t.Context(), postgresURL(t), Options{})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, d.Close()) })
	return d
}
