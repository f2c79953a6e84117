package forecast_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/forecast"
	"liftbank/rules/unit"
)

// Only what moves the platform counts as a lift: lamps and valves of such a unit draw 4 A together,
// its smallest motor far more than 6 A; and no lift takes half of a 100 Ah block.
func TestWhatCountsAsALift(t *testing.T) {
	for _, tt := range []struct {
		amps, ah float64
		counts   bool
	}{{4.2, 0.01, false}, {6, 0.02, true}, {120, 45, true}, {120, 57, false}} {
		u := newUnit(1, nil)
		for range 12 {
			start := u.at
			for f := time.Duration(0); f < 9*time.Second; f += 200 * time.Millisecond {
				u.at = start + f
				u.scan(-tt.amps, 12, 11.6, true, f, false)
			}
			length := max(9*time.Second, time.Duration(tt.ah/tt.amps*float64(time.Hour)))
			u.at = start + length
			u.m.EndRun(start, length, tt.ah, &u.known)
			u.at += time.Minute
		}
		assert.Equal(t, tt.counts, u.m.LiftAh().Known, "%+v", tt)
	}
}

// A stop of a crew is four lifts or more, and corrections of height are no lifts: eight runs are
// waited for, with a cycle of three runs twelve.
func TestHowManyRunsAreWaitedFor(t *testing.T) {
	for _, tt := range []struct{ cycle, runs int }{{1, 8}, {2, 8}, {3, 12}} {
		u := newUnit(2, func(p *forecast.Params) { p.CycleRuns = tt.cycle }).lifts(tt.runs - 1)
		assert.False(t, u.m.LiftAh().Known, tt.cycle)
		assert.True(t, u.lifts(1).m.LiftAh().Known, tt.cycle)
	}
}

// The voltages of a run are those of the lift that is under way: the first second, in which the
// motor starts and the oil gets moving, and runs that end with it say nothing of them. One run with
// a voltage at the motor may be a glitch of its wire.
func TestVoltagesAreThoseOfALiftUnderWay(t *testing.T) {
	after := func(long time.Duration, n int) *bankUnit {
		u := newUnit(2, nil).lifts(0)
		u.liftsAt(n, 120, 12, 11.6, long, time.Minute)
		return u
	}
	assert.Zero(t, after(1800*time.Millisecond, 9).m.State().PathOhm.N)
	assert.Equal(t, 9.0, after(2400*time.Millisecond, 9).m.State().PathOhm.N)

	start := func(until time.Duration) float64 { // a start draws three times as much
		u := newUnit(2, nil)
		for f := time.Duration(0); f < 5*time.Second; f += 50 * time.Millisecond {
			u.at = f
			amps := 120.0
			if f < until {
				amps = 360
			}
			u.scan(-amps, 12, 11.6, true, f, false)
		}
		u.m.EndRun(0, 5*time.Second, 0.17, &u.known)
		return u.m.State().SteadyA.Value
	}
	assert.InDelta(t, 120, start(950*time.Millisecond), 1e-9)
	assert.Greater(t, start(1150*time.Millisecond), 121.0)

	u := newUnit(2, nil)
	for range 9 {
		u.lift(0)
	}
	u.lift(11.7)
	assert.False(t, u.m.LiftsLeft(&u.known).Known)
	u.lift(11.7)
	assert.True(t, u.m.LiftsLeft(&u.known).Known)
}

// Readings that are missing for two seconds may hide a stop and a new start: such a run is left out.
func TestARunWithAGap(t *testing.T) {
	counted := func(gap time.Duration) uint32 {
		u := newUnit(2, nil)
		for f := time.Duration(0); f < 10*time.Second; f += 100 * time.Millisecond {
			if f > 4*time.Second && f < 4*time.Second+gap {
				continue
			}
			u.at = f
			u.scan(-120, 12, 11.6, true, f, false)
		}
		u.m.EndRun(0, 10*time.Second, 0.33, &u.known)
		return u.m.State().Runs
	}
	assert.Equal(t, uint32(1), counted(1700*time.Millisecond))
	assert.Zero(t, counted(2300*time.Millisecond))
}

// A season's habits are forgotten with the next: after a hundred runs of another platform, a week or
// two of work, half of what a lift took before.
func TestWhatALiftTookIsForgotten(t *testing.T) {
	u := newUnit(1, nil)
	u.liftsAt(400, 100, 12, 11.6, 2*time.Second, time.Minute)
	was := u.m.LiftAh().Value
	u.liftsAt(104, 200, 12, 11.6, 2*time.Second, time.Minute)
	assert.InDelta(t, 0.5, u.m.LiftAh().Value/was-1, 0.05)
}

// Loads and age pull a voltage down by a volt; a battery that stands two volts under its model has a
// dead cell, and how far it is down then says nothing more of the lifts that are left.
func TestABatteryFarUnderItsModel(t *testing.T) {
	left := func(volt float64) float64 {
		u := newUnit(2, nil)
		for k := range u.n {
			u.known.SoC[k].Value = 90
		}
		u.liftsAt(30, 100, volt, volt-0.2, 4*time.Second, time.Minute)
		return u.m.State().OffsetV[0].Value
	}
	model := left(12) - 12
	assert.InDelta(t, -1.3, left(-1.3-model), 0.01)
	assert.InDelta(t, -1.46, left(-1.46-model), 0.01)
	assert.InDelta(t, left(-1.75-model), left(-2.5-model), 1e-9)
}

// held plays a feed of twelve minutes and more: volts and amperes by minute.
func (u *bankUnit) feed(minutes float64, volt, amps func(minute float64) float64) {
	from := u.at
	for end := from + time.Duration(minutes*float64(time.Minute)); u.at < end; u.at += 10 * time.Second {
		m := (u.at - from).Minutes()
		u.scan(amps(m), volt(m), 0, false, 0, true)
	}
}

func fixed(x float64) func(float64) float64 { return func(float64) float64 { return x } }

// A feed limits the voltage when that stands still, to a few hundredths of a volt, while the current
// falls; a current that stands still, to a percent or so, is the feed's own limit. Once it was seen
// to fall, a current at the taper's end may stand still; one that rises by a tenth is another feed.
func TestWhenATaperIsSeen(t *testing.T) {
	seen := func(rise, fall float64) bool { // over the ten minutes between the first mean kept and the last
		u := newUnit(2, nil)
		u.feed(17, func(m float64) float64 { return 14.3 + rise*m/10 }, func(m float64) float64 { return 20 - 20*fall*m/10 })
		return u.m.State().Feed.Low
	}
	assert.True(t, seen(0.026, 0.2))
	assert.False(t, seen(0.034, 0.2))
	assert.True(t, seen(0, 0.0172))
	assert.False(t, seen(0, 0.012))

	goesOn := func(share float64) bool {
		u := newUnit(2, nil)
		u.feed(20, fixed(14.4), func(m float64) float64 { return 20 * math.Exp(-m/90) })
		require.True(t, u.m.State().Feed.Low)
		last := u.m.State().Feed.LowA
		u.feed(15, fixed(14.4), fixed(share*last))
		return u.m.State().Feed.Low
	}
	assert.True(t, goesOn(1))
	assert.True(t, goesOn(1.07))
	u := newUnit(2, nil)
	u.feed(20, fixed(14.4), func(m float64) float64 { return 20 * math.Exp(-m/90) })
	u.feed(15, fixed(14.0), fixed(20*1.25*math.Exp(-20.0/90)))
	assert.False(t, u.m.State().Feed.Low)
}

// A time needs two means of two minutes, after three in which the surface settles; after four
// minutes without readings they are of another state.
func TestHowLongAFeedIsWatchedFirst(t *testing.T) {
	known := func(minutes, gap float64) bool {
		u := newUnit(2, nil)
		u.feed(5.3, fixed(13.9), fixed(20))
		if gap > 0 {
			u.at += time.Duration(gap * float64(time.Minute))
		}
		u.feed(minutes-5.3, fixed(13.9), fixed(20))
		return u.m.TimeToFull(&u.known).Known
	}
	assert.False(t, known(6.8, 0))
	assert.True(t, known(7.5, 0))
	assert.True(t, known(5.6, 3.4))
	assert.False(t, known(5.6, 4))
}

// Two percent missing is full. With three, and a feed that gives next to nothing more, it is told as
// such, to some ten minutes; with more it is not.
func TestNearlyFullOnAnIdleFeed(t *testing.T) {
	at := func(pct float64) forecast.Answer {
		u := newUnit(2, nil)
		for k := range u.n {
			u.known.SoC[k] = unit.Estimate{Value: pct, Sigma: 1, Known: true}
		}
		u.feed(20, fixed(13.6), fixed(0.4))
		return u.m.TimeToFull(&u.known)
	}
	assert.True(t, at(97.3).Known)
	assert.Zero(t, at(97.3).Value)
	assert.InDelta(t, 12.0/60, at(97.3).Sigma, 2.0/60)
	assert.False(t, at(96.5).Known)
}
