package loadtest_test

import (
	"flag"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/leadacid"
)

var update = flag.Bool("update", false, "write testdata")

// What a meter makes of a battery that ages, is warm and cold, sound and not, stays the same to three
// digits: testdata has it. Whoever changes a constant sees here what it does, and renews the file
// with -update once that is meant.
func TestTranscript(t *testing.T) {
	var s strings.Builder
	for _, c := range leadacid.All() {
		b := newBench(c, 900)
		b.layer, b.layerS, b.noiseV, b.lag = 0.6, 0.5, 0.002, 2*time.Millisecond
		after := func(about string, n int, length time.Duration, change func()) {
			change()
			for range n {
				b.run(length)
			}
			p, m := b.meter.State().Parts, b.meter.State()
			fmt.Fprintf(&s, "%v, %s:", c, about)
			figures := []float64{
				p.MetalMohm, p.AcidMohm, p.LayerMohm, math.Sqrt(p.VarMetal), math.Sqrt(p.VarAcid), math.Sqrt(p.VarLayer),
				p.CorrectionShare, p.Scatter, float64(p.Runs), float64(p.Strikes), 1000 * m.Lag.MeanS, m.EMFV, float64(m.TakingRuns),
			}
			mohm, ca, trend := b.meter.ResistanceMohm(), b.meter.CrankingA(), b.meter.Trend()
			for _, x := range append(figures, mohm.Value, mohm.Sigma, ca.Value, ca.Sigma, trend.Value, trend.Sigma) {
				fmt.Fprintf(&s, " %.3g", x)
			}
			fmt.Fprintln(&s, "", mohm.Known, ca.Known, trend.Known)
		}
		after("new", 2, 4*time.Second, func() {})
		after("again", 2, 4*time.Second, func() {})
		after("shorter", 6, 800*time.Millisecond, func() {})
		after("cold", 6, 6*time.Second, func() { b.tempC, b.mohm = -10, 6.5 })
		after("half full", 6, 6*time.Second, func() { b.tempC, b.mohm, b.socPct, b.restV = 20, 4.4, 60, 12.3 })
		after("low", 3, 6*time.Second, func() { b.socPct, b.restV = 40, 12 })
		after("held", 5, 5*time.Second, func() { b.socPct, b.mohm, b.restV, b.heldV = 95, 4, 12.7, 0.2 })
		after("charged", 4, 5*time.Second, func() { b.heldV, b.restA = 0.9, 12 })
		after("a small motor", 6, 5*time.Second, func() { b.heldV, b.restA, b.plateau, b.inrush = 0, 0, 22, 50 })
		after("aged", 8, 5*time.Second, func() { b.plateau, b.inrush, b.mohm = 90, 200, 5.2 })
		after("on", 20, 5*time.Second, func() {})
		after("another", 8, 5*time.Second, func() { b.mohm, b.layer = 11, 1.5 })
	}
	const file = "testdata/transcript.txt"
	if *update {
		require.NoError(t, os.WriteFile(file, []byte(s.String()), 0o644))
	}
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	want, got := strings.Split(string(text), "\n"), strings.Split(s.String(), "\n")
	for k := range min(len(want), len(got)) {
		require.Equal(t, want[k], got[k], "line %d", k+1)
	}
	assert.Len(t, got, len(want))
}
