package agent

import (
	"context"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config"
	"liftbank/agent/disk"
	"liftbank/agent/disk/crash"
	"liftbank/agent/safefile"
	"liftbank/agent/trouble"
	"liftbank/rules"
)

// A saved state that can't be read at the start is not written over, however much is learned since.
// It is tried again, and once it can be read the agent ends, so that the next start takes it up.
func TestAStateThatCannotBeReadIsKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := crash.New("/card")
		defer disk.Use(d)()
		require.NoError(t, safefile.Save("/card/learned", []byte(`{"before":1}`)))
		require.NoError(t, safefile.Save("/card/learned", []byte(`{"newest":1}`)))
		d.FailWith(func(_ int, op, name string) error {
			if op == "read" && name == "/card/learned" {
				return syscall.EIO
			}
			return nil
		})
		var troubles trouble.Book
		w := newStateWriter("/card/learned", &troubles, slog.New(slog.DiscardHandler))
		w.restore(nil) // it must not come to the core
		require.Len(t, troubles.List(), 1)
		assert.Equal(t, trouble.State, troubles.List()[0].Part)
		ended := make(chan error, 1)
		go func() { ended <- w.run(context.Background()) }()
		for range 100 {
			w.enqueue(&rules.State{})
			time.Sleep(time.Minute)
		}
		d.FailWith(nil)
		require.ErrorIs(t, <-ended, ErrStateBack)
		got, err := safefile.Load("/card/learned")
		require.NoError(t, err)
		assert.JSONEq(t, `{"newest":1}`, string(got))
	})
}

// A state of another version is kept under another name.
func TestAStateThatIsRefusedIsKept(t *testing.T) {
	d := crash.New("/card")
	defer disk.Use(d)()
	require.NoError(t, safefile.Save("/card/learned", []byte(`{"version":`)))
	var troubles trouble.Book
	w := newStateWriter("/card/learned", &troubles, slog.New(slog.DiscardHandler))
	w.restore(nil)
	assert.False(t, w.unread)
	require.Len(t, troubles.List(), 1)
	assert.Equal(t, trouble.SetAside, troubles.List()[0].Part)
	assert.Contains(t, troubles.List()[0].Problem, "/card/learned.refused")
	require.NoError(t, w.write(&rules.State{}))
	kept, err := disk.ReadFile("/card/learned.refused")
	require.NoError(t, err)
	assert.Contains(t, string(kept), `{"version":`)
}

// Every file that was renamed is named, of the learned values and of the store.
func TestEveryFileSetAsideIsNamed(t *testing.T) {
	a, _ := watched()
	a.outlets = nil
	a.opts.Config.Bank.Batteries = []config.Battery{{ID: "a"}}
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "damaged-1-s0.db"), nil, 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "unit.db"), []byte("no database, however long it is"), 0o600))
	var err error
	a.store, err = OpenStore(a.opts.Config, dir, "s1", time.Now, a.opts.Log)
	require.NoError(t, err)
	defer func() { require.NoError(t, a.store.Close()) }()
	a.state = newStateWriter(filepath.Join(dir, "learned"), &a.troubles, a.opts.Log)
	a.state.setAside(errors.New("learned.damaged: no document"))
	for range 2 { // two snapshots
		for _, tr := range a.troublesNow() {
			if tr.Part == trouble.SetAside {
				assert.Regexp(t, `^learned\.damaged: no document; damaged-1-s0\.db; damaged-\d+-s1\.db$`, tr.Problem)
			}
		}
	}
	assert.Len(t, a.troublesNow(), 1)
}
