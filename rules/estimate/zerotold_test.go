package estimate_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/estimate"
	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// A sensor that shows 1.5 A out of a battery whose voltage says that nothing left it is off by
// that; one that shows a load that the voltage confirms is not.
func TestTheVoltageOfTwoRestsTellsTheZero(t *testing.T) {
	good := func(v float64) unit.Reading { return unit.Reading{Value: v, Quality: unit.Good} }
	for _, drawnA := range []float64{0, 1.5} {
		b := estimate.New(estimate.Params{Chemistry: leadacid.Flooded, RatedAh: 100})
		facts := estimate.Facts{Idle: true, Zero: unit.Estimate{Sigma: 0.1, Known: true}}
		told, pct := unit.Estimate{}, 90.0
		play := func(span time.Duration, from time.Duration, readsA, flowsA float64) {
			for at := from; at < from+span; at += time.Minute {
				pct -= flowsA / 60
				b.Step(at, &unit.Battery{
					VoltageV: good(leadacid.Flooded.RestedVFromSoC(pct)), CurrentA: good(-readsA), TempC: good(25),
				}, facts)
				if x := b.ZeroTold(); x.Known && (!told.Known || x.Sigma < told.Sigma) {
					told = x
				}
			}
		}
		play(24*time.Hour, 0, 0, 0)
		facts.Zero.Sigma, told = 1.5, unit.Estimate{}
		play(36*time.Hour, 24*time.Hour, 1.5, drawnA)
		assert.True(t, told.Known, drawnA)
		assert.InDelta(t, drawnA-1.5, told.Value, 2*told.Sigma+0.1, "%+v", told)
		assert.Less(t, told.Sigma, 1.0)
		assert.False(t, b.ZeroTold().Known, "told once")
	}
}
