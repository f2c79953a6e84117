package findings

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/suite"
	"liftbank/cmd/slowtest"
)

// A part of the suite that takes seconds: prompt findings, their times and their roots, and a
// healthy day.
func TestPromptFindings(t *testing.T) {
	slowtest.SkipUnderRace(t)
	o := suite.Options{
		Seeds: 1, First: 1, Days: 1.5, Workers: 2, Step: 10 * time.Second,
		Only: regexp.MustCompile("^(series-wired|reversed|feed-high|disconnect-open|healthy-day|charge-breaker-open)$"),
	}
	result, err := Suite.Run(t.Context(), o)
	require.NoError(t, err)
	r := result.(*Report)
	assert.Equal(t, 6, r.Jobs())
	assert.Empty(t, r.Missed)
	assert.Empty(t, r.False)
	assert.Empty(t, r.NotRoot)
	found := map[string]int{}
	for _, x := range r.Rows {
		found[x.Finding] = x.Found
	}
	for _, name := range []string{"series-wired", "reversed", "feed-high", "motor-dead", "feed-lost"} {
		assert.Equal(t, 1, found[name], name)
	}
	var table strings.Builder
	require.NoError(t, r.Table(&table))
	assert.NotContains(t, table.String(), "MISSED")
	assert.Contains(t, table.String(), "100.0")
}

// The sweep breaks each channel in each way that its kind allows, and --only picks from it.
func TestSweepOfOneChannel(t *testing.T) {
	o := suite.Options{Seeds: 1, First: 1, Workers: 2, Step: 10 * time.Second, Sweep: true,
		Only: regexp.MustCompile("^sweep feed channel-(open|stuck 12.6)")}
	result, err := Suite.Run(t.Context(), o)
	require.NoError(t, err)
	r := result.(*Report)
	assert.Equal(t, 2, r.Sweep.Cases)
	assert.Positive(t, r.Sweep.Found)
	assert.Empty(t, r.Sweep.False)
}
