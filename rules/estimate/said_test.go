package estimate

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
)

// Mean and deviation of a charge cut off at its ends, against a sum over the normal distribution.
func TestAChargeIsCutOffAtItsEnds(t *testing.T) {
	for _, c := range [][2]float64{{50, 10}, {100, 3}, {98, 2}, {1, 4}, {0, 8}, {60, 30}, {99.9, 0.5}, {95, 20}} {
		var sum, m, m2 float64
		const n = 200_001
		for k := range n {
			x := -8 + 16*float64(k)/(n-1)
			w := math.Exp(-x * x / 2)
			z := min(max(c[0]+c[1]*x, 0), 100)
			sum, m, m2 = sum+w, m+w*z, m2+w*z*z
		}
		m, m2 = m/sum, m2/sum
		mean, sd := withinRange(c[0], c[1])
		assert.InDelta(t, m, mean, 1e-3, "%v", c)
		assert.InDelta(t, max(math.Sqrt(m2-m*m), bestSigmaPct), sd, 2e-3, "%v", c)
	}
}
