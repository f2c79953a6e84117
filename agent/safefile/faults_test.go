package safefile_test

import (
	"fmt"
	"math/rand/v2"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/disk"
	"liftbank/agent/disk/crash"
	"liftbank/agent/safefile"
)

// failNth lets the n-th operation fail, once or from then on.
func failNth(n int, forever bool, err error) func(int, string, string) error {
	return func(at int, _, _ string) error {
		if at == n || forever && at > n {
			return err
		}
		return nil
	}
}

var diskErrors = []error{syscall.EIO, syscall.ENOSPC, syscall.EROFS, syscall.EACCES}

// Each operation of a save fails, for each error, once or for good: afterwards the old document or
// the new one is there, and the new one if Save said so.
func TestEachOperationOfASaveFails(t *testing.T) {
	for _, forever := range []bool{false, true} {
		for _, fault := range diskErrors {
			for n := 1; ; n++ {
				d := crash.New("/card")
				undo := disk.Use(d)
				require.NoError(t, safefile.Save("/card/state", []byte("older")))
				require.NoError(t, safefile.Save("/card/state", []byte("old")))
				begun := d.Operations()
				d.FailWith(failNth(begun+n, forever, fault))
				err := safefile.Save("/card/state", []byte("new"))
				done := d.Operations() < begun+n
				d.FailWith(nil)
				got, loadErr := safefile.Load("/card/state")
				require.NoError(t, loadErr, "operation %d", n)
				if err == nil {
					assert.Equal(t, "new", string(got), "operation %d", n)
				} else {
					assert.Contains(t, []string{"old", "new"}, string(got), "operation %d: %v", n, err)
				}
				require.NoError(t, safefile.Save("/card/state", []byte("next")), "it is tried again")
				undo()
				if done {
					break
				}
			}
		}
	}
}

// Each operation of a load fails: the newest document comes back, or the error says that there is
// one. Never an older one, never none.
func TestEachOperationOfALoadFails(t *testing.T) {
	for _, fault := range diskErrors {
		for n := 1; ; n++ {
			d := crash.New("/card")
			undo := disk.Use(d)
			require.NoError(t, safefile.Save("/card/state", []byte("old")))
			require.NoError(t, safefile.Save("/card/state", []byte("new")))
			begun := d.Operations()
			d.FailWith(failNth(begun+n, false, fault))
			got, err := safefile.Load("/card/state")
			done := d.Operations() < begun+n
			if err != nil {
				assert.ErrorIs(t, err, safefile.ErrUnreadable, "operation %d", n)
				assert.ErrorIs(t, err, fault)
				assert.Nil(t, got)
			} else {
				assert.Equal(t, "new", string(got))
			}
			undo()
			if done {
				break
			}
		}
	}
}

// What can't be read is not written over, not even when everything else works.
func TestWhatCannotBeReadStays(t *testing.T) {
	d := crash.New("/card")
	defer disk.Use(d)()
	require.NoError(t, safefile.Save("/card/state", []byte("old")))
	require.NoError(t, safefile.Save("/card/state", []byte("kept")))
	d.FailWith(func(_ int, op, name string) error {
		if op == "read" && name == "/card/state" {
			return syscall.EIO
		}
		return nil
	})
	for range 3 {
		require.ErrorIs(t, safefile.Save("/card/state", []byte("new")), safefile.ErrUnreadable)
	}
	d.FailWith(nil)
	got, err := safefile.Load("/card/state")
	require.NoError(t, err)
	assert.Equal(t, "kept", string(got))
}

// The power is cut after each operation of a save, with all that was not synced left to chance: the
// old document or the new one is there, and the new one once Save has returned.
func TestAPowerCutAtEachOperation(t *testing.T) {
	chance := rand.New(rand.NewPCG(1, 2))
	for range 50 {
		for n := 1; ; n++ {
			d := crash.New("/card")
			undo := disk.Use(d)
			require.NoError(t, safefile.Save("/card/state", []byte("older document")))
			require.NoError(t, safefile.Save("/card/state", []byte("old document")))
			begun := d.Operations()
			d.FailWith(failNth(begun+n, true, syscall.EIO)) // nothing more reaches the card
			err := safefile.Save("/card/state", []byte("new document"))
			after := d.Cut(chance)
			undo()
			undo = disk.Use(after)
			got, loadErr := safefile.Load("/card/state")
			undo()
			if err == nil {
				require.NoError(t, loadErr)
				assert.Equal(t, "new document", string(got))
				break
			}
			assert.Contains(t, []string{"old document", "new document"}, string(got), fmt.Sprint(n, err, loadErr))
		}
	}
}
