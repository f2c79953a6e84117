package cell

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"
)

// The step of a double layer in closed form against the equation itself, stepped a thousand times by
// Runge and Kutta's rule: dphi/dt = rate (y - sinh phi).
func TestLayerAgainstItsEquation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		phi := rapid.Float64Range(-4, 4).Draw(t, "phi")
		y := rapid.Float64Range(-20, 20).Draw(t, "y")
		l := layer{phi: phi, u: math.Exp(phi), rate: 1}
		l.prepare(rapid.Float64Range(1e-4, 3).Draw(t, "dt"))
		rate := func(phi float64) float64 { return l.gone / 1000 * (y - math.Sinh(phi)) }
		for range 1000 {
			a := rate(phi)
			b := rate(phi + a/2)
			c := rate(phi + b/2)
			phi += (a + 2*b + 2*c + rate(phi+c)) / 6
		}
		got, slope := l.end(y)
		above, _ := l.end(y + 1e-4)
		below, _ := l.end(y - 1e-4)
		if math.Abs(got-phi) > 1e-6 || math.Abs(slope-(above-below)/2e-4) > 1e-6 {
			t.Fatalf("got %v, slope %v: want %v, %v", got, slope, phi, (above-below)/2e-4)
		}
	})
}

// At small currents the layer is a capacitor beside a resistor: after LayerS at 25 °C the reaction's
// share of the drop is there but for 1/e, and the drop at once is the rest.
func TestLayerRelaxes(t *testing.T) {
	for _, layerS := range []float64{0.01, 0.08, 0.6} {
		s := Spec{Chemistry: AGM, RatedAh: 100, RatedCCA: 900, Design: DefaultDesign(AGM)}
		s.Design.TransferPct, s.Design.LayerS = 30, layerS
		b := newBattery(t, s, 100, 25)
		drop := func(after float64) float64 {
			c := b
			for range 100 {
				c.Step(layerS*after/100, -1, 25)
			}
			v, _ := c.Terminal(-1)
			return c.restV - v // the acid's own gradient left out
		}
		atOnce, all := drop(1e-4), drop(12)
		assert.InDelta(t, 0.30, 1-atOnce/all, 0.02, "%g s", layerS)
		assert.InDelta(t, 1-1/math.E, (drop(1)-atOnce)/(all-atOnce), 0.03, "%g s", layerS)
	}
}
