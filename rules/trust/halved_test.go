package trust_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/trust"
	"liftbank/rules/unit"
)

// bankOf is a bank by what its sensors show: of each battery its part of a run and its capability over
// its rating; of each link, first positive and then negative ones, its resistance. The positive lead is
// at the first battery, the negative lead at the last.
type bankOf struct {
	share, over []float64
	links       [2][]float64
	sigma       float64 // of a link, as a share
}

func (x *bankOf) runs(b *bench, times int) {
	est := func(v, sigma float64) unit.Estimate { return unit.Estimate{Value: v, Sigma: sigma, Known: v > 0} }
	var as [unit.MaxBatteries]float64
	var over [unit.MaxBatteries]unit.Estimate
	twins := trust.Twins{Lead: [2]int{0, len(x.over) - 1}}
	for i := range x.over {
		as[i], over[i] = 1000*x.share[i], est(x.over[i], 0.04)
	}
	for side := range x.links {
		for k, r := range x.links[side] {
			twins.Mohm[side][k] = est(r, x.sigma*r)
		}
	}
	for range times {
		b.c.RunShares(&as)
		b.c.Weak(&over, &twins)
	}
}

// The cables of a pair are alike: 0.5 mΩ. The last of the batteries seems to give half. With a sensor
// that shows half, a positive link of two batteries carries twice what is shown (Kirchhoff), and seems to
// have 1 mΩ; of three, the links carry 4 parts for 3 shown and 2 for 1.
func TestTwinLinksTellASensorThatShowsHalf(t *testing.T) {
	two := func(over, positive, negative, sigma float64) bankOf {
		return bankOf{[]float64{2, 2 * over}, []float64{1, over}, [2][]float64{{positive}, {negative}}, sigma}
	}
	for _, c := range []struct {
		what string
		x    bankOf
		half bool
	}{
		{"a sensor that shows half", two(0.5, 1, 0.5, 0.1), true},
		{"which is not the first's", two(0.5, 0.5, 1, 0.1), false},
		{"a battery that gives half", two(0.5, 0.5, 0.5, 0.1), false},
		{"cables a third apart are no proof", two(0.5, 0.5*1.3, 0.5, 0.05), false},
		{"cables a third apart hide none", two(0.5, 1*1.3, 0.5, 0.05), true},
		{"a link that is worse than the battery is weak", two(0.5, 2, 0.5, 0.05), false},
		{"hardly weak", two(0.66, 0.8, 0.5, 0.05), false},
		{"weak enough to be doubted", two(0.62, 0.8, 0.5, 0.05), true},
		{"links hardly known", two(0.5, 1, 0.5, 0.2), false},
		{"links known well enough", two(0.5, 1, 0.5, 0.15), true},
		{"a link not known", two(0.5, 0, 0.5, 0.1), false},
		{"the other is weak too", bankOf{[]float64{2, 1}, []float64{0.82, 0.45}, [2][]float64{{1}, {0.5}}, 0.1}, false},
		{"the other is sound", bankOf{[]float64{2, 1}, []float64{0.88, 0.45}, [2][]float64{{1}, {0.5}}, 0.1}, true},
		{"of three", bankOf{[]float64{2, 2, 1}, []float64{1, 1, 0.5}, [2][]float64{{2. / 3, 1}, {0.5, 0.5}}, 0.1}, true},
		{"of three, one pair alike", bankOf{[]float64{2, 2, 1}, []float64{1, 1, 0.5}, [2][]float64{{2. / 3, 0.5}, {0.5, 0.5}}, 0.1}, false},
		{"between two others", bankOf{[]float64{2, 1, 2}, []float64{1, 0.5, 1}, [2][]float64{{2. / 3, 0.5}, {0.5, 2. / 3}}, 0.1}, false},
	} {
		n := len(c.x.over)
		last := n - 1
		if c.what == "between two others" {
			last = 1
		}
		channel := unit.ChannelOf(unit.BatteryCurrent, last)
		b := newBench(t, n)
		b.step(time.Second)
		c.x.runs(b, 2)
		assert.False(t, b.c.Doubted(channel), "%s: two runs", c.what)
		c.x.runs(b, 1)
		assert.Equal(t, c.half, b.c.Doubted(channel), c.what)
		assert.Equal(t, c.half, b.c.Turned(last), c.what)
		if !c.half {
			continue
		}
		assert.True(t, trust.Mounted(b.c.WhyNot(channel, good(-60))), c.what)
		c.x.over[last] = 0.83
		c.x.runs(b, 1)
		assert.True(t, b.c.Doubted(channel), "%s: not surely as strong as the others", c.what)
		c.x.over[last] = 0.86
		c.x.runs(b, 1)
		assert.False(t, b.c.Doubted(channel), "%s: its scale put right", c.what)
	}
}

// Leads on the same post, or nobody knows where, tell nothing.
func TestTwinLinksNeedTheLeads(t *testing.T) {
	for _, lead := range [][2]int{{0, 0}, {1, 1}, {-1, 1}, {0, -1}} {
		b := newBench(t, 2)
		b.step(time.Second)
		over := [unit.MaxBatteries]unit.Estimate{{Value: 1, Known: true}, {Value: 0.5, Known: true}}
		twins := trust.Twins{Lead: lead}
		twins.Mohm[0][0], twins.Mohm[1][0] = unit.Estimate{Value: 1, Known: true}, unit.Estimate{Value: 0.5, Known: true}
		for range 5 {
			b.c.RunShares(&[unit.MaxBatteries]float64{2000, 1000})
			b.c.Weak(&over, &twins)
		}
		assert.False(t, b.c.Doubted(unit.ChannelOf(unit.BatteryCurrent, 1)), "%v", lead)
	}
}
