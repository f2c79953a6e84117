package loadtest_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/loadtest"
)

func sound(share float64) loadtest.Evidence {
	return loadtest.Evidence{
		Runs: 20, CrankingShare: share, CrankingSigma: 0.05 * share, CrankingOK: true, SoCPct: 95, SoCSigma: 3, SoCOK: true,
		EMFV: 12.6, EMFOK: true, NeighbourEMFV: 12.6, NeighbourEMFOK: true,
	}
}

// Limits: 80 % and 60 % of rated (published practice, see the package), tired called some 1 % under its own, failed 5 % under, and either taken back 5 % over.
func TestVerdicts(t *testing.T) {
	check := func(name string, want loadtest.Verdict, waits string, change func(*loadtest.Evidence)) {
		t.Helper()
		e := sound(1)
		change(&e)
		var j loadtest.Judge
		v, w := j.Step(&e)
		assert.Equal(t, want, v, name)
		if waits == "" {
			assert.Empty(t, w, name)
		} else {
			assert.Contains(t, w, waits, name)
		}
	}
	share := func(x float64) func(*loadtest.Evidence) {
		return func(e *loadtest.Evidence) { e.CrankingShare, e.CrankingSigma = x, 0.05*x }
	}
	check("new", loadtest.Fit, "", func(*loadtest.Evidence) {})
	check("just above", loadtest.Fit, "", share(0.83))
	check("on the limit", loadtest.Unknown, "clear of the limit", share(0.80))
	check("70 %", loadtest.Tired, "", share(0.70))
	check("on the lower limit", loadtest.Tired, "", share(0.60))
	check("half", loadtest.Failed, "", share(0.50))
	check("nineteen runs", loadtest.Unknown, "20 motor runs", func(e *loadtest.Evidence) { e.Runs = 19; e.CrankingShare = 0.5 })
	check("no capability", loadtest.Unknown, "state of charge", func(e *loadtest.Evidence) { e.CrankingOK = false })
	check("no charge known", loadtest.Unknown, "state of charge", func(e *loadtest.Evidence) { e.SoCOK = false })
	check("low", loadtest.FitLow, "", func(e *loadtest.Evidence) { e.SoCPct = 70 })
	check("not surely low", loadtest.Fit, "", func(e *loadtest.Evidence) { e.SoCPct, e.SoCSigma = 70, 8 })
	check("tired though low", loadtest.Tired, "", func(e *loadtest.Evidence) { share(0.7)(e); e.SoCPct = 40 })
	check("tired, charge not known", loadtest.Tired, "", func(e *loadtest.Evidence) { share(0.7)(e); e.SoCOK = false })
	check("capacity", loadtest.Tired, "", func(e *loadtest.Evidence) { e.CapacityShare, e.CapacitySigma, e.CapacityOK = 0.7, 0.06, true })
	check("capacity not surely", loadtest.Unknown, "clear", func(e *loadtest.Evidence) { e.CapacityShare, e.CapacitySigma, e.CapacityOK = 0.79, 0.08, true })
	check("dead cell", loadtest.Failed, "", func(e *loadtest.Evidence) { e.EMFV = 10.6; e.Runs = 3 })
	check("all flat", loadtest.Fit, "", func(e *loadtest.Evidence) { e.EMFV, e.NeighbourEMFV = 11.0, 11.4 })
	check("dead cell alone", loadtest.Failed, "", func(e *loadtest.Evidence) { e.EMFV, e.NeighbourEMFOK = 10.6, false })
	check("flat alone", loadtest.FitLow, "", func(e *loadtest.Evidence) { e.EMFV, e.NeighbourEMFOK, e.SoCPct = 11.1, false, 5 })
	check("takes in two runs", loadtest.Fit, "", func(e *loadtest.Evidence) { e.TakingRuns = 2 })
	check("takes in three", loadtest.Failed, "", func(e *loadtest.Evidence) { e.TakingRuns = 3 })
	check("takes, may be flat", loadtest.FitLow, "", func(e *loadtest.Evidence) { e.TakingRuns, e.SoCPct = 19, 20 })
	check("takes for ever", loadtest.Failed, "", func(e *loadtest.Evidence) { e.TakingRuns, e.SoCPct = 20, 20 })
	check("dead cell at rest", loadtest.Failed, "", func(e *loadtest.Evidence) {
		*e = loadtest.Evidence{RestedV: 10.5, RestedOK: true, SoCPct: 80, SoCSigma: 10, SoCOK: true}
	})
}

// A figure that wanders about a limit by less than its margin keeps the last verdict, from either side.
func TestVerdictsDoNotFlicker(t *testing.T) {
	var j loadtest.Judge
	step := func(share float64) loadtest.Verdict {
		e := sound(share)
		v, _ := j.Step(&e)
		return v
	}
	assert.Equal(t, loadtest.Fit, step(0.90))
	for _, x := range []float64{0.81, 0.795, 0.81, 0.795} {
		assert.Equal(t, loadtest.Fit, step(x))
	}
	assert.Equal(t, loadtest.Tired, step(0.78))
	for _, x := range []float64{0.79, 0.83, 0.79, 0.83} {
		assert.Equal(t, loadtest.Tired, step(x))
	}
	assert.Equal(t, loadtest.Fit, step(0.85))
	assert.Equal(t, loadtest.Failed, step(0.55))
	assert.Equal(t, loadtest.Failed, step(0.62))
	assert.Equal(t, loadtest.Tired, step(0.64))
}

func TestVerdictWords(t *testing.T) {
	var words []string
	for v := loadtest.Unknown; v <= loadtest.Failed+1; v++ {
		words = append(words, v.String())
	}
	assert.Equal(t, []string{"unknown", "fit", "fit-low", "tired", "failed", "unknown"}, words)
}
