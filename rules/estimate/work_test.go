package estimate_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/estimate"
	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// underWork keeps voltage and current for span while somebody works on the battery.
func (r *rig) underWork(span time.Duration, v, a float64) {
	r.reads(span, *readings(v, a, r.tempC))
}

func (r *rig) reads(span time.Duration, in unit.Battery) {
	for end := r.at + span; r.at < end; {
		r.at += time.Second
		r.b.Step(r.at, &in, estimate.Facts{Work: true})
	}
}

// worked returns a battery of 75 % after a long rest, with work begun a minute ago, and how well its
// charge is known.
func worked(t *testing.T) (r *rig, soc, sigma float64) {
	r = newRig(leadacid.Flooded, 100)
	r.hold(12*time.Hour, time.Minute, 12.45, 0)
	r.underWork(time.Minute, 12.45, 0)
	soc, sigma, ok := known(r.b.SoC())
	require.True(t, ok)
	return r, soc, sigma
}

// What may have passed the sensor is in the doubt about the charge, and in nothing else: half the
// CCA for 36 s of a block with 10 A of it for each Ah is 5 % of its capacity (the load test as
// published); what chargers give is common practice, no source.
func TestWhatMayPassTheSensorDuringWorkIsDoubt(t *testing.T) {
	for _, c := range []struct {
		about     string
		play      func(r *rig)
		moved     float64 // %, by the count
		doubt     float64 // %, added
		tolerance float64
	}{
		{"four hours of nothing", func(r *rig) { r.underWork(4*time.Hour, 12.45, 0) }, 0, 8, 0.3},
		{"disconnected, and its tap with it", func(r *rig) { r.reads(15*time.Minute, unit.Battery{}) }, 0, 5, 0.3},
		{"the current not read, and no sag", func(r *rig) {
			in := readings(12.45, 0, 26.7)
			in.CurrentA.Quality = unit.Saturated
			r.reads(10*time.Minute, *in)
		}, 0, 20.0 / 6, 0.1},
		{"a charger on the posts", func(r *rig) { r.underWork(30*time.Minute, 13.4, 0) }, 0, 10, 0.3},
		{"a charger whose current the neighbor takes", func(r *rig) { r.underWork(30*time.Minute, 13.4, -10) }, -5, 15, 0.4},
		{"too little of a rise", func(r *rig) { r.underWork(time.Hour, 12.54, 0) }, 0, 2, 0.1},
		{"enough of one", func(r *rig) { r.underWork(30*time.Minute, 12.57, 0) }, 0, 10, 0.3},
		{"a charger taken off again", func(r *rig) {
			r.underWork(15*time.Minute, 13.4, 0)
			r.underWork(time.Hour, 13.05, 0)
		}, 0, 7, 0.3},
		{"one that only falls a little", func(r *rig) {
			r.underWork(15*time.Minute, 13.4, 0)
			r.underWork(15*time.Minute, 13.15, 0)
		}, 0, 10, 0.3},
		{"a charge that is counted", func(r *rig) { r.underWork(30*time.Minute, 13.4, 10) }, 4.9, 2.9, 0.2},
		{"a load test on the posts", func(r *rig) { r.underWork(36*time.Second, 10, 0) }, 0, 5, 0.15},
		{"to which the neighbor gives", func(r *rig) { r.underWork(36*time.Second, 10, 100) }, 1, 6, 0.2},
		{"a load test beyond the sensor's range", func(r *rig) {
			in := readings(10, -200, 26.7)
			in.CurrentA.Quality = unit.Saturated
			r.reads(36*time.Second, *in)
		}, 0, 5, 0.15},
		{"a little less than it takes", func(r *rig) { r.underWork(36*time.Second, 12.19, 0) }, 0, 0.02, 0.05},
		{"a little more", func(r *rig) { r.underWork(36*time.Second, 12.1, 0) }, 0, 5, 0.15},
		{"a motor run", func(r *rig) { r.underWork(36*time.Second, 11.5, -60) }, -0.6, 0.02, 0.1},
		{"16 A explain a sag", func(r *rig) { r.underWork(36*time.Second, 12.0, -16) }, -0.16, 0.02, 0.1},
		{"14 A don't", func(r *rig) { r.underWork(36*time.Second, 12.0, -14) }, -0.14, 5, 0.15},
	} {
		t.Run(c.about, func(t *testing.T) {
			r, soc, sigma := worked(t)
			before := r.b.State()
			c.play(r)
			after := r.b.State()
			assert.InDelta(t, soc+c.moved, after.Filter.X[0], 0.5)
			assert.InDelta(t, c.doubt, after.CountedSigmaPct-before.CountedSigmaPct, c.tolerance)
			if now, is, ok := known(r.b.SoC()); ok {
				assert.InDelta(t, math.Hypot(sigma, after.CountedSigmaPct), is, 1)
				assert.InDelta(t, soc+c.moved, now, 3)
			}
			assert.Equal(t, before.CapAh, after.CapAh)
			assert.Equal(t, before.Filter.X[1:], after.Filter.X[1:])
			assert.Equal(t, before.ZeroA, after.ZeroA)
			assert.False(t, after.Resting)
		})
	}
}

// A bank comes from the road with a surface charge, which sinks: no charger is on it.
func TestASurfaceChargeIsNoChargerDuringWork(t *testing.T) {
	r := newRig(leadacid.Flooded, 100)
	r.hold(12*time.Hour, time.Minute, 12.45, 0)
	before := r.b.State().CountedSigmaPct
	for v := 13.1; v > 12.7; v -= 0.01 {
		r.underWork(time.Minute, v, 0)
	}
	assert.InDelta(t, 2*0.68, r.b.State().CountedSigmaPct-before, 0.2, "what a small charger may do in 41 min")
}

// Charge that is counted for long shows that the charger is not past the sensor, and a rest after
// the work says again what the charge is.
func TestARestAfterWorkSettlesTheCharge(t *testing.T) {
	r, _, sigma := worked(t)
	r.underWork(time.Hour, 13.5, 0)
	_, wide, ok := known(r.b.SoC())
	require.True(t, ok)
	assert.Greater(t, wide, sigma+10)
	r.hold(24*time.Hour, time.Minute, 12.55, 0)
	soc, narrow, ok := known(r.b.SoC())
	require.True(t, ok)
	assert.Less(t, narrow, 8.0)
	assert.InDelta(t, 84, soc, 5, "by the published table, 12.55 V at 26.7 °C")
	assert.False(t, r.b.State().CapLearned, "a swing with work in it teaches nothing")
}

// A full charge or a taper during work is no full charge that was seen.
func TestAChargeDuringWorkIsNotSeenToItsEnd(t *testing.T) {
	r, _, _ := worked(t)
	r.underWork(3*time.Hour, 14.4, 15)
	r.underWork(time.Hour, 14.4, 1)
	_, ever := r.b.Full()
	assert.False(t, ever)
	soc, _, ok := known(r.b.SoC())
	require.True(t, ok)
	assert.InDelta(t, 95, soc, 4, "but it was counted")
	r.hold(30*time.Minute, time.Second, 14.4, 1)
	_, ever = r.b.Full()
	assert.True(t, ever, "what goes on after it is")
}
