// Package slowtest marks tests that play many simulated days. The race detector slows them tenfold
// and has little to watch in them, so they are left out under it. .ci/run runs them once more
// without it, and takes a skip for a failure there.
//
// It is for tests only. It is not below cmd/internal because the simulator's tests use it.
package slowtest

import "testing"

// SkipUnderRace skips the test under the race detector.
func SkipUnderRace(t testing.TB) {
	t.Helper()
	if UnderRace {
		t.Skip("too slow under the race detector; .ci/run runs it without")
	}
}
