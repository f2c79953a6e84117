package trial_test

import (
	"bytes"
	"regexp"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/trial"
	"liftbank/rules/network"
	"liftbank/sim/bank"
)

// The suite's table holds capability, links and leads against the truth, for the scenarios asked for.
func TestSuiteJudgesCapabilityAndWiring(t *testing.T) {
	rows, err := trial.RunSuite(t.Context(), trial.Suite{Seeds: 1, MaxDays: 3, Workers: 2, Match: regexp.MustCompile(`^(healthy-single|post-res)`)})
	require.NoError(t, err)
	require.Len(t, rows, 2)
	assert.Equal(t, []string{"healthy-single", "post-resistive"}, []string{rows[0].Scenario, rows[1].Scenario})
	var table bytes.Buffer
	require.NoError(t, trial.WriteSuite(&table, rows))
	t.Log(table.String())
	assert.Contains(t, table.String(), "pairs of leads: 2, told right 2, wrong 0")
	assert.Contains(t, table.String(), "links: 4 told (0 not)")
	assert.Regexp(t, `capability from 20 runs on, % of the truth: [34] batteries`, table.String())
	_, err = trial.RunSuite(t.Context(), trial.Suite{Seeds: 1, MaxDays: 3, Workers: 1, Match: regexp.MustCompile(`no such thing`)})
	assert.Error(t, err)
}

// Kirchhoff's laws: what is in series with a link and carries its current alone can't be told from it.
func TestTrueLinks(t *testing.T) {
	w := bank.Wiring{PositiveLink: [3]float64{0.001, 0.002, 0.003}, PositivePost: [4]float64{0.0051, 0.0001, 0.0001, 0.0031}}
	link := func(n, k int) float64 { return trial.TrueLinkMohm(&w, n, network.Positive, k) }
	assert.InDelta(t, 1, link(4, 0), 1e-9, "the lead sits on the loose post's battery: two currents meet there")
	assert.InDelta(t, 2, link(4, 1), 1e-9)
	assert.InDelta(t, 6, link(4, 2), 1e-9)
	w.LoadPositive.At = 1
	assert.InDelta(t, 6, link(2, 0), 1e-9)
	assert.Equal(t, network.SamePost, trial.ArrangementOf(1, 1, 3))
	assert.Equal(t, network.Diagonal, trial.ArrangementOf(2, 0, 3))
	assert.Equal(t, network.Between, trial.ArrangementOf(1, 0, 3))
}
