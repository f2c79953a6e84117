package cell

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

// sulzer2019 is the battery of PyBaMM's parameter set Sulzer2019, by ratings: capacity at its C/20,
// acid and rates fitted to the curves of testdata/pybamm (its acid is stronger than usual, and all
// but used up at the end of a discharge). Its capacity does not depend on temperature and it has no
// side reactions and next to no acceptance resistance; AcceptanceH, SurfaceChargeV and Ah0CPct say
// so. Its resistance does not either: the rated CCA is the one that makes it so at 25 °C.
var sulzer2019 = Spec{
	Chemistry: AGM, RatedAh: 21.75, RatedCCA: 230,
	Design: Design{
		FullMolality: 6.58, EmptyMolality: 0.31, Ah10hPct: 98.6, Ah1hPct: 87.7, Ah0CPct: 100,
		SelfDischargePctMonth: 2, GassingMaPer100Ah: 8, GassingPerV: 12,
		AcceptanceH: 0.058, SurfaceChargeV: 0.022, SurfaceDecayH: 1,
		TransferPct: 11, LayerS: 0.01,
	},
}

type sample struct{ timeS, amps, volts float64 }

// pybammCurves are the reference curves by name, each with its temperature.
func pybammCurves(t *testing.T) (names []string, curves map[string][]sample, tempC map[string]float64) {
	t.Helper()
	curves, tempC = map[string][]sample{}, map[string]float64{}
	for _, row := range readTable(t, "testdata/pybamm/curves.csv") {
		name := row[0] + " at " + row[1] + " °C"
		if curves[name] == nil {
			names = append(names, name)
			tempC[name] = number(t, row[1])
		}
		curves[name] = append(curves[name], sample{number(t, row[2]), number(t, row[3]), number(t, row[4])})
	}
	return names, curves, tempC
}

// against is the RMS and the worst difference of voltage from the curve, % of it, with currents
// scaled.
func against(b Battery, curve []sample, tempC, scale float64) (rms, worst float64) {
	b.reset(100, tempC)
	sum := 0.0
	for i, s := range curve {
		if i > 0 {
			b.Step(s.timeS-curve[i-1].timeS, scale*s.amps, tempC)
		}
		v, _ := b.Terminal(scale * s.amps)
		e := 100 * (v/s.volts - 1)
		sum += e * e
		worst = math.Max(worst, math.Abs(e))
	}
	return math.Sqrt(sum / float64(len(curve))), worst
}

// PyBaMM's porous-electrode model (testdata/pybamm/generate.py): discharges at C/20 to 2C, charges,
// rests and 20 s pulses at 0, 25 and 40 °C, one battery for all, 2 % RMS.
func TestAgainstPyBaMM(t *testing.T) {
	b := newBattery(t, sulzer2019, 100, 25)
	names, curves, tempC := pybammCurves(t)
	assert.Len(t, names, 27)
	for _, name := range names {
		rms, worst := against(b, curves[name], tempC[name], 1)
		t.Logf("%-26s %.2f %% rms, %.1f %% at most", name, rms, worst)
		assert.Less(t, rms, 2.0, name)
	}
}

// The same rests and pulses against a typical battery of another make, currents scaled to its
// capacity. Whole discharges and charges are no fair question: its acid, its taper and its
// behavior in the cold are others by design.
func TestTypicalAGMAgainstPyBaMM(t *testing.T) {
	b := newBattery(t, Spec{Chemistry: AGM, RatedAh: 100, RatedCCA: 900}, 100, 25)
	names, curves, tempC := pybammCurves(t)
	for _, name := range names {
		if tempC[name] < 25 || !strings.HasPrefix(name, "rest") && !strings.HasPrefix(name, "pulses") {
			continue
		}
		rms, worst := against(b, curves[name], tempC[name], 100/sulzer2019.RatedAh)
		t.Logf("%-26s %.2f %% rms, %.1f %% at most", name, rms, worst)
		assert.Less(t, rms, 2.0, name)
	}
}
