package loadtest_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/leadacid"
	"liftbank/rules/loadtest"
)

// In heat a charger that compensates holds a battery at some 13.3 V in the mean (13.6 V at 25 °C, and 3 mV a cell less
// for each degree more, at 40 °C: published float settings), which the voltages do not show; one that it leaves behind
// the other has 12.9 V, as one at rest. How fast it comes back hangs on what the other takes, and the run would show
// the charger's voltage as resistance. In a bulk charge it takes current: the rest is left out and the run counts. The
// same voltages with the feed off are those of a battery at rest, or fresh from a charge.
func TestARunOfAStringUnderAChargerIsNotJudged(t *testing.T) {
	for name, c := range map[string]struct {
		heldV, restA, meanV float64
		fed, judged         bool
	}{
		"held in heat":                          {0.6, 0.3, 13.35, true, false},
		"held in heat, behind the other":        {0.2, 0.3, 13.35, true, false},
		"the same, and left to give some":       {0.2, -0.3, 13.35, true, false},
		"held behind the other, unseen feed":    {0.2, 0.3, 13.8, false, false},
		"fresh from a charge, the feed off":     {0.6, 0.3, 13.35, false, true},
		"behind the other, the feed off":        {0.2, 0.3, 13.35, false, true},
		"bulk":                                  {0.1, 12, 12.85, true, true},
		"bulk, just more than a held one takes": {0.1, 2, 12.85, true, true},
	} {
		b := newBench(leadacid.Flooded, 950)
		b.tempC, b.heldV, b.restA, b.sagsV = 40, c.heldV, c.restA, 0.1
		b.meter.InString(b.now, c.meanV, c.fed)
		b.runs(20)
		_, _, runs, ok := resistance(b.meter)
		assert.Equal(t, c.judged, ok, "%s: %d runs", name, runs)
		assert.Equal(t, c.judged, runs > 0, "%s: %d runs", name, runs)
		assert.Equal(t, !c.judged, b.meter.ChargedRuns() == 20, "%s: %d runs under a charger", name, b.meter.ChargedRuns())
	}
}

// The runs under a charger are counted anew from each run that counts.
func TestRunsUnderAChargerAreCounted(t *testing.T) {
	b := newBench(leadacid.Flooded, 950)
	b.heldV, b.restA, b.sagsV = 0.6, 0.3, 0.1
	b.meter.InString(b.now, 13.35, true)
	b.runs(30)
	assert.EqualValues(t, 20, b.meter.ChargedRuns(), "more are not counted")
	b.heldV, b.restA = 0, -0.3
	b.meter.InString(b.now, 12.6, false)
	b.runs(1)
	assert.Zero(t, b.meter.ChargedRuns())
}

// Of two strings that a charge has left apart, one holds the other up: 0.09 V with 30 mA in the simulator, before a run
// and again right after it, which a step of 60 A would show as 1.4 mΩ more. Half a day after the charge a rest counts as
// one of its own again.
func TestStringsHoldEachOtherUpAfterACharge(t *testing.T) {
	for name, c := range map[string]struct {
		strings bool
		heldV   float64
	}{"held up": {true, 0.09}, "holding the other": {true, 0}, "one string alone": {false, 0}} {
		b := newBench(leadacid.Flooded, 950)
		b.meter = loadtest.New(loadtest.Params{Chemistry: leadacid.Flooded, RatedCCA: 950, Parallel: c.strings})
		b.restV, b.heldV, b.restA, b.sagsV = 13.1, c.heldV, 0.03, 0.035
		b.meter.InString(b.now, 13.9, true)
		for range 20 {
			b.meter.InString(b.now, 13.15, false)
			b.run(2 * time.Second)
		}
		mohm, sigma, _, ok := resistance(b.meter)
		assert.True(t, ok, name)
		assert.InDelta(t, 4, mohm, max(0.2, 2*sigma), "%s: ±%.2f", name, sigma)
		b.heldV, b.sagsV = 0, 0
		b.restV = 12.9
		b.now += 12 * time.Hour
		for range 20 {
			b.meter.InString(b.now, 13.05, false)
			b.run(2 * time.Second)
		}
		assert.InDelta(t, 4, b.shown(t), 0.12, name)
	}
}
