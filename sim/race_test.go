//go:build race

package sim

// underRace makes tests that run many simulated days run fewer: the race detector slows them tenfold, and there are no
// goroutines here for it to watch.
const underRace = true
