//go:build !linux

package sensors

import "time"

func shortSleep(d time.Duration) { time.Sleep(d) }
