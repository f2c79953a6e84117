//go:build !board

package main

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/history"
	"liftbank/agent/snapshot"
	"liftbank/cmd/scenariofile"
	"liftbank/cmd/slowtest"
	"liftbank/sim"
)

// The page opens on a unit with a past, something to find and a visit; a lift follows at once.
func TestDemoOpensWithItsPast(t *testing.T) {
	slowtest.SkipUnderRace(t)
	page, _, stop := demo(t, "--past", "72h", "--speed", "600")
	opened := time.Now()
	of := func(path string, into any) { require.NoError(t, json.Unmarshal([]byte(get(t, page+path)), into)) }
	var first, s snapshot.Snapshot
	of("api/v1/snapshot", &first)
	assert.Greater(t, first.Motor.Runs, uint64(20))
	named := map[string]bool{}
	for _, f := range first.Findings {
		named[f.Name+" "+f.Subject] = true
	}
	assert.True(t, named["battery-tired b"], "%v", named)
	var past history.Window
	of("api/v1/history?span=7d&points=100", &past)
	assert.Greater(t, past.RunCount, 20)
	require.NotEmpty(t, past.Series)
	var visits struct {
		Visits []struct{ Finished time.Time } `json:"visits"`
	}
	of("api/v1/visits", &visits)
	require.Len(t, visits.Visits, 1)
	assert.True(t, visits.Visits[0].Finished.Before(first.At), "in the past")
	assert.Less(t, time.Since(first.At), 8*24*time.Hour, "dates of this week or the last")
	require.Eventually(t, func() bool { of("api/v1/snapshot", &s); return s.Motor.Runs > first.Motor.Runs },
		time.Minute, 20*time.Millisecond) // 5 s on a quiet machine
	t.Logf("a lift %v after opening", time.Since(opened).Round(time.Millisecond))
	assert.Zero(t, stop())
}

// Whatever the day, a scenario's past ends on one of the last eight days, in its season, and what goes wrong
// has just done so.
func TestScenariosAreMovedToTheLastWeeks(t *testing.T) {
	for d := range 400 {
		now := time.Date(2026, 2, 1, 9, 30, 0, 0, time.UTC).AddDate(0, 0, d)
		for _, name := range []string{"feed-lost", "battery-tired", "healthy-cold", "sense-open", "visit-work"} {
			sc, err := scenariofile.Load(name)
			require.NoError(t, err)
			moved, later := recent(sc, usualPast, now)
			end := moved.Start.Add(usualPast)
			assert.True(t, end.Before(now) && now.Sub(end) < 9*24*time.Hour, "%s %v: ends %v", name, now, end)
			assert.Equal(t, sc.Start.Format(time.TimeOnly), moved.Start.Format(time.TimeOnly))
			ofYear := func(day, warmest int) int { return ((day-warmest)%365 + 365) % 365 }
			assert.Equal(t, ofYear(sc.Start.YearDay(), sc.Weather.WarmestDay),
				ofYear(moved.Start.YearDay(), moved.Weather.WarmestDay), "the same season")
			if len(sc.Faults)+len(sc.Sensors.Faults) > 0 && sc.Length() < usualPast {
				assert.Equal(t, time.Friday, end.Weekday(), name)
				assert.Equal(t, usualPast, later+sc.Length().Truncate(24*time.Hour), "%s: the story ends with the past", name)
			} else {
				assert.Equal(t, sc.Start.Weekday(), moved.Start.Weekday(), name)
				assert.Zero(t, later)
			}
			if len(sc.Faults) > 0 {
				assert.Equal(t, sc.Faults[0].At+later, moved.Faults[0].At)
			}
			for i := range sc.Work {
				assert.Equal(t, sc.Work[i].At+later, moved.Work[i].At)
			}
		}
	}
}

// The story's technician presses the switch of work under way: what they do raises nothing, in the past and after it. The
// page opens in the middle of the work.
func TestDemoTellsOfWorkUnderWay(t *testing.T) {
	slowtest.SkipUnderRace(t)
	page, _, stop := demo(t, "--scenario", "visit-work", "--past", "54h", "--speed", "3600")
	var s snapshot.Snapshot
	of := func() {
		s = snapshot.Snapshot{}
		require.NoError(t, json.Unmarshal([]byte(get(t, page+"api/v1/snapshot")), &s))
	}
	of()
	require.NotNil(t, s.Work, "the page opens at %v", s.At)
	assert.Equal(t, technicianName, s.Work.By)
	assert.Equal(t, "switch", s.Work.Kind)
	assert.Equal(t, 3*time.Hour+30*time.Minute, s.Work.Ends.Sub(s.Work.Since).Round(2*time.Minute))
	require.Eventually(t, func() bool { of(); return s.Work == nil }, time.Minute, 50*time.Millisecond)
	for _, f := range s.Findings {
		assert.NotContains(t, []string{"motor-dead", "sense-fault", "link-resistive"}, f.Name)
	}
	assert.Zero(t, stop())
}

// A story that takes longer than two weeks to come out is played whole.
func TestALongerStoryIsPlayedWhole(t *testing.T) {
	for name, days := range map[string]int{
		"series-unequal": 21, "feed-lost": 14, "healthy-month": 14, "same-post-year": 60,
	} {
		sc, err := scenariofile.Load(name)
		require.NoError(t, err)
		assert.Equal(t, time.Duration(days)*24*time.Hour, demoCmd{}.past(&sc), name)
		given := time.Hour
		assert.Equal(t, given, demoCmd{Past: &given}.past(&sc))
	}
	slowtest.Long(t)
	page, _, stop := demo(t, "--scenario", "series-unequal", "--past", "504h")
	var s snapshot.Snapshot
	require.NoError(t, json.Unmarshal([]byte(get(t, page+"api/v1/snapshot")), &s))
	var found []string
	for _, f := range s.Findings {
		found = append(found, f.Name+" "+f.Subject)
	}
	assert.Contains(t, found, "blocks-unequal b")
	assert.Zero(t, stop())
}

// The next press that is told ahead is when the contact closes.
func TestTheNextLiftIsKnownAhead(t *testing.T) {
	sc, err := scenariofile.Load("healthy-light")
	require.NoError(t, err)
	u, err := sim.New(sc, 0)
	require.NoError(t, err)
	const from = 40 * time.Hour
	at, ok := u.NextPress(from, from+liftWithin)
	require.True(t, ok)
	u.AdvanceTo(at - time.Millisecond)
	assert.False(t, u.Signals().MotorCommand)
	u.AdvanceTo(at)
	assert.True(t, u.Signals().MotorCommand)
	_, ok = u.NextPress(at, at)
	assert.False(t, ok, "after, not at")
}
