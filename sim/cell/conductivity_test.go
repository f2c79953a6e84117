package cell

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
)

// acidOhms is the acid's resistance at a weight share and temperature, over that of the acid that
// conducts best at 25 °C.
func acidOhms(weight, tempC float64) float64 {
	c := molarity(1000 * weight / (98.078 * (1 - weight)))
	acid, bend := acidFactors(tempC)
	return acid * math.Exp(c*(bend+acidBend2*c)) / c
}

// The same authors' conductivity at 25 °C as PyBaMM's Sulzer2019 has it: c exp(6.23 - 1.34e-4 c -
// 1.61e-8 c²) 1e-4 S/m, c in mol/m³.
func TestConductivityAgainstSulzer(t *testing.T) {
	sulzer := func(c float64) float64 { return c * math.Exp(-0.134*c-0.0161*c*c) }
	for c := 0.5; c <= 6; c += 0.5 {
		acid, bend := acidFactors(25)
		got := c / acid * math.Exp(-c*(bend+acidBend2*c))
		assert.InEpsilon(t, sulzer(c)/sulzer(3.87), got, 0.003, "at %g mol/l", c)
	}
	assert.InDelta(t, 5.65, molarity(7.360), 0.005, "full in Sulzer2019")
}

// Kohlrausch, conductivity at 18 °C and its rise per °C, by weight (from memory).
func TestConductivityAgainstKohlrausch(t *testing.T) {
	rows := []struct{ weight, siemensCM, rise float64 }{
		{0.10, 0.3915, 0.0128}, {0.15, 0.5432, 0.0136}, {0.20, 0.6527, 0.0145}, {0.25, 0.7171, 0.0154},
		{0.30, 0.7388, 0.0162}, {0.35, 0.7243, 0.0170}, {0.40, 0.6800, 0.0178},
	}
	for _, r := range rows {
		assert.InEpsilon(t, 0.7388/r.siemensCM, acidOhms(r.weight, 18)/acidOhms(0.3, 18), 0.05, "at %g", r.weight)
		rise := math.Log(acidOhms(r.weight, 17.5) / acidOhms(r.weight, 18.5))
		assert.InDelta(t, r.rise, rise, 0.001, "at %g", r.weight)
	}
}
