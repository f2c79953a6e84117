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

// A charge ends at 2 % of the capacity, 1.8 A of a small block of 90 Ah: a battery that takes as much has a
// charger on, one that takes 1.2 A may take it from a neighbor. In float a block is at 13.6 V and more, and
// no neighbor brings one above the 13.3 V of its own surface charge. Common practice, no source.
func TestWhatHasAChargerOn(t *testing.T) {
	for _, c := range []struct {
		volts, amps float64
		on          bool
	}{{12.8, 0, false}, {12.8, 1.2, false}, {12.8, 1.8, true}, {12.8, -1.8, false}, {13.3, 0.1, false}, {13.8, 0.1, true}} {
		s := runState{haveBase: true, base: point{v: c.volts, a: c.amps}}
		assert.Equal(t, c.on, s.base.charged(), "%+v", c)
		assert.Equal(t, c.on && c.volts > 13, s.aboveV() > 0, "only what it holds up: %+v", c)
	}
}
