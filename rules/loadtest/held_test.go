package loadtest_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/leadacid"
	"liftbank/rules/loadtest"
)

// A neighbor that gives it a tenth of an ampere, less than its sensor's zero may be off, holds a nearly
// full battery 0.08 V up: a step against that would show 5.3 mΩ. The run itself shows that it is
// held; one whose rest is its own keeps its figure, as a lone one does.
func TestHeldUpByLessThanTheZero(t *testing.T) {
	for _, heldV := range []float64{0, 0.03, 0.08} {
		b := newBench(leadacid.Flooded, 950)
		b.meter = loadtest.New(loadtest.Params{Chemistry: leadacid.Flooded, RatedCCA: 950, Parallel: true})
		b.heldV, b.restA = heldV, 0.1
		b.runs(40)
		assert.InEpsilon(t, 4, b.shown(t), 0.10, "held by %g V", heldV)
	}
}
