package trial_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/trial"
	"liftbank/rules"
)

// A unit of strings whose engine runs at every stop charges through all of its motor runs: its batteries can't be
// judged, and it is said why. Once the engine is off, they are.
func TestAnEngineThatRunsAtEveryStopIsNamed(t *testing.T) {
	for on, want := range map[bool]string{true: "waits.verdict-charger", false: ""} {
		sc := load(t, "series-healthy")
		sc.Duty.EngineAtStops = on
		u, err := trial.New(sc, trial.Options{Coarse: trial.CoarseRest})
		require.NoError(t, err)
		require.NoError(t, u.Play(t.Context(), 2*day, func(*rules.Output) error { return nil }))
		out := u.Core.Output()
		require.Greater(t, out.Motor.Runs, uint64(20))
		for k := range out.Battery {
			b := &out.Battery[k]
			assert.Equal(t, want, b.WaitsFor.Key(), "engine on: %v, %d runs judged", on, b.RunsJudged)
			assert.Equal(t, on, b.RunsJudged == 0)
		}
		silent := map[string]string{}
		for _, n := range u.Core.Snapshot("s", 1).NotJudged {
			silent[n.Name+" "+n.Subject] = n.Because.ID
		}
		assert.Equal(t, want, silent["battery-tired b"])
		assert.Equal(t, want, silent["battery-failed a"])
	}
}
