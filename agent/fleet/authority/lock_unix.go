//go:build unix

package authority

import (
	"errors"
	"os"
	"syscall"
)

// tryLock takes the lock, which ends with the process whatever becomes of it. The file stays.
func tryLock(path string) (unlock func(), err error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		if errors.Is(err, syscall.EWOULDBLOCK) {
			err = errLocked
		}
		return nil, errors.Join(err, f.Close())
	}
	return func() { _ = f.Close() }, nil // which unlocks it
}
