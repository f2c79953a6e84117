package trial_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/draw"
	"liftbank/cmd/internal/score"
	"liftbank/cmd/internal/trial"
	"liftbank/cmd/scenariofile"
	"liftbank/cmd/slowtest"
	"liftbank/rules"
	"liftbank/rules/loadtest"
	"liftbank/sim/scenario"
)

const day = 24 * time.Hour

func load(t testing.TB, name string) scenario.Scenario {
	t.Helper()
	sc, err := scenariofile.Load(name)
	require.NoError(t, err)
	return sc
}

func run(t *testing.T, name string, o trial.Options, length time.Duration) *score.Report {
	t.Helper()
	rep, _, err := trial.Run(t.Context(), load(t, name), o, length, nil)
	require.NoError(t, err)
	return rep
}

func TestFeedLostIsFoundAndNothingElseIs(t *testing.T) {
	rep := run(t, "feed-lost", trial.Options{}, day)
	require.Len(t, rep.Findings, 1)
	f := rep.Findings[0]
	assert.Equal(t, "feed-lost", f.Finding)
	assert.True(t, f.RootCause)
	require.NotNil(t, f.DetectedS)
	assert.Less(t, *f.DelayS, 600.0)
	assert.GreaterOrEqual(t, *f.DelayS, 0.0)
	assert.Empty(t, rep.False)
}

func TestScenariosOfTheFirstFindings(t *testing.T) {
	for name, want := range map[string]struct {
		finding string
		within  time.Duration
		length  time.Duration
	}{
		"series-wired": {"series-wired", 10 * time.Second, 5 * time.Hour},
		"sense-open":   {"sense-fault", 2 * time.Minute, 36 * time.Hour},
	} {
		t.Run(name, func(t *testing.T) {
			rep := run(t, name, trial.Options{}, want.length)
			assert.Empty(t, rep.False)
			for _, f := range rep.Findings {
				if f.Finding == want.finding {
					require.NotNil(t, f.DelayS, "%+v", f)
					assert.LessOrEqual(t, *f.DelayS, want.within.Seconds())
					return
				}
			}
			assert.Fail(t, "not in the report", "%+v", rep.Findings)
		})
	}
}

func TestAHealthyDayHasNoFindings(t *testing.T) {
	rep := run(t, "healthy-day", trial.Options{}, day)
	assert.Empty(t, rep.False)
	assert.Empty(t, rep.Findings)
	assert.Equal(t, rep.Runs.True, rep.Runs.Counted)
	assert.Positive(t, rep.Runs.True)
	for _, b := range rep.Batteries {
		assert.Less(t, b.RMSPct, 10.0, "battery %s", b.ID)
	}
}

// A scan each ten seconds at rest must count the same runs as one a second: the edges of the coil
// count.
func TestRunsDoNotDependOnTheScanRate(t *testing.T) {
	length := day
	if slowtest.LongAsked() {
		length = 4 * day
	}
	for _, step := range []time.Duration{time.Second, 10 * time.Second} {
		rep := run(t, "healthy-day", trial.Options{RestEvery: step}, length)
		assert.Equal(t, rep.Runs.True, rep.Runs.Counted, "every %v", step)
		assert.InDelta(t, rep.MotorS.True, rep.MotorS.Counted, 0.01)
	}
}

func TestPlayStopsWhenTold(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, _, err := trial.Run(ctx, load(t, "healthy-day"), trial.Options{}, day, nil)
	assert.ErrorIs(t, err, context.Canceled)
}

// One simulated day of a two-battery unit through estimator and rules. The metric is simulated
// seconds per second.
func BenchmarkSimulatedDay(b *testing.B) {
	sc := load(b, "healthy-day")
	for b.Loop() {
		if _, _, err := trial.Run(b.Context(), sc, trial.Options{}, day, nil); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(86400*float64(b.N)/b.Elapsed().Seconds(), "sim-s/s")
}

// A sound battery that gives a failed one's part looks weaker than it is: it is not accused, and its figure is known to be off.
func TestABatteryBesideAFailedOneIsNotAccused(t *testing.T) {
	slowtest.Long(t)
	for _, seed := range []uint64{650003, 650004} { // on both it was
		sc := load(t, "battery-failed")
		sc.Seed = seed
		draw.Sensors(&sc, draw.Random, seed)
		var last rules.Output
		rep, _, err := trial.Run(t.Context(), sc, trial.Options{Coarse: trial.CoarseRest, RestEvery: 10 * time.Second}, 14*day,
			func(_ *trial.Trial, out *rules.Output) error { last = *out; return nil })
		require.NoError(t, err)
		assert.Empty(t, rep.False)
		b := &last.Battery[1]
		assert.Equal(t, loadtest.Unknown, b.Verdict)
		require.NotNil(t, b.WaitsFor)
		assert.Contains(t, b.WaitsFor.Said(), "the failed battery beside it")
		assert.Equal(t, 2, rep.Capability.InBand, "%+v", rep.Capability)
	}
}
