// Package slowtest marks tests that play many simulated days. The race detector slows them tenfold
// and has little to watch in them, so they are left out under it. The longest are left out of a
// plain `go test ./...`, too. .ci/run runs all of them, without the detector, and takes a skip for a
// failure there.
//
// It is for tests only. It is not below cmd/internal because the simulator's tests use it.
package slowtest

import (
	"os"
	"testing"
)

// LongEnv asks for the tests that take many seconds each.
const LongEnv = "LIFTBANK_LONG"

// SkipUnderRace skips the test under the race detector.
func SkipUnderRace(t testing.TB) {
	t.Helper()
	if UnderRace {
		t.Skip("too slow under the race detector; .ci/run runs it without")
	}
}

// Long skips a test that takes many seconds, unless they are asked for.
func Long(t testing.TB) {
	t.Helper()
	SkipUnderRace(t)
	if !LongAsked() {
		t.Skip("takes many seconds; " + LongEnv + "=1 runs it, as .ci/run does")
	}
}

// LongAsked reports whether tests that take many seconds are to run.
func LongAsked() bool { return os.Getenv(LongEnv) != "" }
