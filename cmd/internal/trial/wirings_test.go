package trial_test

import (
	"bytes"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/trial"
)

// Two weeks of light duty tell where the leads sit and what the links have, whatever the wiring: a few of the many that `simulate --suite
// wiring` plays.
func TestLeadsAreToldWhateverTheWiring(t *testing.T) {
	if underRace {
		t.Skip("too long under the race detector; runs without it")
	}
	units, err := trial.RunWirings(t.Context(), trial.Wirings{Units: 4, First: 1000, Workers: 2})
	require.NoError(t, err)
	var table bytes.Buffer
	require.NoError(t, trial.WriteWirings(&table, units, time.Minute))
	t.Log(table.String())
	for _, u := range units {
		assert.Empty(t, u.Wrong, u.Sentence())
	}
	assert.Contains(t, table.String(), "pairs of leads: 8, told right 8, wrong 0")
}

// Clopper and Pearson, Biometrika 26 (1934): with n of n the bound is 0.05^(1/n), exactly; 298 of 300: 0.9791 (from tables of the F
// distribution, from memory: 0.979).
func TestBinomialBound(t *testing.T) {
	assert.InDelta(t, 0.9900, trial.LeastShare(299, 299), 0.0001)
	assert.InDelta(t, 0.979, trial.LeastShare(298, 300), 0.001)
	assert.Zero(t, trial.LeastShare(0, 10))
}
