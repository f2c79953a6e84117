package blocks_test

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/blocks"
)

var update = flag.Bool("update", false, "write testdata")

// What is made of a string's weeks stays the same to three digits: testdata has it. Whoever changes a constant sees
// here what it does, and renews the file with -update once that is meant.
func TestTranscript(t *testing.T) {
	var text strings.Builder
	p, s := pair{tapsV: 0.15, less: 0.05, rate: 0.004, freshV: 0.1}, blocks.State{}
	after := func(about string, do func()) {
		do()
		fmt.Fprintf(&text, "%s:", about)
		for _, f := range []blocks.Figure{s.Taps(), s.Behind(0), s.Behind(0.3), s.Rate(), s.Less(), s.Ohm(), s.LessByRuns()} {
			fmt.Fprintf(&text, " %.3g ± %.3g", f.Value, f.Sigma)
		}
		fmt.Fprintf(&text, ", far %d %d, full %.3g\n", s.Far, s.FarRuns, s.FullOhm)
	}
	run := func(n int, ohm, perLess, leftV float64) func() {
		return func() {
			for k := range n {
				r := ohm + 0.0004*float64(k%3-1)
				s.Run(r*80, 80, perLess*float64(k+1)/float64(n), leftV)
			}
		}
	}
	recharged := func(out float64, hours int) func() {
		return func() { p.fedAt, p.out, p.behind = p.at, out, 0; p.rest(&s, hours) }
	}
	after("a first look", recharged(0.03, 6))
	after("a night", recharged(0.03, 14))
	after("nights, deeper each", func() {
		for _, out := range []float64{0.1, 0.2, 0.35} {
			recharged(out, 16)()
		}
	})
	after("a weekend", recharged(0.05, 62))
	after("weeks", func() { p.weekends(&s, 2, 30, 14, 12) })
	after("a month away", func() { p.at += 29 * 24 * time.Hour; recharged(0.1, 14)() })
	after("two months away", func() { p.at += 60 * 24 * time.Hour; recharged(0.1, 8)() })
	after("a step that may be", func() { p.tapsV += 0.05; recharged(0.2, 8)() })
	for k := range 12 { // larger and larger, until it is not believed
		after(fmt.Sprintf("a step of %d mV", 10*(k+1)), func() { p.tapsV += 0.01 * float64(k+1); p.rest(&s, 2) })
	}
	after("what stays is", recharged(0.2, 14))
	after("runs", run(4, 0.0005, 0.001, 0))
	after("more runs", run(20, 0.0005, 0.003, 0))
	after("runs after a charge", run(5, 0.001, 0.003, 0.05))
	for k := range 8 {
		after(fmt.Sprintf("a joint, %d", k), run(2, 0.0008+0.0003*float64(k), 0.002, 0))
	}
	after("a loose one", run(6, 0.006, 0.002, 0))
	after("long", run(300, 0.004, 0.004, 0))
	const file = "testdata/transcript.txt"
	if *update {
		require.NoError(t, os.WriteFile(file, []byte(text.String()), 0o644))
	}
	saved, err := os.ReadFile(file)
	require.NoError(t, err)
	want, got := strings.Split(string(saved), "\n"), strings.Split(text.String(), "\n")
	for k := range min(len(want), len(got)) {
		require.Equal(t, want[k], got[k], "line %d", k+1)
	}
	assert.Len(t, got, len(want))
}
