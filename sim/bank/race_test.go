//go:build race

package bank

// underRace makes tests of many drawn cases draw fewer: the race detector slows them tenfold, and there are no
// goroutines here for it to watch.
const underRace = true
