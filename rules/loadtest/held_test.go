package loadtest_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/leadacid"
	"liftbank/rules/loadtest"
)

// A neighbor holds the battery 0.08 V above its line by 0.1 A, which is less than a sensor's zero: no
// run by itself says for certain that it does, but all of them together. A double layer slower than
// the inrush looks much like voltage held: one of 0.3 s reads 14 % high.
func TestHeldUpByLessThanASensorShows(t *testing.T) {
	for _, layerS := range []float64{0.01, 0.02, 0.04, 0.08, 0.15} {
		b := newBench(leadacid.Flooded, 950)
		b.meter = loadtest.New(loadtest.Params{Chemistry: leadacid.Flooded, RatedCCA: 950, Parallel: true})
		b.mohm, b.layer, b.layerS, b.noiseV = 3.5, 0.5, layerS, 0.002
		b.heldV, b.restA = 0.08, 0.1
		b.runs(100)
		t.Logf("%.2f s: %.2f mΩ", layerS, b.shown(t))
		assert.InEpsilon(t, 4, b.shown(t), 0.10, "%g s", layerS)
	}
}
