package estimator

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

func playSuite(t *testing.T, only string, days float64, step time.Duration) *Report {
	t.Helper()
	o := suite.Options{Seeds: 1, First: 1, Days: days, Step: step, Workers: 2, Only: regexp.MustCompile(only)}
	r, err := Suite.Run(t.Context(), o)
	require.NoError(t, err)
	return r.(*Report)
}

// The estimator against its two yardsticks with the sensors at the limits of their class: told
// nothing, after a day.
func TestBeatsItsYardsticks(t *testing.T) {
	slowtest.SkipUnderRace(t)
	r := playSuite(t, "^(healthy-day|balance-negative)$", 3, 5*time.Second)
	require.Len(t, r.Rows, 2)
	for _, x := range r.Rows {
		assert.Less(t, x.RMSPct, 4.0, x.Scenario)
		assert.Less(t, 2*x.RMSPct, x.CountPct, x.Scenario)
	}
	assert.Less(t, r.Rows[0].RMSPct, r.Rows[0].TablePct, r.Rows[0].Scenario)
}

// A battery with a dead cell has no charge that could be said: silence instead of a wrong number.
func TestADeadCellsChargeIsNotSaid(t *testing.T) {
	slowtest.SkipUnderRace(t)
	x := playSuite(t, "^cell-shorted$", 5, 5*time.Second).Rows[0]
	assert.Less(t, x.KnownPct, 90.0)
	assert.Greater(t, x.KnownPct, 50.0, "the good one's is")
	assert.Less(t, x.RMSPct, 4.0)
}

// The table judges capability, links and leads, for the scenarios asked for.
func TestTable(t *testing.T) {
	slowtest.SkipUnderRace(t)
	r := playSuite(t, "^(healthy-single|post-res)", 3, 5*time.Second)
	require.Len(t, r.Rows, 2)
	assert.Equal(t, []string{"healthy-single", "post-resistive"}, []string{r.Rows[0].Scenario, r.Rows[1].Scenario})
	assert.Equal(t, 2, r.Wiring.Leads)
	assert.Equal(t, 2, r.Wiring.Right)
	assert.Equal(t, 4, r.Wiring.Links)
	assert.GreaterOrEqual(t, r.Capability.Batteries, 3)
	var table strings.Builder
	require.NoError(t, r.Table(&table))
	assert.Contains(t, table.String(), "pairs of leads: 2, right 2, wrong 0")
	assert.Contains(t, table.String(), "over the library")

	_, err := Suite.Run(t.Context(), suite.Options{Seeds: 1, Workers: 1, Only: regexp.MustCompile("no such thing")})
	assert.ErrorContains(t, err, "no scenario matches")
}
