package unit_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"liftbank/rules/unit"
)

func TestLayouts(t *testing.T) {
	for _, c := range []struct {
		l               unit.Layout
		n, blocks, strs int
	}{{unit.Parallel, 3, 1, 3}, {unit.Series, 2, 2, 1}, {unit.SeriesPairs, 4, 2, 2}} {
		assert.Equal(t, c.blocks, c.l.Blocks(), c.l)
		assert.Equal(t, c.strs, c.l.Strings(c.n), c.l)
		assert.NoError(t, c.l.Check(c.n))
		for i := range c.n {
			k := c.l.StringOf(i)
			assert.True(t, c.l.Lowest(k) <= i && i <= c.l.Highest(k), "%v %d", c.l, i)
			below, ok := c.l.Below(i)
			assert.Equal(t, i != c.l.Lowest(k), ok)
			assert.True(t, !ok || c.l.StringOf(below) == k && below == i-1)
		}
	}
	assert.EqualError(t, unit.Series.Check(4), "layout series: 4 batteries: want 2")
	assert.EqualError(t, unit.SeriesPairs.Check(2), "layout series-pairs: 2 batteries: want 4")
	assert.Error(t, unit.Layout(7).Check(2))
}

// Kirchhoff's voltage law: what stands on another battery is counted from its post.
func TestBringToBlocks(t *testing.T) {
	volts := func(v float64) unit.Reading { return unit.Reading{Value: v, Quality: unit.Good} }
	var s unit.Scan
	s.Battery[0] = unit.Battery{VoltageV: volts(12.6), CurrentA: volts(-100)}
	s.Battery[1] = unit.Battery{VoltageV: volts(25.1), NegativeV: volts(12.55)}
	s.Battery[2] = unit.Battery{VoltageV: unit.Reading{Quality: unit.NoAnswer}}
	s.Battery[3] = unit.Battery{VoltageV: volts(25.2), CurrentA: volts(-90)}
	pairs := s
	unit.SeriesPairs.Bring(&pairs, 4)
	a, b := pairs.Battery[0], pairs.Battery[1]
	assert.InDelta(t, 12.6, a.OwnV().Value, 1e-12)
	assert.InDelta(t, 12.5, b.VoltageV.Value, 1e-12)
	assert.InDelta(t, -0.05, b.NegativeV.Value, 1e-12, "the middle link's drop")
	assert.InDelta(t, 12.55, b.OwnV().Value, 1e-12)
	assert.Equal(t, volts(-100), b.CurrentA)
	assert.Equal(t, unit.NoAnswer, pairs.Battery[3].VoltageV.Quality, "nobody knows where the post below is")
	assert.Equal(t, volts(-90), pairs.Battery[2].CurrentA, "the string has one sensor")

	whole := s
	unit.Parallel.Bring(&whole, 4)
	assert.Equal(t, s, whole)
}

// Two dividers of 1 % make 0.25 V at the upper of two full blocks by its own tap, and half of that by the other.
func TestUpperBlockIsKnownByTwoTaps(t *testing.T) {
	c := *unit.DefaultClasses()
	unit.Series.BringClasses(&c, 2)
	own, upper := c.Of(unit.BatteryVoltage, 0), c.Of(unit.BatteryVoltage, 1)
	assert.InDelta(t, 0.01*25.2+0.01*12.6, upper.Gain*12.6, 1e-9)
	assert.InDelta(t, 2*own.Zero, upper.Zero, 1e-12)
	assert.Equal(t, c.Of(unit.BatteryCurrent, 0), c.Of(unit.BatteryCurrent, 1))
	assert.Equal(t, unit.DefaultClass(unit.BatteryVoltage), own)
}

// Stacking is bringing the other way round: each battery's own voltage comes back.
func TestStackAndBring(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		layout := rapid.SampledFrom(unit.Layouts()).Draw(rt, "layout")
		n := map[unit.Layout]int{unit.Parallel: 3, unit.Series: 2, unit.SeriesPairs: 4}[layout]
		var s unit.Scan
		for i := range n {
			s.Battery[i].VoltageV = unit.Reading{Value: rapid.Float64Range(-20, 20).Draw(rt, "v"), Quality: unit.Good}
			if rapid.Bool().Draw(rt, "tapped") {
				s.Battery[i].NegativeV = unit.Reading{Value: rapid.Float64Range(-0.2, 0.2).Draw(rt, "n"), Quality: unit.Good}
			}
		}
		was := s
		layout.Stack(&s, n)
		if layout.Blocks() > 1 {
			assert.InDelta(rt, was.Battery[0].VoltageV.Value+was.Battery[1].VoltageV.Value, s.Battery[1].VoltageV.Value, 1e-9)
		}
		layout.Bring(&s, n)
		for i := range n {
			assert.InDelta(rt, was.Battery[i].OwnV().Value, s.Battery[i].OwnV().Value, 1e-9)
			assert.Equal(rt, was.Battery[i].NegativeV.Quality, s.Battery[i].NegativeV.Quality)
		}
	})
	s := unit.Scan{}
	s.Battery[1].VoltageV = unit.Reading{Value: 12, Quality: unit.Good}
	unit.Series.Stack(&s, 2)
	assert.False(t, s.Battery[1].VoltageV.OK(), "nobody knows where it stands")
}
