package bank

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"
)

var converter = FeedConfig{
	AlternatorV: 14, CableOhm: 0.025, Efficiency: 0.9, PowerW: 500, LimitA: 40, MinInputV: 11, StartS: 5,
	AbsorptionV: 14.4, FloatV: 13.6, CompensationVPerC: -0.024, TailA: 2, TailS: 600, AbsorptionS: 4 * 3600,
}

// awake returns a converter that has started.
func awake(cfg FeedConfig) Feed {
	f := NewFeed(cfg)
	f.SetWake(true)
	for range int(cfg.StartS) {
		f.Step(1, 0, 0, 25)
	}
	return f
}

func TestSourceIntoAnEMF(t *testing.T) {
	s := Source{Joined: true, On: true, SetV: 14.4, LimitA: 40, LimitW: 500}
	for _, c := range []struct {
		name     string
		emf, ohm float64
		want     float64
	}{
		{"voltage limit", 14.2, 0.01, 20},
		{"voltage reached", 14.4, 0.01, 0},
		{"bank over the set point gives nothing back", 25, 0.01, 0},
		{"power limit: 12.5 V at 40 A is 500 W", 12.1, 0.01, 40},
		{"power limit over it", 12.9, 0.01, 37.66}, // (-12.9+sqrt(12.9²+4*0.01*500))/0.02
		{"current limit", 10, 0.01, 40},
	} {
		t.Run(c.name, func(t *testing.T) { assert.InDelta(t, c.want, s.into(c.emf, c.ohm), 0.01) })
	}
}

func TestFeedOutputLimit(t *testing.T) {
	for _, c := range []struct {
		name  string
		extra float64
		want  float64
	}{
		{"sound cable", 0, 500},
		{"600 mΩ more: 11 V times 3 V over 625 mΩ, 90 %", 0.6, 47.52},
		{"infinite", math.Inf(1), 0},
	} {
		t.Run(c.name, func(t *testing.T) { assert.InDelta(t, c.want, converter.outputLimitW(c.extra), 0.01) })
	}
	flat := converter
	flat.AlternatorV = 10.5
	assert.Zero(t, flat.outputLimitW(0), "under the least input voltage it takes nothing")
}

func TestFeedStartsWithTheWakeLine(t *testing.T) {
	f := NewFeed(converter)
	assert.False(t, f.Source(25).On)
	f.SetWake(true)
	f.Step(4, 0, 0, 25)
	assert.False(t, f.Source(25).On, "still starting")
	f.Step(1, 0, 0, 25)
	assert.True(t, f.Source(25).On)
	f.SetWake(false)
	assert.False(t, f.Source(25).On, "off at once")
	assert.True(t, f.Source(25).Joined, "its output stays on the bank")
}

func TestFeedSetPointFollowsTemperature(t *testing.T) {
	f := awake(converter)
	assert.InDelta(t, 14.4, f.SetPoint(25), 1e-12)
	assert.InDelta(t, 15.0, f.SetPoint(0), 1e-12)
	assert.InDelta(t, 14.04, f.SetPoint(40), 1e-12)
}

func TestFeedGoesToFloatAndBack(t *testing.T) {
	f := awake(converter)
	f.Step(3600, 30, 13.5, 25)
	assert.Equal(t, FeedAbsorption, f.Phase(), "bulk: not at the set point")
	for range 599 {
		f.Step(1, 1.9, 14.4, 25)
	}
	f.Step(1, 2.1, 14.4, 25)
	for range 599 {
		f.Step(1, 1.9, 14.4, 25)
	}
	assert.Equal(t, FeedAbsorption, f.Phase(), "the tail was broken once")
	f.Step(1, 1.9, 14.4, 25)
	assert.Equal(t, FeedFloat, f.Phase())
	assert.InDelta(t, 13.6, f.SetPoint(25), 1e-12)
	for range 59 {
		f.Step(1, 40, 13.0, 25)
	}
	assert.Equal(t, FeedFloat, f.Phase())
	f.Step(1, 40, 13.0, 25)
	assert.Equal(t, FeedAbsorption, f.Phase(), "the bank has been used")
	f.Step(4*3600, 10, 14.4, 25)
	assert.Equal(t, FeedFloat, f.Phase(), "absorption does not last for ever")
}

func TestFeedFaults(t *testing.T) {
	for _, c := range []struct {
		name             string
		fault            FeedFault
		wake, on, joined bool
	}{
		{"none", FeedFault{}, true, true, true},
		{"unplugged", FeedFault{Unplugged: true}, true, false, true},
		{"dead", FeedFault{Dead: true}, true, false, true},
		{"wake line broken", FeedFault{WakeBroken: true}, false, false, true},
		{"charge breaker open", FeedFault{BreakerOpen: true}, true, true, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := awake(converter)
			f.SetFault(c.fault)
			src := f.Source(25)
			assert.Equal(t, c.wake, f.WakeLine())
			assert.Equal(t, c.on, src.On)
			assert.Equal(t, c.joined, src.Joined)
		})
	}
	f := awake(converter)
	f.SetFault(FeedFault{StuckV: 15.8})
	assert.InDelta(t, 15.8, f.SetPoint(40), 1e-12, "no compensation")
	f.SetFault(FeedFault{CableOhm: 0.6})
	assert.InDelta(t, 47.52, f.Source(25).LimitW, 0.01)
	assert.InDelta(t, 500, f.Sound(25).LimitW, 0.01)
}

// With the charge breaker open the tap ahead of it shows the converter, not the bank; with the
// converter off, the bank.
func TestFeedVoltageAheadOfTheBreaker(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := drawBank(t)
		b.Solve(Source{On: true, SetV: 14.4, LimitA: 40, LimitW: 500}, Load{})
		if f := b.Flow; f.FeedA != 0 || math.Abs(b.outputV(f, b.wiring)-14.4) > 1e-6 {
			t.Fatalf("breaker open, converter on: %v A, %v V", f.FeedA, f.FeedV)
		}
		b.Solve(Source{}, Load{})
		if f := b.Flow; f.FeedV != 0 {
			t.Fatalf("breaker open, converter off: %v V", f.FeedV)
		}
		b.Solve(Source{Joined: true}, Load{})
		if k := b.wiring.FeedPositive.At; math.Abs(b.Flow.FeedV-b.Flow.PositiveV[k]) > 0.5 {
			t.Fatalf("converter off: %v V at its output, bank %v V", b.Flow.FeedV, b.Flow.PositiveV[k])
		}
	})
}
