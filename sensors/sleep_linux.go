package sensors

import (
	"syscall"
	"time"
)

// shortSleep sleeps in the kernel, which is accurate to about 60 µs; a runtime timer is to about 1
// ms. A signal may end it early; the caller checks the time again.
func shortSleep(d time.Duration) {
	ts := syscall.NsecToTimespec(int64(d))
	_ = syscall.Nanosleep(&ts, nil) // the only possible error is EINTR
}
