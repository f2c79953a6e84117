package loadtest_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/leadacid"
)

// A double layer as a plain resistor beside a capacitor, 0.1 V at 58 A of it, over all time
// constants: the resistance after two seconds is the true one, a battery with half as much again as
// a new one is seen to be below the service limit, and a new one is not.
func TestLayersOfAllTimeConstants(t *testing.T) {
	const layer = 100.0 / 58
	for _, grown := range []float64{1, 1.5} {
		for _, layerS := range []float64{0.01, 0.02, 0.04, 0.08, 0.15, 0.3, 0.45, 0.6} {
			b := newBench(leadacid.AGM, 900)
			whole := grown * leadacid.AGM.RatedMohm(900)
			b.plateau, b.noiseV = 58, 0.002
			b.mohm, b.layer, b.layerS = whole-layer, layer, layerS
			b.runs(25)
			want := b.mohm + layer*(1-math.Exp(-2/layerS))
			assert.InEpsilon(t, want, b.shown(t), 0.05, "%g times, %g s", grown, layerS)
			amps, _, ok := known(b.meter.CrankingA())
			require.True(t, ok)
			t.Logf("%.1f times, %.2f s: %.2f mΩ of %.2f, %.0f A", grown, layerS, b.shown(t), want, amps)
			if grown > 1 {
				assert.Less(t, amps, 0.8*900, "%g s", layerS)
			} else {
				assert.Greater(t, amps, 0.9*900, "%g s", layerS)
			}
		}
	}
}
