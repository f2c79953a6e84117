// Package slowtest marks tests that play many simulated days. The race detector slows them tenfold
// and has little to watch in them, so they are left out under it. The longest are left out of a
// plain `go test ./...`, too. .ci/run runs all of them, without the detector, and takes a skip for a
// failure there.
//
// It is for tests only. It is not below cmd/internal because the simulator's tests use it.
package slowtest

import (
	"flag"
	"os"
	"runtime"
	"strconv"
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

// LeftOut says what a test leaves out, though it runs, where the longest tests are not asked for or under the race detector.
func LeftOut(t testing.TB, what string) {
	t.Helper()
	t.Logf("left out: %s; .ci/run runs it without the race detector, with %s=1", what, LongEnv)
}

// LongAsked reports whether tests that take many seconds are to run.
func LongAsked() bool { return os.Getenv(LongEnv) != "" }

// Checks sets how many random cases a property is tried with in this package: so many under the race
// detector, so many in a plain run; rapid's hundred where the longest tests are asked for. TestMain calls it.
func Checks(underRace, plain int) {
	n := plain
	switch {
	case UnderRace:
		n = underRace
	case LongAsked():
		return
	}
	flag.Parse()
	if f := flag.Lookup("rapid.checks"); f.Value.String() != f.DefValue {
		return // somebody has asked for as many
	}
	set("rapid.checks", n)
}

// SideBySide has so many tests of this package run at a time of those that may: they wait more than they compute. TestMain
// calls it.
func SideBySide(n int) {
	set("test.parallel", max(n, runtime.GOMAXPROCS(0)))
}

func set(name string, n int) {
	if err := flag.Set(name, strconv.Itoa(n)); err != nil {
		panic(err)
	}
}
