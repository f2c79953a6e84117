package estimate_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/estimate"
	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
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

// In the desert sun compensated float settings fall below 12.9 V, near where a full block rests: a bank
// that stands there has not been charged. A float that a charger holds on a hot day has (13.5 V at 25 °C,
// -18 mV/°C for a block: published float settings and their compensation).
func TestARestInTheHeatIsNoCharge(t *testing.T) {
	for _, c := range []struct {
		tempC, v, a float64
		full        bool
	}{
		{55, 12.83, -0.05, false}, {60, 12.85, 0, false}, {65, 12.87, 0.1, false},
		{25, 13.5, 0.3, true}, {40, 13.23, 0.4, true}, {45, 13.14, 0.4, true},
	} {
		r := newRig(leadacid.AGM, 100)
		r.tempC = c.tempC
		r.hold(6*time.Hour, 10*time.Second, c.v, c.a)
		_, full := r.b.Full()
		assert.Equal(t, c.full, full, "%g °C, %g V", c.tempC, c.v)
	}
}

// A discharge is measured from a rest that says its charge to 6 %: from there, one of 40 % tells a capacity
// to 15 %, and no better start is to be had of a flooded block by taps good to 0.4 %.
func TestADischargeIsMeasuredFromAKnownCharge(t *testing.T) {
	begun := map[bool]int{}
	for _, c := range leadacid.All() {
		for _, gain := range []float64{0, 0.002, 0.003, 0.004, 0.005, 0.006, 0.008, 0.01} {
			tap := unit.DefaultClass(unit.BatteryVoltage)
			tap.Gain = gain
			r := &rig{b: estimate.New(estimate.Params{Chemistry: c, RatedAh: 100, Voltage: tap}), tempC: 26.7}
			r.hold(12*time.Hour+2*time.Minute, time.Minute, c.RestedV[4]-0.03, 0)
			known := r.b.State().Belief
			sigma := math.Sqrt(known.Filter.P[0][0])
			assert.Equal(t, sigma <= 6, known.Down.Open, "%s, taps of %g: ± %.2f %%", c.Name, gain, sigma)
			if sigma > 4.9 && sigma < 7.1 {
				begun[known.Down.Open]++
			}
		}
	}
	assert.True(t, begun[true] > 0 && begun[false] > 0, "both sides of the limit are tried: %v", begun)
}
