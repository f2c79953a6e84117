//go:build !unix

package authority

import (
	"errors"
	"io/fs"
	"os"
)

// tryLock takes the lock by making its file, which a killed process leaves: then it is to be deleted
// by hand.
func tryLock(path string) (unlock func(), err error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return nil, errLocked
	}
	if err != nil {
		return nil, err
	}
	return func() { _ = f.Close(); _ = os.Remove(path) }, nil
}
