//go:build unix

package metrics

import (
	"syscall"
	"time"
)

// cpuSeconds returns the CPU time of this process.
func cpuSeconds() (float64, bool) {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0, false
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano()).Seconds(), true
}
