package pump_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/pump"
)

// lift is a run in which the pressure is what bar says of each instant of it.
func (b *bench) lift(span time.Duration, bar func(at time.Duration) float64) pump.Ended {
	b.in.Running, b.in.Since = true, b.in.Now+tick
	for range span / tick {
		b.scan.OilBar = good(bar(b.in.Now + tick - b.in.Since))
		b.step(100, 12.2, 11.9)
	}
	b.in.Running, b.in.Ended = false, []time.Duration{span}
	b.scan.OilBar = good(0)
	b.step(0, 12.6, 0)
	e := b.ended[0]
	b.rest(10 * time.Second)
	return e
}

// A step up that stays is the relief valve; a platform that gets heavier on its way is none, nor a knock,
// nor what is held for less than a second.
func TestReliefIsAStepThatStays(t *testing.T) {
	flat := func(time.Duration) float64 { return 100 }
	stepTo := func(bar float64, from, until time.Duration) func(time.Duration) float64 {
		return func(at time.Duration) float64 {
			if at >= from && at < until {
				return bar
			}
			return 100
		}
	}
	s := time.Second
	for name, tt := range map[string]struct {
		bar  func(time.Duration) float64
		want float64
	}{
		"no step":           {flat, 0},
		"held for 2 s":      {stepTo(140, 8*s, 10*s), 140},
		"held for 0.9 s":    {stepTo(140, 9*s, 9900*time.Millisecond), 0},
		"11 % up":           {stepTo(111, 8*s, 10*s), 111},
		"9 % up":            {stepTo(109, 8*s, 10*s), 0},
		"within a second":   {func(time.Duration) float64 { return 171 }, 0},
		"heavier by 3 %/s":  {func(at time.Duration) float64 { return 100 + 3*at.Seconds() }, 0},
		"swings at the top": {func(at time.Duration) float64 { return 100 + 40*float64(at/(500*time.Millisecond)%2) }, 0},
		"no oil":            {func(at time.Duration) float64 { return min(at.Seconds(), 9) }, 0},
	} {
		b := newBench(0)
		e := b.lift(10*s, tt.bar)
		assert.InDelta(t, tt.want, e.ReliefBar, 0.5, name)
		assert.True(t, e.OilRead, name)
		assert.Equal(t, name != "no oil", e.OilSeen, name)
	}
}

// The run under way shows for how long it is held.
func TestHeldInTheRunUnderWay(t *testing.T) {
	b := newBench(0)
	b.in.Running, b.in.Since = true, b.in.Now+tick
	for k := range 100 {
		bar := 100.0
		if k >= 60 {
			bar = 150
		}
		b.scan.OilBar = good(bar)
		b.step(100, 12.2, 11.9)
	}
	bar, held := b.w.Held()
	assert.InDelta(t, 150, bar, 0.1)
	assert.InDelta(t, 3.9, held.Seconds(), 0.11)
}

// The pressure of twelve runs over that of the first thirty.
func TestPressureOverUsual(t *testing.T) {
	b := newBench(0)
	lift := func(runs int, bar float64) {
		for range runs {
			b.lift(5*time.Second, func(time.Duration) float64 { return bar })
		}
	}
	lift(pump.LearnRuns-1, 100)
	_, ok := b.w.Oil.Ratio()
	assert.False(t, ok)
	lift(1, 100)
	ratio, ok := b.w.Oil.Ratio()
	assert.True(t, ok)
	assert.InDelta(t, 1, ratio, 1e-9)
	lift(pump.UsualRuns, 125)
	ratio, _ = b.w.Oil.Ratio()
	assert.InDelta(t, 1.25, ratio, 1e-9)
	assert.NoError(t, b.w.State.Check())
	b.w.Oil.Bars = pump.UsualRuns + 1
	assert.Error(t, b.w.State.Check())
}
