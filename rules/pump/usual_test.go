package pump

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// The loads of one stop are one load: that three cold stops happened to lift more the colder it was
// does not show how the oil drags.
func TestOneStopsLoadIsNoTrend(t *testing.T) {
	var u Usual
	at := time.Duration(0)
	for range 2 {
		for _, stop := range []struct{ tempC, amps float64 }{{-6, 125}, {-3, 115}, {0, 105}} {
			at += 4 * time.Hour
			for range 6 {
				at += time.Minute
				u.take(at, stop.amps, OilDrag(stop.tempC)-1, 0)
			}
		}
	}
	assert.InDelta(t, 100, u.at(OilDrag(20)-1), 8, "what it says of a warm day: the loads' mean, less some drag")
}
