package trial_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/trial"
	"liftbank/cmd/scenariofile"
	"liftbank/rules"
)

// outputAfter runs a scenario with the sensors at the limits of their class and gives the report with what was said at the end.
func outputAfter(t *testing.T, name string, days float64, restarts trial.Restarts) (*trial.Report, *rules.Output) {
	t.Helper()
	sc, err := scenariofile.Load(name)
	require.NoError(t, err)
	trial.SensorClass(&sc, 3)
	rep, out, err := trial.RunToOutput(t.Context(), sc, trial.Options{Days: days, Restarts: restarts})
	require.NoError(t, err)
	return rep, out
}

// An agent that loses power every three hours must know in the end what one knows that never did; one that saves nothing must not, or
// the comparison would show nothing.
func TestPowerCutsCostNoKnowledge(t *testing.T) {
	if underRace {
		t.Skip("simulates many days; run without the race detector")
	}
	const days = 5
	cuts := trial.Restarts{Every: 3*time.Hour + 7*time.Minute, Off: 40 * time.Second}
	blank := cuts
	blank.Blank = true
	wantRep, want := outputAfter(t, "battery-tired", days, trial.Restarts{})
	gotRep, got := outputAfter(t, "battery-tired", days, cuts)
	_, none := outputAfter(t, "battery-tired", days, blank)
	assert.Less(t, none.Motor.Runs, want.Motor.Runs/4)
	assert.InDelta(t, float64(want.Motor.Runs), float64(got.Motor.Runs), 0.03*float64(want.Motor.Runs), "runs while off, or since the last save")
	assert.Empty(t, gotRep.False)
	for i := range want.Battery {
		w, g := &want.Battery[i], &got.Battery[i]
		assert.InDelta(t, wantRep.Batteries[i].RMSPct, gotRep.Batteries[i].RMSPct, 0.3)
		assert.InDelta(t, w.SoCPct.Value, g.SoCPct.Value, 0.5)
		assert.Equal(t, w.Verdict, g.Verdict)
		assert.Equal(t, w.CrankingA.Known, g.CrankingA.Known)
		assert.InDelta(t, w.CrankingA.Value, g.CrankingA.Value, 0.01*w.CrankingA.Value)
		assert.InDelta(t, w.DrawnAh, g.DrawnAh, 0.03*w.DrawnAh)
		assert.False(t, none.Battery[i].CrankingA.Known, "20 runs are more than three hours of work")
	}
	for i := range want.Links {
		assert.Equal(t, want.Links[i].Mohm.Known, got.Links[i].Mohm.Known)
		assert.InDelta(t, want.Links[i].Mohm.Value, got.Links[i].Mohm.Value, 0.05)
	}
	assert.Equal(t, want.Bank.FullKnown, got.Bank.FullKnown)
	assert.InDelta(t, want.Bank.SinceFull.Hours(), got.Bank.SinceFull.Hours(), 0.1)
}

// A clock that jumps is wrong for its while, by as much, and right again.
func TestAClockJumps(t *testing.T) {
	sc, err := scenariofile.Load("healthy-day")
	require.NoError(t, err)
	cfg, err := trial.Config(&sc, "simulated", trial.Board{})
	require.NoError(t, err)
	rig, err := trial.NewRig(sc, cfg, false)
	require.NoError(t, err)
	jumps := []trial.ClockJump{{At: 10 * time.Minute, For: 20 * time.Minute, By: -48 * time.Hour}}
	for _, c := range []struct{ at, off time.Duration }{{5 * time.Minute, 0}, {15 * time.Minute, -48 * time.Hour}, {40 * time.Minute, 0}} {
		wall, err := trial.WallAt(rig, jumps, c.at)
		jumps = nil // set for good
		require.NoError(t, err)
		assert.Equal(t, sc.Start.Add(c.at+c.off), wall)
	}
}
