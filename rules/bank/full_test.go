package bank_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/bank"
	"liftbank/rules/unit"
)

// A charge calculated as 98 ± 3.8 % may have been full; known to 2 % it has, known to 8 % it says
// little; 95 ± 3 % has not. 95.5 ± 1.8 % may have been: 97 % is within that. In a string so may 95 ± 3 %.
func TestFullByCalculation(t *testing.T) {
	for _, c := range []struct {
		pct, sigma          float64
		full, maybe, strung bool
	}{
		{98, 3.8, false, true, false}, {98, 2, true, true, false}, {98, 8, false, false, false}, {95, 3, false, false, false},
		{95.5, 1.8, false, true, false}, {95.1, 1.8, false, false, false}, {96.5, 2.2, false, false, false},
		{95, 3, false, true, true}, {93.5, 3.9, false, true, true}, {93, 3.9, false, false, true}, {94, 4.2, false, false, true},
	} {
		var b bank.Counter
		b.Full(1, unit.Estimate{Value: c.pct, Sigma: c.sigma, Known: true}, false, c.strung, time.Hour)
		at, full := b.LastFull(1, 0, false)
		assert.Equal(t, c.full, full, "%+v", c)
		assert.Equal(t, c.maybe, b.PossiblyFull[1], "%+v", c)
		if full {
			assert.Equal(t, time.Hour, at)
		}
		_, other := b.LastFull(0, 0, false)
		assert.False(t, other)
	}
	var b bank.Counter
	b.Full(0, unit.Estimate{}, true, false, time.Hour)
	assert.True(t, b.PossiblyFull[0], "a held charge brings in next to nothing")
	at, _ := b.LastFull(0, 2*time.Hour, true)
	assert.Equal(t, 2*time.Hour, at, "a charge seen to its end")
}
