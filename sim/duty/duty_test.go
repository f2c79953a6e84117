package duty

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

var monday = time.Date(2025, 3, 3, 5, 0, 0, 0, time.UTC)

func routes() Config {
	return Config{
		Seed: 1, Start: monday, WorkDays: [7]bool{false, true, true, true, true, true, false}, Depart: 6 * time.Hour,
		Stops: Count{8, 12}, Drive: Span{15 * time.Minute, 40 * time.Minute},
		Stay:         Span{8 * time.Minute, 20 * time.Minute},
		LiftsPerStop: Count{1, 3}, RunsPerLift: 1, Up: Span{8 * time.Second, 14 * time.Second},
		Gap: Span{25 * time.Second, 70 * time.Second}, NudgesPerStop: Count{0, 2},
		Nudge: Span{300 * time.Millisecond, time.Second},
	}
}

// take takes all edges up to limit.
func take(s *Schedule, limit time.Duration) []Edge {
	var all []Edge
	for {
		e, due := s.Peek(limit)
		if !due {
			return all
		}
		s.Take()
		all = append(all, e)
	}
}

func TestPlanOfAWeek(t *testing.T) {
	edges := take(New(routes()), 7*Day)
	last, on := time.Duration(0), [2]bool{}
	runs, stops := 0, 0
	for _, e := range edges {
		require.GreaterOrEqual(t, e.At, last)
		require.NotEqual(t, on[e.Line], e.On, "each edge changes its line: %+v", e)
		last, on[e.Line] = e.At, e.On
		day := monday.Add(e.At).Weekday()
		require.NotContains(t, []time.Weekday{time.Saturday, time.Sunday}, day)
		if e.Line == Motor && e.On {
			runs++
			if lasting := e.Run.Stop - e.Run.Start; e.Run.Travel > 0 {
				require.True(t, lasting >= 8200*time.Millisecond && lasting <= 14600*time.Millisecond, "%v", lasting)
			} else {
				require.True(t, lasting >= 300*time.Millisecond && lasting <= time.Second, "%v", lasting)
			}
			require.False(t, on[Wake], "engine off at stops")
		}
		if e.Line == Wake && e.On {
			stops++
		}
	}
	assert.Equal(t, [2]bool{}, on, "all off at the weekend")
	assert.InDelta(t, 5*10*3, runs, 50) // ten stops, two lifts and one nudge each
	assert.InDelta(t, 5*11, stops, 12)
}

// Any day can be had without the ones before it, and looking ahead takes nothing.
func TestPlanDoesNotDependOnTheWayThere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cfg := routes()
		cfg.Seed = rapid.Uint64().Draw(t, "seed")
		whole := take(New(cfg), 20*Day)
		s, got := New(cfg), []Edge(nil)
		for at := time.Duration(0); at < 20*Day; {
			at = min(20*Day, at+time.Duration(rapid.Int64Range(1, int64(3*Day)).Draw(t, "step")))
			limit := at + time.Duration(rapid.Int64Range(0, int64(5*Day)).Draw(t, "ahead"))
			seen := 0
			s.Ahead(limit, func(e Edge) bool {
				if want := whole[min(len(got)+seen, len(whole)-1)]; limit <= 20*Day && e != want {
					t.Fatalf("looking ahead: %+v, want %+v", e, want)
				}
				seen++
				return true
			})
			got = append(got, take(s, at)...)
		}
		if len(got) != len(whole) {
			t.Fatalf("%d edges, want %d", len(got), len(whole))
		}
		for i := range got {
			if got[i] != whole[i] {
				t.Fatalf("edge %d: %+v, want %+v", i, got[i], whole[i])
			}
		}
	})
}

func TestPlanSeedsDiffer(t *testing.T) {
	a, b := routes(), routes()
	b.Seed = 2
	assert.Equal(t, take(New(a), Day), take(New(a), Day))
	assert.NotEqual(t, take(New(a), Day), take(New(b), Day))
}

func TestPlanParked(t *testing.T) {
	cfg := routes()
	cfg.Parked = []Window{{2 * Day, 9 * Day}}
	for _, e := range take(New(cfg), 12*Day) {
		from, to := 2*Day-5*time.Hour, 9*Day+5*time.Hour // whole days, by their noon
		assert.False(t, e.At > from+Day && e.At < to-Day, "edge at %v", e.At)
	}
}

func TestPlanHolds(t *testing.T) {
	cfg := routes()
	sound := take(New(cfg), Day)
	cfg.Holds = []Hold{{Window{0, Day}, 12 * time.Second}}
	held := take(New(cfg), Day)
	require.Equal(t, len(sound), len(held))
	longer := 0
	for i := range held {
		if e := held[i]; e.Line == Motor && e.On {
			extra := e.Run.Stop - sound[i].Run.Stop
			if e.Run.Travel == 0 {
				assert.Zero(t, extra, "a nudge has no end of travel")
			} else if extra == 12*time.Second {
				longer++
			}
		}
	}
	assert.Greater(t, longer, 5)
}

func TestPlanBusySeason(t *testing.T) {
	cfg := routes()
	cfg.BusyMonth, cfg.SeasonSwing = 11, 0.5
	runs := func(from, days time.Duration) (n int) {
		s := New(cfg)
		take(s, from)
		for _, e := range take(s, from+days) {
			if e.Line == Motor && e.On {
				n++
			}
		}
		return n
	}
	quiet, busy := runs(60*Day, 28*Day), runs(245*Day, 28*Day) // May, November
	assert.Greater(t, float64(busy), 2*float64(quiet))
}

// A start in the middle of a run or a drive begins with everything off and no edge that switches
// off what is not on.
func TestPlanStartsInTheMiddle(t *testing.T) {
	for hour := range 24 {
		cfg := routes()
		cfg.Start = time.Date(2025, 3, 3, hour, 17, 3, 0, time.UTC)
		on := [2]bool{}
		for _, e := range take(New(cfg), 2*Day) {
			require.GreaterOrEqual(t, e.At, time.Duration(0))
			require.NotEqual(t, on[e.Line], e.On, "start at %d h: %+v", hour, e)
			on[e.Line] = e.On
		}
	}
}

func TestPlanTakesNoMemoryOverADecade(t *testing.T) {
	s := New(routes())
	take(s, 30*Day)
	at := 30 * Day
	per := testing.AllocsPerRun(3600, func() {
		at += Day
		for {
			if _, due := s.Peek(at); !due {
				return
			}
			s.Take()
		}
	})
	assert.LessOrEqual(t, per, 0.05, "allocations a day")
	assert.LessOrEqual(t, cap(s.edges), 1024)
}

func TestTurnIsACosine(t *testing.T) {
	for x := -3.0; x <= 3; x += 0.001 {
		assert.InDelta(t, math.Cos(2*math.Pi*x), turn(x), 0.0017, "%v turns", x)
	}
}

func TestWeatherOfAYear(t *testing.T) {
	w := Weather{Seed: 1, Start: time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC), MeanC: 12, SeasonC: 10, DayC: 5,
		SpellC: 3}
	sum, low, high := 0.0, math.Inf(1), math.Inf(-1)
	n := 0
	previous := w.AmbientC(0)
	for at := time.Duration(0); at < 365*Day; at += 10 * time.Minute {
		c := w.AmbientC(at)
		require.Less(t, math.Abs(c-previous), 0.6, "no jumps, at %v", at)
		previous, sum, n = c, sum+c, n+1
		low, high = min(low, c), max(high, c)
	}
	assert.InDelta(t, 12, sum/float64(n), 0.5)
	assert.InDelta(t, 12-10-5, low, 3.1)
	assert.InDelta(t, 12+10+5, high, 3.1)

	calm := Weather{Start: w.Start, MeanC: 12, SeasonC: 10, DayC: 5}
	warmest := calm.AmbientC(199*Day + 15*time.Hour) // day 200, mid-afternoon
	assert.InDelta(t, 27, warmest, 0.1)
	assert.Less(t, calm.AmbientC(199*Day+4*time.Hour), warmest-8)
	assert.Less(t, calm.AmbientC(17*Day+15*time.Hour), warmest-15, "January")
}
