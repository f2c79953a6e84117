package authority

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// lockFile is tryLock; tests on a disk in memory have no file to lock.
var lockFile = tryLock

var errLocked = errors.New("in use")

// lock waits until this process alone may change the folder.
func lock(ctx context.Context, path string) (unlock func(), err error) {
	const patience = 10 * time.Second // many times what enrolling takes
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	again := time.NewTicker(20 * time.Millisecond)
	defer again.Stop()
	for {
		if unlock, err = lockFile(path); !errors.Is(err, errLocked) {
			return unlock, err
		}
		select {
		case <-again.C:
		case <-ctx.Done():
			return nil, fmt.Errorf("%s: another command changes the authority: try again later: %w", path, ctx.Err())
		}
	}
}
