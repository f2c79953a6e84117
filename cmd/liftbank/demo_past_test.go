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
		10*time.Second, 20*time.Millisecond)
	t.Logf("a lift %v after opening", time.Since(opened).Round(time.Millisecond))
	assert.Zero(t, stop())
}

// Whatever the day, a scenario's past ends on one of the last eight days, in its season, and what goes wrong
// has just done so.
func TestScenariosAreMovedToTheLastWeeks(t *testing.T) {
	for d := range 400 {
		now := time.Date(2026, 2, 1, 9, 30, 0, 0, time.UTC).AddDate(0, 0, d)
		for _, name := range []string{"feed-lost", "battery-tired", "healthy-cold", "sense-open"} {
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
		}
	}
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
