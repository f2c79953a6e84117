package estimate_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/leadacid"
)

// The current of a charge falls as a sum: the plates' surface takes its part within minutes, the bulk
// over hours (published constants of whole charges: 0.65 to 2 h). Stops for runs fill the surface's
// part again each time: how quickly the current falls then says nothing of what the bulk still misses.
func TestAQuickFallAfterEachStopIsNoFullBattery(t *testing.T) {
	const ah, bulkH, surfaceH, surfaceAh = 100.0, 2.0, 0.25, 2.0
	r := newRig(leadacid.Flooded, ah)
	r.hold(12*time.Hour, time.Minute, leadacid.Flooded.RestedVFromSoC(80), 0)
	bulk, surface, worst := 20.0, 0.0, 0.0
	const dt = 10 * time.Second
	for range 9 {
		r.hold(2*time.Minute, dt, 12.3, -30) // runs at a stop
		bulk, surface = bulk+surface, surfaceAh
		for end := r.at + 40*time.Minute; r.at < end; {
			a := min(bulk/bulkH+surface/surfaceH, 25)
			part := surface / surfaceH / (bulk/bulkH + surface/surfaceH)
			surface -= a * part * dt.Hours()
			bulk -= a * (1 - part) * dt.Hours()
			r.hold(dt, dt, 14.4, a+leadacid.Flooded.GassingA(ah, 14.4, r.tempC))
		}
		soc, sigma, _ := known(r.b.SoC())
		worst = max(worst, math.Abs(soc-(100-bulk-surface))/sigma)
	}
	assert.Less(t, worst, 2.0)
}
