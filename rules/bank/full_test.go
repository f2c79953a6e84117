package bank_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/bank"
	"liftbank/rules/unit"
)

// A charge calculated as 98 ± 3.8 % may have been full; known to 2 % it has, known to 8 % it says
// little; 95 ± 3 % has not. 95.5 ± 1.8 % may have been: 97 % is within that. In a string so may 95 ± 3 %; and beside
// a full battery 84 ± 8 %, as two taps of 1 % leave one that was 98 % (in the simulator), but not 78 ± 8 %.
func TestFullByCalculation(t *testing.T) {
	var alone bank.Mates
	mate, fullMate := bank.Mates{Any: true}, bank.Mates{Any: true, Full: true}
	for _, c := range []struct {
		pct, sigma  float64
		full, maybe bool
		mates       bank.Mates
	}{
		{98, 3.8, false, true, alone}, {98, 2, true, true, alone}, {98, 8, false, false, alone}, {95, 3, false, false, alone},
		{95.5, 1.8, false, true, alone}, {95.1, 1.8, false, false, alone}, {96.5, 2.2, false, false, alone},
		{95, 3, false, true, mate}, {93.5, 3.9, false, true, mate}, {93, 3.9, false, false, mate}, {94, 4.2, false, false, mate},
		{84, 8, false, true, fullMate}, {84, 8, false, false, mate}, {78, 8, false, false, fullMate}, {90, 13, false, false, fullMate},
	} {
		var b bank.Counter
		b.Full(1, unit.Estimate{Value: c.pct, Sigma: c.sigma, Known: true}, false, c.mates, time.Hour)
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
	b.Full(0, unit.Estimate{}, true, alone, time.Hour)
	assert.True(t, b.PossiblyFull[0], "a held charge brings in next to nothing")
	at, _ := b.LastFull(0, 2*time.Hour, true)
	assert.Equal(t, 2*time.Hour, at, "a charge seen to its end")
}
