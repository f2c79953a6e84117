package loadtest

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// A charger that holds a full battery brings it back to its voltage within two seconds of a stop; what
// a charge has left on the plates' surface is gone after a run. A rested battery comes back, too, and is
// no higher than a full one rests (12.6 to 12.9 V at 25 °C, the published tables of rested voltage).
func TestAFullBatteryOnAChargerIsNotJudged(t *testing.T) {
	for name, c := range map[string]struct {
		before, after float64
		tail          int // readings after the stop
		held          bool
	}{
		"held":                        {13.33, 13.33, 300, true},
		"held by a weak one":          {13.33, 13.31, 300, true},
		"held, and seen so":           {13.7, 0, 0, true},
		"fresh from a charge":         {13.33, 13.2, 300, false},
		"fresh from one, a short run": {13.2, 13.15, 300, false},
		"rested":                      {12.75, 12.74, 300, false},
		"rested, no tail":             {12.75, 0, 0, false},
	} {
		s := runState{haveBase: true, base: point{v: c.before}}
		for range c.tail {
			s.resting.add(c.after, 0)
		}
		assert.Equal(t, c.held, s.heldFull(), name)
		s.haveBase = false
		assert.False(t, s.heldFull(), name)
	}
}
