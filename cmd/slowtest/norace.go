//go:build !race

package slowtest

// UnderRace reports whether the race detector is on.
const UnderRace = false
