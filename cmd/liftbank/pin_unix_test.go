//go:build linux && !board

package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/user"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"liftbank/agent/pin"
	"liftbank/cmd/internal/access"
)

// A new PIN stays readable for whom the old one was.
func TestPINKeepsOwnerAndMode(t *testing.T) {
	path := filepath.Join(t.TempDir(), "pin")
	link := filepath.Join(t.TempDir(), "link")
	require.NoError(t, os.Symlink(path, link))
	set := func(file string, args ...string) (errs string, info os.FileInfo) {
		t.Helper()
		_, errs, code := command(t, "482915\n", append([]string{"pin", "--file", file}, args...)...)
		require.Zero(t, code, errs)
		info, err := os.Lstat(path)
		require.NoError(t, err)
		require.True(t, info.Mode().IsRegular())
		return errs, info
	}
	errs, info := set(path)
	assert.Contains(t, errs, path+" written: ")
	want := os.FileMode(0o600)
	if _, err := user.LookupGroup(access.Secrets); err == nil && os.Geteuid() == 0 {
		want = 0o640
	}
	assert.Equal(t, want, info.Mode().Perm())

	require.NoError(t, os.Chmod(path, 0o440))
	_, info = set(link)
	assert.Equal(t, os.FileMode(0o440), info.Mode().Perm(), "and the link leads there still")
	fi, err := os.Lstat(link)
	require.NoError(t, err)
	assert.NotZero(t, fi.Mode()&os.ModeSymlink)

	gids, err := os.Getgroups()
	require.NoError(t, err)
	gids = append(gids, os.Getgid())
	g, err := user.LookupGroupId(fmt.Sprint(gids[0]))
	require.NoError(t, err)
	require.NoError(t, os.Chmod(path, 0o600))
	_, info = set(path, "--group", g.Name)
	assert.Equal(t, os.FileMode(0o640), info.Mode().Perm())
	assert.Equal(t, uint32(gids[0]), info.Sys().(*syscall.Stat_t).Gid)
	_, _, code := command(t, "482915\n", "pin", "--file", path, "--group", "no-such-group")
	assert.Equal(t, exitUsage, code)

	if os.Geteuid() != 0 {
		return // only root can give a file away
	}
	require.NoError(t, os.Chown(path, 54321, 54322))
	require.NoError(t, os.Chmod(path, 0o640))
	_, info = set(path)
	assert.Equal(t, uint32(54321), info.Sys().(*syscall.Stat_t).Uid)
	assert.Equal(t, uint32(54322), info.Sys().(*syscall.Stat_t).Gid)
	assert.Equal(t, os.FileMode(0o640), info.Mode().Perm())
}

// terminal opens a pseudo-terminal: what is typed into far is read from near, and far shows what a
// person would see.
func terminal(t *testing.T) (far, near *os.File) {
	t.Helper()
	far, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	require.NoError(t, err)
	t.Cleanup(func() { _ = far.Close() }) // may be closed already
	require.NoError(t, unix.IoctlSetPointerInt(int(far.Fd()), unix.TIOCSPTLCK, 0))
	n, err := unix.IoctlGetInt(int(far.Fd()), unix.TIOCGPTN)
	require.NoError(t, err)
	near, err = os.OpenFile(fmt.Sprintf("/dev/pts/%d", n), os.O_RDWR|unix.O_NOCTTY, 0)
	require.NoError(t, err)
	t.Cleanup(func() { _ = near.Close() })
	return far, near
}

// typist answers each prompt with the next line, once the terminal hides what is typed.
type typist struct {
	t     *testing.T
	far   *os.File
	near  *os.File
	lines []string
	mu    sync.Mutex
	said  bytes.Buffer
	types sync.WaitGroup
}

// Write is called with what the command says.
func (p *typist) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if strings.HasSuffix(string(b), ": ") && len(p.lines) > 0 {
		line := p.lines[0]
		p.lines = p.lines[1:]
		p.types.Go(func() {
			hides(p.t, p.near)
			_, err := p.far.WriteString(line)
			assert.NoError(p.t, err)
		})
	}
	return p.said.Write(b)
}

// hides waits until a terminal hides what is typed.
func hides(t *testing.T, near *os.File) {
	for hidden := false; !hidden; runtime.Gosched() {
		state, err := unix.IoctlGetTermios(int(near.Fd()), unix.TCGETS)
		if !assert.NoError(t, err) {
			return
		}
		hidden = state.Lflag&unix.ECHO == 0
	}
}

func TestPINIsNotShownOnATerminal(t *testing.T) {
	f := func(want int, lines ...string) (said, shown, path string) {
		t.Helper()
		far, near := terminal(t)
		path = filepath.Join(t.TempDir(), "pin")
		p := &typist{t: t, far: far, near: near, lines: lines}
		code := run(streams{t.Context(), near, p, p}, []string{"pin", "--file", path})
		p.types.Wait()
		assert.Equal(t, want, code, p.said.String())
		state, err := unix.IoctlGetTermios(int(near.Fd()), unix.TCGETS)
		require.NoError(t, err)
		assert.NotZero(t, state.Lflag&unix.ECHO, "the terminal shows again what is typed")
		require.NoError(t, near.Close())
		require.NoError(t, unix.SetNonblock(int(far.Fd()), true))
		buf := make([]byte, 1000)
		n, _ := unix.Read(int(far.Fd()), buf) // nothing was shown: no bytes and an error
		return p.said.String(), string(buf[:max(n, 0)]), path
	}
	said, shown, path := f(0, "482915\n", "482915\n")
	assert.NotContains(t, said+shown, "482915")
	assert.Contains(t, said, "the same again")
	_, err := pin.Load(path)
	assert.NoError(t, err)

	said, shown, path = f(exitUsage, "482915\n", "482916\n")
	assert.Contains(t, said, "not the same twice")
	assert.NotContains(t, said+shown, "48291")
	assert.NoFileExists(t, path)

	said, _, path = f(exitUsage, "1234\n")
	assert.Contains(t, said, "want 6 to 12 digits")
	assert.NoFileExists(t, path)
}

// Ctrl-C leaves a terminal that shows what is typed.
func TestPINInterrupted(t *testing.T) {
	far, near := terminal(t)
	ctx, cancel := context.WithCancel(t.Context())
	p := &typist{t: t, far: far, near: near}
	interrupt := interrupter{p, near, cancel}
	defer p.types.Wait()
	code := run(streams{ctx, near, p, interrupt}, []string{"pin", "--file", filepath.Join(t.TempDir(), "pin")})
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, p.said.String(), "interrupted")
	state, err := unix.IoctlGetTermios(int(near.Fd()), unix.TCGETS)
	require.NoError(t, err)
	assert.NotZero(t, state.Lflag&unix.ECHO)
	_, err = far.WriteString("\n") // ends the read that was left behind
	require.NoError(t, err)
}

// interrupter interrupts once the terminal hides what is typed.
type interrupter struct {
	*typist
	near   *os.File
	cancel func()
}

// Write is called with what the command says.
func (i interrupter) Write(b []byte) (int, error) {
	if strings.HasSuffix(string(b), ": ") {
		i.types.Go(func() {
			hides(i.t, i.near)
			i.cancel()
		})
	}
	return i.typist.Write(b)
}
