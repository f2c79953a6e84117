package agent

import (
	"syscall"
	"time"
)

// unsynchronised is STA_UNSYNC of adjtimex(2): the kernel's clock is not known to follow a
// reference.
const unsynchronised = 0x0040

// SystemWall gives the system's time of day, and whether the kernel knows it to follow a reference
// clock. A board without a battery-backed clock starts in the past and jumps once the network is
// there.
func SystemWall() (time.Time, bool) {
	var tx syscall.Timex
	_, err := syscall.Adjtimex(&tx)
	return time.Now(), err == nil && tx.Status&unsynchronised == 0
}
