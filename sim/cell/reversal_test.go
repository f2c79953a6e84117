package cell

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// In a string a stronger battery drives the current of the run through one that is exhausted. What a
// reversed lead-acid cell can come to is bounded by its plates' potentials (Bode; standard potentials of
// PbO2/PbSO4 1.69 V and Pb/PbSO4 -0.36 V): nothing as one plate is used up and both stand at the potential
// of lead, and 2.05 V the wrong way round with both. Measured reversals lie between (from memory).
func TestReversedBatteryStaysBetweenItsPlatesPotentials(t *testing.T) {
	const runA, most = 65.0, 2.05 * cells
	for _, chemistry := range []Chemistry{Flooded, AGM, Gel} {
		for _, tempC := range []float64{-10, 25, 40} {
			b := newBattery(t, Spec{Chemistry: chemistry, RatedAh: 100, RatedCCA: 800}, 15, tempC)
			last := 20.0
			drive := func(seconds int) (drivenJ float64) {
				for range seconds {
					v, slope := b.Terminal(-runA)
					assert.Positive(t, slope)
					if v > last+1 { // it warms itself a little out of it
						t.Fatalf("%s at %g °C: from %.1f up to %.1f V", chemistry, tempC, last, v)
					}
					last = min(last, v)
					drivenJ -= v * runA
					b.Step(1, -runA, tempC)
				}
				return drivenJ
			}
			drive(5400)
			assert.True(t, last < 0 && last > -most, "%s at %g °C: %.1f V", chemistry, tempC, last)
			assert.Zero(t, b.SoCPct())
			// Once nothing is left, what heats it is what the other battery drives into it.
			warm := b.TempC()
			drivenJ := drive(600)
			warmJ := (b.TempC() - warm) * kgPerAh * 100 * heatJPerKgK
			assert.True(t, warmJ > 0 && warmJ < drivenJ, "%s at %g °C: %.0f of %.0f kJ, %.0f °C", chemistry, tempC, warmJ/1000,
				drivenJ/1000, b.TempC())
			// It takes a charge again.
			for range 10 * 3600 {
				b.Step(1, b.HeldA(14.4, 20), 25)
			}
			assert.Greater(t, b.SoCPct(), 60.0, "%s at %g °C", chemistry, tempC)
			v, _ := b.Terminal(0)
			assert.Greater(t, v, 12.2)
		}
	}
}
