package healthy

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/suite"
	"liftbank/cmd/slowtest"
	"liftbank/sim"
	"liftbank/sim/scenario"
)

func playSuite(t *testing.T, first uint64, days float64, step time.Duration, fine bool) *Report {
	t.Helper()
	o := suite.Options{Seeds: 2, First: first, Days: days, Step: step, Workers: 2, Fine: fine}
	r, err := Suite.Run(t.Context(), o)
	require.NoError(t, err)
	return r.(*Report)
}

// Coarse steps while nothing happens change neither what is counted nor what is said.
func TestCoarseYearsSayTheSame(t *testing.T) {
	slowtest.Long(t)
	coarse, fine := playSuite(t, 1, 8, 5*time.Second, false), playSuite(t, 1, 8, 5*time.Second, true)
	for i, c := range coarse.Units {
		f := fine.Units[i]
		t.Logf("coarse %s", c.Summary())
		t.Logf("fine   %s", f.Summary())
		assert.Equal(t, f.Runs, c.Runs, "runs")
		for k := range f.Judged { // a hundredth of a volt decides whether a charger held the battery
			assert.InDelta(t, f.Judged[k], c.Judged[k], 1+0.1*float64(f.Judged[k]), "runs judged")
		}
		assert.Equal(t, f.Last, c.Last, "verdicts")
		assert.Equal(t, f.Raised, c.Raised, "findings")
		assert.Equal(t, f.Leads, c.Leads, "leads")
		for k := range c.Amps {
			assert.InEpsilon(t, f.Amps[k], c.Amps[k], 0.01, "capability")
		}
	}
}

// The table of healthy units counts false findings. Here there are none.
func TestHealthyUnitsAreNotAccused(t *testing.T) {
	r := playSuite(t, 20, 5, 10*time.Second, false)
	var table strings.Builder
	require.NoError(t, r.Table(&table))
	t.Log(table.String())
	for _, u := range r.Units {
		assert.Zero(t, u.Tired+u.Failed, u.Summary())
		assert.Greater(t, u.True, 0.9, "it is healthy")
		assert.Empty(t, u.False, u.Summary())
	}
	assert.Contains(t, table.String(), "called tired or failed: 0")
	assert.Contains(t, table.String(), "unit-years an hour")
}

// Each seed is another unit, the same one always.
func TestUnitsAreDrawn(t *testing.T) {
	a, about := Scenario(7)
	b, again := Scenario(7)
	assert.Equal(t, a, b)
	assert.Equal(t, about, again)
	seen := map[string]bool{}
	for seed := range uint64(60) {
		_, about := Scenario(seed)
		seen[about] = true
	}
	assert.Greater(t, len(seen), 50)
}

// Units in strings are drawn by the same seed for ever, and nothing is wrong with them.
func TestUnitsInStringsAreHealthy(t *testing.T) {
	for _, layout := range []string{scenario.Series, scenario.SeriesPairs} {
		seen := map[string]bool{}
		for seed := range uint64(40) {
			a, about := ScenarioOf(layout, seed)
			b, again := ScenarioOf(layout, seed)
			assert.Equal(t, a, b)
			assert.Equal(t, about, again)
			seen[about] = true
			u, err := sim.New(a, a.Seed)
			require.NoError(t, err, about)
			u.AdvanceTo(time.Second)
			for k, b := range u.Truth().Batteries { // 90 % but for what a little sulfate takes
				assert.Greater(t, b.CrankingA/a.Bank.Batteries[k].RatedCCA, 0.89, about)
			}
			if seed >= 2 {
				continue
			}
			u.Coarsen(30 * time.Second)
			u.AdvanceTo(12 * 24 * time.Hour)
			for _, c := range u.Conditions() { // some climates and duties leave too little time to charge
				assert.Contains(t, []string{"bank-undercharged", "bank-low"}, c.Finding, about)
			}
		}
		assert.Greater(t, len(seen), 35, layout)
	}
}
