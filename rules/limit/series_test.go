package limit_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/limit"
)

func TestInSeries(t *testing.T) {
	var x three
	set := x.limits()
	n := set[0].(limit.Number)
	n.OfBank = true
	set[0] = n
	require.NoError(t, limit.Apply(set, nil))
	limit.InSeries(set, 2)
	assert.Equal(t, three{24.8, 12.45, time.Hour, 7}, x, "only what is of the bank")
	require.NoError(t, limit.Apply(set, limit.Values{"low_v": 12.1}))
	limit.InSeries(set, 1)
	assert.Equal(t, 12.1, x.LowV)
}
