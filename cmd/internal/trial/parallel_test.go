package trial_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/trial"
)

// What had ended when a suite is broken off is given, and nothing of what had not.
func TestBrokenOffSuiteGivesWhatHasEnded(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	ended := 0
	all, err := trial.RunCapability(ctx, trial.Capability{Units: 50, First: 1, Days: 1, Workers: 1, Progress: func([]trial.AgedBattery) {
		if ended++; ended == 2 {
			stop()
		}
	}})
	require.ErrorIs(t, err, context.Canceled)
	seeds := map[uint64]bool{}
	for i := range all {
		seeds[all[i].Seed] = true
	}
	assert.Equal(t, map[uint64]bool{1: true, 2: true}, seeds)

	stop()
	rows, err := trial.RunSuite(ctx, trial.Suite{Seeds: 1, MaxDays: 3, Workers: 1})
	require.ErrorIs(t, err, context.Canceled)
	assert.Empty(t, rows)
}

// The healthy suite's sensors sit at the ends of their class, gains of voltages and negative taps included.
func TestSoundUnitsSensorsAreAtTheEndsOfTheirClass(t *testing.T) {
	for seed := range uint64(20) {
		sc, _ := trial.HealthyScenario(seed)
		gains := map[string]float64{}
		for _, e := range sc.Sensors.Errors {
			assert.NotContains(t, gains, e.Channel, "a channel errs twice")
			gains[e.Channel] = e.GainPct
		}
		for i, b := range sc.Bank.Batteries {
			assert.InDelta(t, 1, gains["voltage-"+b.ID]*gains["voltage-"+b.ID], 1e-9)
			assert.InDelta(t, 1, gains["current-"+b.ID]*gains["current-"+b.ID], 1e-9)
			if i > 0 {
				assert.InDelta(t, 1, gains["negative-"+b.ID]*gains["negative-"+b.ID], 1e-9)
			}
		}
		assert.InDelta(t, 1, gains["feed"]*gains["feed"], 1e-9)
		assert.InDelta(t, 1, gains["motor"]*gains["motor"], 1e-9)
	}
}
