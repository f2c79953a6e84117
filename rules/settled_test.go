package rules_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules"
	"liftbank/rules/leadacid"
	"liftbank/rules/limit"
	"liftbank/rules/view"
)

// A rating that is put right has learned again what it shaped, and leaves the rest.
func TestCorrectedRatings(t *testing.T) {
	for name, c := range map[string]struct {
		change             func(s *rules.BatteryConfig)
		charge, resistance bool
	}{
		"CCA":       {func(s *rules.BatteryConfig) { s.RatedCCA = 700 }, false, true},
		"Ah":        {func(s *rules.BatteryConfig) { s.RatedAh = 120 }, true, false},
		"chemistry": {func(s *rules.BatteryConfig) { s.Chemistry, _ = leadacid.Parse("agm") }, true, true},
		"the same":  {func(*rules.BatteryConfig) {}, false, false},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, twoFlooded())
			b.worn()
			b.day(0)
			was := b.engine.State()
			require.Positive(t, was.Battery[1].RunsJudged)
			spec := twoFlooded().Batteries[1]
			c.change(&spec)
			require.NoError(t, b.engine.CorrectRatings(1, spec))
			is := b.engine.State()
			assert.Equal(t, c.resistance, !assert.ObjectsAreEqual(was.Battery[1].Load, is.Battery[1].Load))
			assert.Equal(t, c.charge, was.Battery[1].Charge.Begun && !is.Battery[1].Charge.Begun)
			for _, f := range []func(s *rules.State) any{
				func(s *rules.State) any { return s.Battery[0] }, func(s *rules.State) any { return s.Network },
				func(s *rules.State) any { return s.Motor }, func(s *rules.State) any { return s.Services },
				func(s *rules.State) any { return s.Battery[1].Charge.DrawnAh },
				func(s *rules.State) any { return s.Battery[1].Charge.ChargedAh },
				func(s *rules.State) any { return s.Bank.ShareDrawnAh },
			} {
				assert.Equal(t, f(was), f(is))
			}
			cfg := twoFlooded()
			cfg.Batteries[1] = spec
			b.restart(cfg) // what was saved is of these ratings
			b.day(1)
			assert.True(t, b.out.Battery[1].SoCPct.Known)
			assert.Equal(t, !c.resistance, b.finding("battery-tired", "b").Active(), "what the wrong rating said is over")
		})
	}
	b := newBench(t, twoFlooded())
	b.day(0)
	wrong := twoFlooded().Batteries[0]
	wrong.RatedCCA = 5000
	before := text(t, b.engine.State())
	require.ErrorContains(t, b.engine.CorrectRatings(0, wrong), "want 10 to 2000")
	for _, i := range []int{-1, 2} {
		require.Error(t, b.engine.CorrectRatings(i, twoFlooded().Batteries[0]))
	}
	assert.Equal(t, before, text(t, b.engine.State()), "what is refused changes nothing")
}

// Intervals that are set while the unit runs hold at once; each kind by cycles, hours and days, with
// the date that the usual duty leads to.
func TestIntervalsSetWhileRunning(t *testing.T) {
	b := newBench(t, twoFlooded())
	lifts := func(n int) {
		for range n {
			b.lift(10*time.Second, 0, 100, 0, 0.1)
		}
	}
	noon := time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)
	for range 9 { // working days of 3 lift cycles
		b.in.At.Wall = noon.Add(b.in.At.Mono)
		lifts(6)
		b.hold(24*time.Hour-10*time.Minute, 10*time.Minute)
	}
	b.engine.UpdateForecast()
	assert.Equal(t, view.DueByNothing, b.out.Motor.Next[view.Oil].By)

	set := func(v limit.Values) { require.NoError(t, b.engine.SetIntervals(v)) }
	set(limit.Values{"service.oil_lift_cycles": 57, "service.filter_every": 30 * 86400})
	b.hold(10*time.Second, time.Second)
	b.engine.UpdateForecast()
	oil, filter := b.out.Motor.Next[view.Oil], b.out.Motor.Next[view.Filter]
	require.True(t, oil.Known)
	assert.Equal(t, view.DueByCycles, oil.By)
	assert.InDelta(t, 30.0/3, oil.In.Hours()/24, 1.5, "30 cycles are left, at 3 a day")
	require.True(t, filter.Known)
	assert.Equal(t, view.DueByDays, filter.By)
	assert.InDelta(t, 22, filter.In.Hours()/24, 0.2, "8 days of 30 are over")
	assert.False(t, b.finding("service-due", "oil").Active())
	lifts(60)
	b.hold(10*time.Second, time.Second)
	assert.True(t, b.finding("service-due", "oil").Active())
	assert.False(t, b.finding("service-due", "").Active())
	assert.False(t, b.finding("service-due", "filter").Active())
	cfg := twoFlooded()
	cfg.Limits = limit.Values{"service.oil_lift_cycles": 57, "service.filter_every": 30 * 86400}
	b.restart(cfg)
	b.hold(10*time.Second, time.Second)
	assert.True(t, b.finding("service-due", "oil").Active())
	set(limit.Values{"service.oil_lift_cycles": 5000})
	b.hold(10*time.Second, time.Second)
	assert.False(t, b.finding("service-due", "oil").Active(), "the interval was set higher")
	set(limit.Values{"service.oil_lift_cycles": 5})
	b.hold(10*time.Second, time.Second)
	assert.True(t, b.finding("service-due", "oil").Active())
	b.engine.ServiceDone(view.Oil)
	b.hold(10*time.Second, time.Second)
	assert.False(t, b.finding("service-due", "oil").Active())

	require.ErrorContains(t, b.engine.SetIntervals(limit.Values{"service.oil_lift_cycles": -1}), "want")
	require.ErrorContains(t, b.engine.SetIntervals(limit.Values{"findings.hot_c": 40}), "interval of service")
	require.ErrorContains(t, b.engine.SetIntervals(limit.Values{"service.rest": 40}), "no such limit")
}

// The date of a service needs a clock that is trusted: one noted before that has it filled in while
// the same clock runs, and not over a restart.
func TestTheDateOfAService(t *testing.T) {
	cfg := twoFlooded()
	cfg.Limits = limit.Values{"service.every": 10 * 86400}
	b := newBench(t, cfg)
	noon := time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)
	b.in.At.WallTrusted = false
	wall := func(days int) { b.in.At.Wall = noon.Add(time.Duration(days) * 24 * time.Hour) }
	wall(0)
	b.hold(time.Minute, time.Second)
	due := func() rules.MotorState { return b.out.Motor }
	assert.False(t, due().Since[view.Service].ForKnown)
	assert.Equal(t, "why.no-service-date", b.finding("service-due", "").Because.ID)
	b.in.At.WallTrusted = true
	b.hold(time.Minute, time.Second)
	require.True(t, due().Since[view.Service].ForKnown)
	assert.Nil(t, b.finding("service-due", "").Because)
	wall(9)
	b.hold(10*time.Second, time.Second)
	assert.False(t, b.finding("service-due", "").Active())
	wall(11)
	b.hold(10*time.Second, time.Second)
	assert.True(t, b.finding("service-due", "").Active())

	b.in.At.WallTrusted = false
	b.hold(10*time.Second, time.Second)
	b.engine.ServiceDone(view.Service)
	b.hold(10*time.Second, time.Second)
	assert.False(t, b.finding("service-due", "").Active())
	b.restart(cfg)
	b.in.At.WallTrusted = true
	b.in.At.Mono += time.Second
	b.hold(10*time.Second, time.Second)
	assert.False(t, due().Since[view.Service].ForKnown, "nobody knows how long the board was off")
	assert.Equal(t, "why.no-service-date", b.finding("service-due", "").Because.ID)
	b.engine.ServiceDone(view.Service)
	b.hold(10*time.Second, time.Second)
	assert.True(t, due().Since[view.Service].ForKnown)
}
