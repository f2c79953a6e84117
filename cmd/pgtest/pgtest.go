// Package pgtest runs PostgreSQL for tests, and for the commands that try the collector: each server in a
// folder of its own, on a socket only.
package pgtest

import (
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/hex"
	"errors"
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

	_ "github.com/jackc/pgx/v5/stdlib" // driver pgx
	"github.com/stretchr/testify/require"
)

// Missing says what isn't installed; nil: nothing.
func Missing() error {
	_, err := command("initdb")
	return err
}

// command returns a program of PostgreSQL, run by an account that isn't root: it refuses that.
func command(name string, args ...string) (*exec.Cmd, error) {
	versions, _ := filepath.Glob("/usr/lib/postgresql/*/bin/" + name)
	slices.Sort(versions)
	path, err := exec.LookPath(name)
	if len(versions) > 0 {
		path, err = versions[len(versions)-1], nil
	}
	if err != nil {
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

// Server is a PostgreSQL in a folder. It runs only while a process of it does.
type Server struct {
	home    string
	options []string
	cmd     *exec.Cmd // of Start
}

// New makes a server in a new folder below dir, which its account must reach: dir becomes readable. Options
// are its settings, as "fsync=off".
func New(dir string, options ...string) (*Server, error) {
	home := filepath.Join(dir, "postgres")
	const all = 0o777 // it creates its own folder in there
	if err := errors.Join(os.Mkdir(home, 0o700), os.Chmod(home, all), os.Chmod(dir, 0o755)); err != nil {
		return nil, err
	}
	s := &Server{home: home, options: options}
	cmd, err := command("initdb", "-D", s.Data(), "-U", "fleet", "-A", "trust", "-E", "UTF8", "--locale=C", "--no-sync")
	if err != nil {
		return nil, err
	}
	if out, err := cmd.CombinedOutput(); err != nil {
		return nil, fmt.Errorf("initdb: %w: %s", err, out)
	}
	return s, nil
}

// Data is the folder of its files.
func (s *Server) Data() string { return filepath.Join(s.home, "data") }

// URL is the address of one of its databases; postgres is always there.
func (s *Server) URL(database string) string {
	return "postgres:///" + database + "?user=fleet&host=" + s.home
}

// Process returns the server's process, not started.
func (s *Server) Process() (*exec.Cmd, error) {
	args := []string{"-D", s.Data(), "-c", "listen_addresses=", "-c", "unix_socket_directories=" + s.home}
	for _, o := range s.options {
		args = append(args, "-c", o)
	}
	return command("postgres", args...)
}

// Up is nil once it takes connections.
func (s *Server) Up(ctx context.Context) error {
	db, err := sql.Open("pgx", s.URL("postgres"))
	if err != nil {
		return err
	}
	return errors.Join(db.PingContext(ctx), db.Close())
}

// Start starts it and waits until it takes connections.
func (s *Server) Start(ctx context.Context) error {
	cmd, err := s.Process()
	if err != nil {
		return err
	}
	said, err := os.OpenFile(filepath.Join(s.home, "log"), os.O_CREATE|os.O_APPEND|os.O_RDWR, 0o600)
	if err != nil {
		return err
	}
	defer said.Close()
	cmd.Stdout, cmd.Stderr = said, said
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("postgres: %w", err)
	}
	s.cmd = cmd
	const patience, look = time.Minute, 20 * time.Millisecond
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	for err = s.Up(ctx); err != nil && ctx.Err() == nil; err = s.Up(ctx) {
		time.Sleep(look) // another program's start, by the real clock
	}
	if err != nil {
		s.Stop()
		text, _ := os.ReadFile(said.Name())
		return fmt.Errorf("postgres does not come up: %w: %s", err, text)
	}
	return nil
}

// Stop ends it at once, in order enough to leave nothing behind; what was committed is there at the next start.
func (s *Server) Stop() {
	if s.cmd == nil {
		return
	}
	_ = s.cmd.Process.Signal(syscall.SIGQUIT) // gone already is as good
	_ = s.cmd.Wait()                          // says how it ended
	s.cmd = nil
}

// Database makes an empty database and returns its address.
func (s *Server) Database(ctx context.Context) (string, error) {
	admin, err := sql.Open("pgx", s.URL("postgres"))
	if err != nil {
		return "", err
	}
	defer admin.Close()
	b := make([]byte, 8)
	_, _ = rand.Read(b) // never fails
	name := "t" + hex.EncodeToString(b)
	if _, err := admin.ExecContext(ctx, "CREATE DATABASE "+name); err != nil {
		return "", err
	}
	return s.URL(name), nil
}

// need skips the test where PostgreSQL isn't installed; where everything is to be installed (CI=true) that
// is a failure.
func need(t testing.TB) {
	t.Helper()
	if err := Missing(); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
}

// careless are settings of a server that nobody needs after a crash of the machine.
var careless = []string{"fsync=off", "shared_buffers=64MB", "max_wal_size=2GB"}

// Start returns a server of the test's own.
func Start(t testing.TB) *Server {
	t.Helper()
	need(t)
	dir, err := os.MkdirTemp("", "liftbank-pg") // that of the test is not for others to reach
	require.NoError(t, err)
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	s, err := New(dir, careless...)
	require.NoError(t, err)
	require.NoError(t, s.Start(t.Context()))
	t.Cleanup(s.Stop)
	return s
}

// shared is one server for all tests of a package.
var shared struct {
	sync.Once
	dir    string
	server *Server
	err    error
}

// URL returns the address of an empty database of the test's own, on the one server of the package's tests. Its
// TestMain must be Main.
func URL(t testing.TB) string {
	t.Helper()
	need(t)
	shared.Do(func() {
		if shared.dir, shared.err = os.MkdirTemp("", "liftbank-pg"); shared.err != nil {
			return
		}
		if shared.server, shared.err = New(shared.dir, careless...); shared.err == nil {
			shared.err = shared.server.Start(context.Background())
		}
	})
	require.NoError(t, shared.err)
	address, err := shared.server.Database(t.Context())
	require.NoError(t, err)
	return address
}

// Main runs a package's tests, and ends the server that they shared.
func Main(m *testing.M) {
	code := m.Run()
	if shared.server != nil {
		shared.server.Stop()
	}
	if shared.dir != "" {
		_ = os.RemoveAll(shared.dir)
	}
	os.Exit(code)
}
