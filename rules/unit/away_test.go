package unit_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"liftbank/rules/unit"
)

// Against a plain list: what is left out of the time since any scan is never more than there was,
// and exact as long as few spans came since.
func TestAway(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var a unit.Away
		type span struct{ end, length time.Duration }
		var all []span
		now := time.Duration(0)
		scans := []time.Duration{0}
		for range rapid.IntRange(0, 40).Draw(rt, "steps") {
			d := time.Duration(rapid.IntRange(1, 100).Draw(rt, "hours")) * time.Hour
			now += d
			if rapid.Bool().Draw(rt, "off") {
				a.Add(now, d)
				all = append(all, span{now, d})
			}
			scans = append(scans, now)
		}
		for _, at := range scans {
			var want time.Duration
			since := 0
			for _, s := range all {
				if s.end > at {
					want += s.length
					since++
				}
			}
			if since < 15 {
				assert.Equal(rt, want, a.Since(at))
			}
			assert.GreaterOrEqual(rt, a.Since(at), time.Duration(0))
		}
		assert.NoError(rt, a.Check())
	})
	assert.Error(t, (&unit.Away{N: -1}).Check())
	assert.Error(t, (&unit.Away{N: 17}).Check())
	backward := unit.Away{N: 2}
	backward.End[0] = time.Hour
	assert.Error(t, backward.Check())
	negative := unit.Away{N: 1}
	negative.Span[0] = -time.Hour
	assert.Error(t, negative.Check())
}
