package forecast_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/forecast"
	"liftbank/rules/unit"
)

// strung is a string, or a pair of strings, that has made twenty lifts.
func strung(l unit.Layout, n int, change func(*bankUnit)) *bankUnit {
	u := newUnit(n, func(p *forecast.Params) { p.Layout = l })
	for range 20 {
		u.lift(23.4)
	}
	if change != nil {
		change(u)
	}
	return u
}

func liftsOf(t *testing.T, u *bankUnit) float64 {
	a := u.m.LiftsLeft(&u.known)
	require.True(t, a.Known, a.WaitsFor)
	return a.Value
}

// A string lifts as long as its weakest battery: by capacity as by charge, and whichever of the two it is.
func TestWeakerBatteryGovernsLifts(t *testing.T) {
	holds := func(ah ...float64) func(*bankUnit) {
		return func(u *bankUnit) {
			for k, x := range ah {
				u.known.CapacityAh[k].Value = x
			}
		}
	}
	has := func(pct ...float64) func(*bankUnit) {
		return func(u *bankUnit) {
			for k, x := range pct {
				u.known.SoC[k].Value = x
			}
		}
	}
	for name, c := range map[string]struct{ good, mixed, swapped, weak func(*bankUnit) }{
		"capacity": {holds(100, 100), holds(100, 60), holds(60, 100), holds(60, 60)},
		"charge":   {has(80, 80), has(80, 40), has(40, 80), has(40, 40)},
	} {
		good, weak := liftsOf(t, strung(unit.Series, 2, c.good)), liftsOf(t, strung(unit.Series, 2, c.weak))
		mixed, swapped := liftsOf(t, strung(unit.Series, 2, c.mixed)), liftsOf(t, strung(unit.Series, 2, c.swapped))
		assert.InEpsilon(t, mixed, swapped, 1e-9, name)
		assert.GreaterOrEqual(t, mixed, weak, name)
		assert.Less(t, mixed, weak+0.15*(good-weak), "%s: %g of %g to %g", name, mixed, weak, good)
	}
	one, two := liftsOf(t, strung(unit.Series, 2, nil)), liftsOf(t, strung(unit.SeriesPairs, 4, nil))
	assert.Greater(t, two, 2*one, "of half of the current each")
}

// It is full when the emptier one is; what goes in goes into both.
func TestEmptierBatteryGovernsTimeToFull(t *testing.T) {
	hours := func(l unit.Layout, n int, pct ...float64) float64 {
		u := newUnit(n, func(p *forecast.Params) { p.Layout = l })
		for k, x := range pct {
			u.known.SoC[k].Value = x
		}
		for range 200 {
			u.scan(20*float64(u.paths), 13.5, 0, false, 0, true)
			u.at += 5 * time.Second
		}
		a := u.m.TimeToFull(&u.known)
		require.True(t, a.Known, a.WaitsFor)
		return a.Value
	}
	single := hours(unit.Parallel, 1, 50)
	assert.InEpsilon(t, single, hours(unit.Series, 2, 50, 50), 1e-9, "20 A into each")
	assert.InEpsilon(t, single, hours(unit.Series, 2, 50, 80), 1e-9)
	assert.InEpsilon(t, single, hours(unit.Series, 2, 80, 50), 1e-9)
	assert.Greater(t, single, hours(unit.Series, 2, 80, 80))
	assert.InEpsilon(t, hours(unit.Parallel, 2, 50, 80), hours(unit.SeriesPairs, 4, 90, 50, 80, 95), 1e-9)
}
