//go:build !unix

package main

import "os"

// copySignal asks run for a copy of its recording; this system has none.
var copySignal os.Signal
