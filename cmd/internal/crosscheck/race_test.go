//go:build race

package crosscheck

// underRace leaves out tests that run many simulated days: the race detector slows them tenfold, and there are no goroutines in them
// for it to watch. They run without it.
const underRace = true
