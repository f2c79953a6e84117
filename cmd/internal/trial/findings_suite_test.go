package trial_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/trial"
)

// A cut of the suite that runs in seconds: prompt findings, their times and their roots, and a sound day.
func TestFindingsSuiteCut(t *testing.T) {
	if underRace {
		t.Skip("too slow under the race detector; nothing here runs side by side but whole runs")
	}
	rep, err := trial.RunFindings(t.Context(), trial.FindingsSuite{
		Seeds: 1, MaxDays: 1.5, Workers: 2, RestEvery: 5 * time.Second,
		Only: []string{"series-wired", "reversed", "feed-high", "disconnect-open", "healthy-day", "charge-breaker-open"},
	})
	require.NoError(t, err)
	assert.Empty(t, rep.Missed)
	assert.Empty(t, rep.False)
	assert.Empty(t, rep.NotRoot)
	found := map[string]int{}
	for _, r := range rep.Rows {
		found[r.Finding] = r.Found
	}
	for _, name := range []string{"series-wired", "reversed", "feed-high", "motor-dead", "feed-lost"} {
		assert.Equal(t, 1, found[name], name)
	}
	var table strings.Builder
	require.NoError(t, trial.WriteFindings(&table, rep))
	assert.NotContains(t, table.String(), "MISSED")
	assert.Contains(t, table.String(), "100.0")
}
