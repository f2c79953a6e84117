package network_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/rules/network"
	"liftbank/rules/unit"
)

// runMiddle has a motor run over a middle link after a rest with a current, seen by taps that differ in gain.
func runMiddle(m *network.Middles, at *time.Duration, mohm, restA, runA, gain float64) {
	step := func(post, amps float64, f network.Facts, dt time.Duration) {
		*at += dt
		s := unit.Scan{At: unit.Moment{Mono: *at}}
		reads := post * (1 - gain)
		s.Battery[0].VoltageV, s.Battery[0].CurrentA = good(reads), good(amps)
		s.Battery[1].NegativeV = good(post + mohm/1000*amps - reads)
		m.Step(&s, f, &[unit.MaxBatteries]bool{true, true})
	}
	for range 20 {
		step(12.6, restA, network.Facts{}, time.Second)
	}
	for k := range 100 {
		step(12.1, runA, network.Facts{Running: true, RunFor: time.Duration(k) * 20 * time.Millisecond}, 20*time.Millisecond)
	}
	step(12.5, restA, network.Facts{}, time.Second)
}

// Ohm's law gives a middle link from a run against the moment before, whatever the two taps differ by and whatever
// flowed before.
func TestMiddleLink(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := network.NewMiddles(unit.Series, 2, unit.DefaultClasses())
		mohm := rapid.Float64Range(0, 20).Draw(t, "mohm")
		gain := rapid.Float64Range(-0.02, 0.02).Draw(t, "gain")
		at := time.Duration(0)
		for k := range 5 {
			assert.Equal(t, k >= 3, m.Mohm(0).Known, "three runs")
			runMiddle(&m, &at, mohm, rapid.Float64Range(-1, 20).Draw(t, "before"), -rapid.Float64Range(40, 120).Draw(t, "amps"),
				gain)
		}
		got := m.Mohm(0)
		assert.InDelta(t, mohm, got.Value, 1e-6*(1+mohm))
		assert.Less(t, got.Sigma, 0.1+0.02*mohm)
		assert.False(t, m.Mohm(1).Known, "there is one string")
	})
}

func TestMiddleLinkThatHasGoneBad(t *testing.T) {
	m := network.NewMiddles(unit.Series, 2, unit.DefaultClasses())
	at := time.Duration(0)
	for range 30 {
		runMiddle(&m, &at, 0.5, 0, -65, 0.01)
	}
	assert.InDelta(t, 0.5, m.Mohm(0).Value, 1e-6)
	runMiddle(&m, &at, 5, 0, -65, 0.01)
	assert.InDelta(t, 0.5, m.Mohm(0).Value, 1e-6, "one run may be an accident")
	runMiddle(&m, &at, 5, 0, -65, 0.01)
	assert.False(t, m.Mohm(0).Known, "two are none")
	runMiddle(&m, &at, 5, 0, -65, 0.01)
	assert.InDelta(t, 5, m.Mohm(0).Value, 1e-6)
	for range 3 {
		runMiddle(&m, &at, 5, 0, -12, 0.01)
	}
	assert.InDelta(t, 5, m.Mohm(0).Value, 1e-6, "too little flows to say anything")
	for _, post := range []float64{12.1, 12.6, 14.4} {
		assert.InDelta(t, 0.01*post, m.RestsAtV(0, 0.99*post), 1e-6, "1 % of the post's voltage, whatever that is")
	}

	saved, other := m.State(), network.NewMiddles(unit.Series, 2, unit.DefaultClasses())
	require.NoError(t, other.Restore(saved))
	assert.Equal(t, m.Mohm(0), other.Mohm(0))
	saved.Link[0].Mohm = math.NaN()
	require.Error(t, other.Restore(saved))
	assert.Equal(t, m.Mohm(0), other.Mohm(0), "changes nothing")
}

// Two strings are to their links what two batteries are: with posts and voltages that stand higher, and the same
// drops.
func TestStringsAreBatteriesToTheirLinks(t *testing.T) {
	for _, at := range []int{0, 1} {
		w := newWork(2, circuit{emfV: []float64{12.6, 12.6}, ohmMohm: []float64{5, 5.5}, positive: []float64{0.6}, negative: []float64{0.4}})
		w.loadNeg, w.feedNeg = at, at
		strung := network.NewStrings(unit.SeriesPairs, 4, [unit.MaxBatteries]bool{true, true, true, true}, unit.DefaultClasses())
		w.spoil = func(r *seen) {
			s := r.Scan
			for k := range 2 {
				b := r.Battery[k]
				s.Battery[2*k] = unit.Battery{VoltageV: good(12), NegativeV: b.NegativeV, CurrentA: b.CurrentA}
				b.VoltageV.Value += 12.5
				s.Battery[2*k+1] = unit.Battery{VoltageV: b.VoltageV, NegativeV: good(12)}
			}
			s.FeedV.Value, s.MotorV.Value = s.FeedV.Value+12.5, s.MotorV.Value+12.5
			network.Strung(unit.SeriesPairs, &s, 4)
			strung.Step(&s, r.Facts)
		}
		for range 4 {
			w.day()
		}
		for side := range network.Side(2) {
			p, q := w.m.Link(0, side), strung.Link(0, side)
			require.True(t, p.Known && q.Known)
			assert.InDelta(t, p.Value, q.Value, 0.03, "%v link", side)
		}
		assert.Equal(t, w.m.Load().Arrangement, strung.Load().Arrangement)
		assert.InDelta(t, w.m.MotorPath().Value, strung.MotorPath().Value, 0.3)
	}
}

// Each limit from both sides.
func TestLimitsOfMiddleLinks(t *testing.T) {
	m := network.NewMiddles(unit.Series, 2, unit.DefaultClasses())
	at := time.Duration(0)
	for range 3 {
		runMiddle(&m, &at, 0.5, 0, -65, 0)
	}
	assert.InDelta(t, math.Hypot(math.Hypot(0.05/3, 0.006*0.5), 0.06), m.Mohm(0).Sigma, 1e-6, "three runs that agree")

	learns := func(scans int, restA, runA, mohm float64) unit.Estimate {
		m := network.NewMiddles(unit.Series, 2, unit.DefaultClasses())
		at := time.Duration(0)
		step := func(amps float64, f network.Facts) {
			at += 20 * time.Millisecond
			s := unit.Scan{At: unit.Moment{Mono: at}}
			s.Battery[0].VoltageV, s.Battery[0].CurrentA = good(12), good(amps)
			s.Battery[1].NegativeV = good(mohm / 1000 * amps)
			m.Step(&s, f, &[unit.MaxBatteries]bool{true, true})
		}
		for range 3 {
			step(restA, network.Facts{})
			for range scans {
				step(runA, network.Facts{Running: true, RunFor: time.Second})
			}
			step(restA, network.Facts{})
		}
		return m.Mohm(0)
	}
	assert.True(t, learns(5, 0, -65, 1).Known)
	assert.False(t, learns(4, 0, -65, 1).Known, "too few scans")
	assert.True(t, learns(9, 0, -15.5, 1).Known)
	assert.False(t, learns(9, 0, -14.5, 1).Known, "too little current")
	assert.InDelta(t, 1900, learns(9, 0, -20, 1900).Value, 1e-6)
	assert.InDelta(t, 2000, learns(9, 0, -20, 2600).Value, 1e-6, "open is open")

	for amps, rests := range map[float64]bool{1.4: true, 1.6: false, -1.4: true, -1.6: false} {
		m := network.NewMiddles(unit.Series, 2, unit.DefaultClasses())
		var s unit.Scan
		s.Battery[0].VoltageV, s.Battery[0].CurrentA, s.Battery[1].NegativeV = good(12), good(amps), good(0.1)
		m.Step(&s, network.Facts{}, &[unit.MaxBatteries]bool{true, true})
		assert.Equal(t, rests, m.RestsAtV(0, 12) == 0.1, "%g A", amps)
	}
}
