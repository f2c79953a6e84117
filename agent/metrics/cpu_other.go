//go:build !unix

package metrics

// cpuSeconds is not known here.
func cpuSeconds() (float64, bool) { return 0, false }
