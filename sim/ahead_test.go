package sim_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/scenariofile"
	"liftbank/sim"
	"liftbank/sim/scenario"
)

func aheadUnit(t *testing.T, change func(*scenario.Scenario)) *sim.Unit {
	t.Helper()
	sc, err := scenariofile.Load("healthy-day")
	require.NoError(t, err)
	change(&sc)
	u, err := sim.New(sc, 0)
	require.NoError(t, err)
	return u
}

// What is found ahead moves nothing, is the same again, and follows from what a lift takes: about a
// third of an ampere hour (120 A for 11 s), of a bank of 200 Ah of which the rate leaves some 80 %.
func TestLiftsLeftLooksOnly(t *testing.T) {
	u := aheadUnit(t, func(sc *scenario.Scenario) { sc.Duty.NudgesPerStop = [2]int{} })
	u.AdvanceTo(3 * time.Hour)
	before := u.Truth().Batteries
	lifts := u.LiftsLeft(9.6, 0, 5000).Left
	assert.Equal(t, lifts, u.LiftsLeft(9.6, 0, 5000).Left)
	assert.Equal(t, before, u.Truth().Batteries)
	assert.InDelta(t, 0.8*200/0.37*u.SoCPct(0)/100, lifts, 120)
	assert.Less(t, u.LiftsLeft(9.6, 50, 5000).Left, 0.65*lifts, "a floor ends it sooner")
	assert.Less(t, u.LiftsLeft(11.7, 0, 5000).Left, 0.8*lifts, "a lift that needs more voltage, too")
	assert.Equal(t, 10.0, u.LiftsLeft(9.6, 0, 10).Left)
}

func TestLiftsLeftFallWithColdAndCharge(t *testing.T) {
	lifts := func(tempC, soc float64) float64 {
		return aheadUnit(t, func(sc *scenario.Scenario) {
			sc.Weather = scenario.Weather{MeanC: tempC, WarmestDay: 200}
			for i := range sc.Bank.Batteries {
				sc.Bank.Batteries[i].SoCPct = soc
			}
		}).LiftsLeft(9.6, 0, 5000).Left
	}
	warm := lifts(25, 90)
	assert.Less(t, lifts(-20, 90), 0.5*warm)
	assert.Less(t, lifts(25, 45), 0.55*warm)
}

// A bank at 50 % that takes 35 A needs 3 h and more, and so on without end with the feed off.
func TestTimeToFullRunsTheFeed(t *testing.T) {
	u := aheadUnit(t, func(sc *scenario.Scenario) {
		for i := range sc.Bank.Batteries {
			sc.Bank.Batteries[i].SoCPct = 50
		}
	})
	_, ok := u.TimeToFull(48 * time.Hour)
	assert.False(t, ok, "no feed before the first departure")
	u.AdvanceTo(65 * time.Minute) // departure is at 6:00, the scenario begins at 5:00
	require.True(t, u.Signals().WakeLine)
	got, ok := u.TimeToFull(48 * time.Hour)
	require.True(t, ok)
	assert.Greater(t, got.Hours(), (0.98-u.SoCPct(0)/100)*200/40)
	assert.Less(t, got.Hours(), 8.0)
}
