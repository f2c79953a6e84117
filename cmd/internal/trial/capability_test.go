package trial_test

import (
	"bytes"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/trial"
)

// Through the whole agent, with its own charge and runs told by the command or by current alone: the stated uncertainty holds the error, a battery
// at 70 % is called, a sound one is not. The bounds are what this code was seen to give, a little rounded up.
func TestCapabilityOfAgedBatteries(t *testing.T) {
	if underRace {
		t.Skip("too long under the race detector; runs without it")
	}
	for name, noCommand := range map[string]bool{"by command": false, "by current alone": true} {
		t.Run(name, func(t *testing.T) {
			all, err := trial.RunCapability(t.Context(), trial.Capability{Units: 6, First: 300, Days: 3, Workers: 2, NoCommand: noCommand})
			require.NoError(t, err)
			var table bytes.Buffer
			require.NoError(t, trial.WriteCapability(&table, all, time.Minute))
			t.Log(table.String())
			judged := 0
			for i := range all {
				b := &all[i]
				if a := b.At[0]; a.Seen && a.Known {
					judged++
					assert.Less(t, math.Abs(a.OffPct), 3*a.SigmaPct, b.Sentence())
					assert.Less(t, math.Abs(a.OffPct), 20.0, b.Sentence())
				}
				if b.TrueShare > 0.9 {
					assert.Zero(t, b.CalledAt, b.Sentence())
				}
				if b.TrueShare < 0.7 && b.Runs >= 30 {
					assert.NotZero(t, b.CalledAt, b.Sentence())
				}
			}
			assert.Greater(t, judged, 5)
		})
	}
}
