package deploy_test

import (
	"bytes"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"liftbank/cmd/outside"
	"liftbank/cmd/slowtest"
)

// patience is how long a test waits for what should come at once.
const patience = time.Minute

func TestMain(m *testing.M) {
	slowtest.SideBySide(4)
	code := m.Run()
	if built.dir != "" {
		_ = os.RemoveAll(built.dir)
	}
	os.Exit(code)
}

// program returns the path of a program that judges from outside.
func program(t *testing.T, name, debianPackage string) string {
	t.Helper()
	return outside.Program(t, name, debianPackage)
}

// built is the program of this module, made once for all tests.
var built struct {
	sync.Once
	dir string
	err error
}

// liftbank returns the path of the program, built from this source.
func liftbank(t *testing.T) string {
	t.Helper()
	built.Do(func() {
		if built.dir, built.err = os.MkdirTemp("", "liftbank-deploy"); built.err != nil {
			return
		}
		build := exec.Command("go", "build", "-o", built.dir, "liftbank/cmd/liftbank")
		if slowtest.UnderRace { // which needs cgo: the program is built as it is shipped
			build.Env = append(os.Environ(), "CGO_ENABLED=0")
		}
		if out, err := build.CombinedOutput(); err != nil {
			built.err = fmt.Errorf("build liftbank: %w: %s", err, out)
		}
	})
	require.NoError(t, built.err)
	return filepath.Join(built.dir, "liftbank")
}

// process is a program that runs beside a test until the test ends or stop is called.
type process struct {
	mu   sync.Mutex
	out  bytes.Buffer
	more chan struct{} // something was written; cap 1
	ends chan struct{} // closed when it has ended
	kill func()
	tell func(os.Signal)
	err  error // of its end, once it has ended
}

// launch starts a program. Its output can be waited for.
func launch(t *testing.T, path string, args ...string) *process {
	t.Helper()
	p := &process{more: make(chan struct{}, 1), ends: make(chan struct{})}
	cmd := exec.Command(path, args...)
	cmd.Stdout, cmd.Stderr = p, p
	require.NoError(t, cmd.Start())
	p.kill = func() { _ = cmd.Process.Kill() }
	p.tell = func(s os.Signal) { _ = cmd.Process.Signal(s) }
	go func() {
		p.err = cmd.Wait()
		close(p.ends)
	}()
	t.Cleanup(p.stop)
	return p
}

// stop ends the program and waits for it.
func (p *process) stop() {
	p.kill()
	<-p.ends
}

// Write takes the program's output.
func (p *process) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	select {
	case p.more <- struct{}{}:
	default:
	}
	return p.out.Write(b)
}

func (p *process) output() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.out.String()
}

// says waits until the program has written a word.
func (p *process) says(t *testing.T, word string) {
	t.Helper()
	limit := time.After(patience)
	for !strings.Contains(p.output(), word) {
		select {
		case <-p.more:
		case <-p.ends:
			if !strings.Contains(p.output(), word) {
				t.Fatalf("ended without saying %q:\n%s", word, p.output())
			}
		case <-limit:
			t.Fatalf("waited %v for it to say %q:\n%s", patience, word, p.output())
		}
	}
}

// freeAddress returns a port of this machine that nobody listens on at the moment.
func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	require.NoError(t, l.Close())
	return l.Addr().String()
}

// receive waits for a value with patience.
func receive[T any](t testing.TB, from <-chan T, what string) T {
	t.Helper()
	select {
	case v := <-from:
		return v
	case <-time.After(patience):
		t.Fatalf("waited %v for %s", patience, what)
		panic("unreachable")
	}
}

func read(t testing.TB, path ...string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(path...))
	require.NoError(t, err)
	return string(b)
}

// write makes a file of a test and gives its path.
func write(t testing.TB, text string, path ...string) string {
	t.Helper()
	name := filepath.Join(path...)
	require.NoError(t, os.WriteFile(name, []byte(text), 0o600))
	return name
}
