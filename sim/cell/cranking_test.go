package cell

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// SAE J537: the rated current for 30 s at -18 °C from full leaves 7.2 V; within 2 % of the current.
// The battery is made to meet this by steps of 1 s: here the steps are ten times shorter, and
// TestColdTestsOfOtherStandards asks what it was not made to meet.
func TestVirtualJ537(t *testing.T) {
	for _, s := range range12V {
		b := newBattery(t, s, 100, 25)
		assert.InEpsilon(t, s.RatedCCA, b.CrankingA(), 0.02, "%+v", s)
		assert.GreaterOrEqual(t, loadTest(b, -18, 0.98*s.RatedCCA, 30), 7.2, "%+v", s)
		assert.LessOrEqual(t, loadTest(b, -18, 1.02*s.RatedCCA, 30), 7.2, "%+v", s)
	}
}

// halfCCA is the least voltage after 15 s at half the rated CCA: vehicle service manuals (2004 to
// 2020, same values).
var halfCCA = []struct{ tempC, leastV float64 }{{21, 9.6}, {16, 9.5}, {10, 9.4}, {4, 9.3}, {-1, 9.1}, {-7, 8.9},
	{-12, 8.7}, {-18, 8.5}}

// The manuals don't say down to which capability a battery passes. In the model the table's limits
// are those of batteries at 55 to 67 % of their rated CCA, at every temperature and by each way to get
// there. Off: lost capacity shows less in a warm battery, so that of a battery worn in that way the
// warm limits ask some 9 % less than the cold ones.
func TestHalfCCALoadTest(t *testing.T) {
	ways := map[string]func(x float64) Aging{
		"raised resistance": func(x float64) Aging { return Aging{RaisedResistancePct: 4 * x} },
		"lost capacity":     func(x float64) Aging { return Aging{LostCapacityPct: x} },
		"sulfation":         func(x float64) Aging { return Aging{SulfationPct: x} },
		"all of them": func(x float64) Aging {
			return Aging{LostCapacityPct: x / 2, RaisedResistancePct: 2 * x, SulfationPct: x / 4}
		},
	}
	for _, s := range range12V {
		b := newBattery(t, s, 100, 25)
		for _, row := range halfCCA {
			assert.Greater(t, loadTest(b, row.tempC, s.RatedCCA/2, 15), row.leastV, "new %s %g CCA at %g °C",
				s.Chemistry, s.RatedCCA, row.tempC)
		}
		for name, way := range ways {
			weak, fair := weakenedTo(b, 0.55*s.RatedCCA, way), weakenedTo(b, 0.7*s.RatedCCA, way)
			for _, row := range halfCCA {
				assert.Less(t, loadTest(weak, row.tempC, s.RatedCCA/2, 15), row.leastV,
					"%s %g CCA at 55 %% by %s at %g °C", s.Chemistry, s.RatedCCA, name, row.tempC)
				assert.Greater(t, loadTest(fair, row.tempC, s.RatedCCA/2, 15), row.leastV,
					"%s %g CCA at 70 %% by %s at %g °C", s.Chemistry, s.RatedCCA, name, row.tempC)
			}
		}
	}
}

func weakenedTo(b Battery, amps float64, way func(x float64) Aging) Battery {
	lo, hi := 0.0, 90.0
	for range 25 {
		mid := 0.5 * (lo + hi)
		b.SetAging(way(mid))
		if b.CrankingA() > amps {
			lo = mid
		} else {
			hi = mid
		}
	}
	return b
}

// General literature, from memory: a good 90 to 110 Ah starter battery has 2.5 to 5 mΩ; 1.1 to 1.3
// times that at half charge, 1.5 to 2.5 times when flat, 1.5 to 2 times at -18 °C, and 0.5 to 1 %
// per °C near 25 °C.
func TestResistanceFacts(t *testing.T) {
	for _, s := range range12V {
		b := newBattery(t, s, 100, 25)
		full := b.ResistanceMohm25()
		if s.RatedAh == 100 && s.RatedCCA > 800 {
			assert.InDelta(t, 3.75, full, 1.25, "%+v", s)
		}
		inRange := func(x, lo, hi float64, what string) {
			t.Helper()
			assert.True(t, x >= lo && x <= hi, "%s %g CCA: %s: got %.2f: want %g to %g", s.Chemistry, s.RatedCCA, what,
				x, lo, hi)
		}
		inRange(runMohm(b, 50, 25)/full, 1.1, 1.3, "at 50 %")
		inRange(runMohm(b, 0, 25)/full, 1.5, 2.5, "at 0 %")
		inRange(runMohm(b, 100, -18)/full, 1.5, 2.0, "at -18 °C")
		inRange(10*(runMohm(b, 100, 20)/runMohm(b, 100, 30)-1), 0.5, 1.0, "fall near 25 °C, % per °C")
	}
}

// runMohm is the drop 2 s after 60 A set in, over 60 A.
func runMohm(b Battery, socPct, tempC float64) float64 {
	b.reset(socPct, tempC)
	before, _ := b.Terminal(0)
	for range 40 {
		b.Step(0.05, -60, tempC)
	}
	after, _ := b.Terminal(-60)
	return (before - after) / 60 * 1000
}
