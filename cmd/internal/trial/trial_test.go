package trial_test

import (
	"bytes"
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent"
	"liftbank/cmd/internal/trial"
	"liftbank/cmd/scenariofile"
	"liftbank/sensors"
	"liftbank/sim/scenario"
)

func load(t testing.TB, name string) scenario.Scenario {
	t.Helper()
	sc, err := scenariofile.Load(name)
	require.NoError(t, err)
	return sc
}

// Both ways from the pins to the rules give the same scans: byte by byte over the bus through the real driver, and asking the same
// chips directly, which simulate does for speed. Sensor noise and a motor run are in it.
func TestBusAndShortcutGiveTheSameScans(t *testing.T) {
	sc := load(t, "healthy-day")
	sc.Sensors.Errors = append(sc.Sensors.Errors, scenario.SensorError{Channel: "voltage", Offset: 0.004, NoiseRMS: 0.002}, scenario.SensorError{Channel: "current", NoiseRMS: 0.1})
	core := func(throughBus bool) *agent.Core {
		cfg, err := trial.Config(&sc, "same", trial.Board{})
		require.NoError(t, err)
		rig, err := trial.NewRig(sc, cfg, throughBus)
		require.NoError(t, err)
		c, err := agent.NewCore(cfg, rig.Parts())
		require.NoError(t, err)
		return c
	}
	bus, direct := core(true), core(false)
	fast := 0
	for range 20000 {
		_, err := bus.Next(t.Context())
		require.NoError(t, err)
		_, err = direct.Next(t.Context())
		require.NoError(t, err)
		x, y := bus.Scan(), direct.Scan()
		require.Equal(t, describe(x), describe(y))
		if x.Fast {
			fast++
		}
	}
	assert.Greater(t, fast, 500, "a motor run was in it")
}

func describe(s *sensors.Scan) string { return fmt.Sprintf("%+v", *s) }

func TestFeedLostIsFoundAndNothingElseIs(t *testing.T) {
	rep, err := trial.Run(t.Context(), load(t, "feed-lost"), trial.Options{Days: 1})
	require.NoError(t, err)
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
		days    float64
	}{
		"series-wired": {"series-wired", 10 * time.Second, 0.2},
		"sense-open":   {"sense-fault", 2 * time.Minute, 1.5},
	} {
		t.Run(name, func(t *testing.T) {
			rep, err := trial.Run(t.Context(), load(t, name), trial.Options{Days: want.days})
			require.NoError(t, err)
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
	rep, err := trial.Run(t.Context(), load(t, "healthy-day"), trial.Options{})
	require.NoError(t, err)
	assert.Empty(t, rep.False)
	assert.Empty(t, rep.Findings)
	assert.Equal(t, rep.Runs.True, rep.Runs.Counted)
	assert.Positive(t, rep.Runs.True)
	for _, b := range rep.Batteries {
		assert.Less(t, b.RMSPct, 10.0, "battery %s", b.ID)
	}
}

// A scan every ten seconds at rest must count the same runs as one a second: the edges of the coil count.
func TestRunsDoNotDependOnTheScanRate(t *testing.T) {
	for _, step := range []time.Duration{time.Second, 10 * time.Second} {
		rep, err := trial.Run(t.Context(), load(t, "healthy-day"), trial.Options{Days: 4, RestEvery: step})
		require.NoError(t, err)
		assert.Equal(t, rep.Runs.True, rep.Runs.Counted, "every %v", step)
		assert.InDelta(t, rep.MotorS.True, rep.MotorS.Counted, 0.01)
	}
}

// What simulate writes as a curve, replay takes: the same estimates come out of the curve as went in beside it.
func TestCurveOfARunCanBeReplayed(t *testing.T) {
	var buf bytes.Buffer
	_, err := trial.Run(t.Context(), load(t, "healthy-day"), trial.Options{Days: 0.1, Curve: &buf})
	require.NoError(t, err)
	assert.Contains(t, buf.String(), "time_s,battery,voltage_v,current_a,temperature_c,true_soc_pct\n")
	assert.Greater(t, bytes.Count(buf.Bytes(), []byte("\n")), 10000)
}

// The estimator against its two yardsticks with the sensors at the limits of their class: told nothing, after a day.
func TestSuiteBeatsItsYardsticks(t *testing.T) {
	rows, err := trial.RunSuite(t.Context(), trial.Suite{Seeds: 1, MaxDays: 3, Workers: 2, Only: []string{"healthy-day", "balance-negative"}})
	require.NoError(t, err)
	require.Len(t, rows, 2)
	for _, r := range rows {
		assert.Less(t, r.RMSPct, 4.0, r.Scenario)
		assert.Less(t, 2*r.RMSPct, r.CountPct, r.Scenario)
	}
	assert.Less(t, rows[1].RMSPct, rows[1].TablePct)
	var table bytes.Buffer
	require.NoError(t, trial.WriteSuite(&table, rows))
	assert.Contains(t, table.String(), "over the library")
}

// A battery with a dead cell has no charge that could be said: silence instead of a wrong number.
func TestADeadCellsChargeIsNotSaid(t *testing.T) {
	rows, err := trial.RunSuite(t.Context(), trial.Suite{Seeds: 1, MaxDays: 5, Workers: 1, Only: []string{"cell-shorted"}})
	require.NoError(t, err)
	assert.Less(t, rows[0].KnownPct, 90.0)
	assert.Greater(t, rows[0].KnownPct, 50.0, "the sound one's is")
	assert.Less(t, rows[0].RMSPct, 4.0)
}

func TestSimulateStopsWhenTold(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := trial.Run(ctx, load(t, "healthy-day"), trial.Options{})
	assert.ErrorIs(t, err, context.Canceled)
}

// One simulated day of a two-battery unit through estimator and rules; the metric is simulated seconds a second.
func BenchmarkSimulatedDay(b *testing.B) {
	sc := load(b, "healthy-day")
	for b.Loop() {
		if _, err := trial.Run(b.Context(), sc, trial.Options{}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(86400*float64(b.N)/b.Elapsed().Seconds(), "sim-s/s")
}
