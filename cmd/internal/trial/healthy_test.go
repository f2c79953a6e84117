package trial_test

import (
	"bytes"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/trial"
)

// Coarse steps while nothing happens change neither what is counted nor what is said.
func TestCoarseYearsSayTheSame(t *testing.T) {
	if underRace {
		t.Skip("too long under the race detector; runs without it")
	}
	play := func(fine bool) []trial.HealthyUnit {
		units, err := trial.RunHealthy(t.Context(), trial.Healthy{Years: 2, First: 1, Days: 8, Workers: 2, Fine: fine})
		require.NoError(t, err)
		return units
	}
	coarse, fine := play(false), play(true)
	for i := range coarse {
		c, f := &coarse[i], &fine[i]
		t.Logf("coarse %s", c.Sentence())
		t.Logf("fine   %s", f.Sentence())
		assert.Equal(t, f.Runs, c.Runs, "runs")
		assert.Equal(t, f.Judged, c.Judged, "runs judged")
		assert.Equal(t, f.Last, c.Last, "verdicts")
		assert.Equal(t, f.Raised, c.Raised, "findings")
		assert.Equal(t, f.LeadsTold, c.LeadsTold, "leads")
		for k := range c.Amps {
			assert.InEpsilon(t, f.Amps[k], c.Amps[k], 0.01, "capability")
		}
	}
}

// The table of sound units names what was said that is not so; here nothing is.
func TestSoundUnitsAreNotAccused(t *testing.T) {
	units, err := trial.RunHealthy(t.Context(), trial.Healthy{Years: 2, First: 20, Days: 5, Workers: 2})
	require.NoError(t, err)
	var table bytes.Buffer
	require.NoError(t, trial.WriteHealthy(&table, units, time.Minute))
	t.Log(table.String())
	for _, u := range units {
		assert.Zero(t, u.Tired+u.Failed, u.Sentence())
		assert.Greater(t, u.True, 0.9, "it is sound")
		assert.Empty(t, u.Untrue, u.Sentence())
	}
	assert.Contains(t, table.String(), "called tired or failed: 0")
	assert.Contains(t, table.String(), "unit-years an hour")
}

// Each seed is another unit, the same one always.
func TestSoundUnitsAreDrawn(t *testing.T) {
	a, about := trial.HealthyScenario(7)
	b, again := trial.HealthyScenario(7)
	assert.Equal(t, a, b)
	assert.Equal(t, about, again)
	seen := map[string]bool{}
	for seed := range uint64(60) {
		_, about := trial.HealthyScenario(seed)
		seen[about] = true
	}
	assert.Greater(t, len(seen), 50)
}
