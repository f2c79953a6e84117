package sensors

import (
	"syscall"
	"time"
)

// shortSleep sleeps in the kernel, which is exact to about 60 µs where a runtime timer is to about 1 ms. A signal may end it
// early; the caller looks at the time again.
func shortSleep(d time.Duration) {
	ts := syscall.NsecToTimespec(int64(d))
	_ = syscall.Nanosleep(&ts, nil) // EINTR is the only error possible here
}
