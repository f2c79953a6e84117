//go:build unix

package main

import (
	"os"
	"syscall"
)

// copySignal asks run for a copy of its recording.
var copySignal os.Signal = syscall.SIGUSR1
