package wiring

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/suite"
	"liftbank/cmd/slowtest"
)

// Two weeks of light duty show where the leads sit and what the links have, whatever the wiring: a
// few of the many units that the suite plays.
func TestLeadsAreRightWhateverTheWiring(t *testing.T) {
	slowtest.Long(t)
	r, err := Suite.Run(t.Context(), suite.Options{Seeds: 4, First: 1000, Workers: 2, Step: time.Second})
	require.NoError(t, err)
	var table strings.Builder
	require.NoError(t, r.Table(&table))
	t.Log(table.String())
	for _, u := range r.(*Report).Units {
		assert.Empty(t, u.Wrong, u.Summary())
	}
	assert.Contains(t, table.String(), "pairs of leads: 8, right 8, wrong 0")
}
