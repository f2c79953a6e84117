package trial_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/trial"
	"liftbank/cmd/slowtest"
	"liftbank/rules"
	"liftbank/rules/power"
)

// Sixty days parked with one battery, with a monitor that sleeps and with one that doesn't: what it says that
// its board took is what it took, the charge is right, and only with the sleep there is a bank left to
// lift with. The same start has the days foretold against those that the awake one truly stands.
func TestWhatASleepingMonitorLeavesOfABank(t *testing.T) {
	slowtest.Long(t)
	play := func(sleeps bool) (lifts, drawnAh float64) {
		sc := load(t, "parked-sleep")
		if !sleeps {
			sc.Power.SleepAfter = 0
		}
		o := trial.Options{RestEvery: 10 * time.Second, Coarse: trial.CoarseRest}
		worst, foretold, without := 0.0, 0.0, 0.0
		rep, _, err := trial.Run(t.Context(), sc, o, sc.Length(), func(tr *trial.Trial, out *rules.Output) error {
			if soc := out.Battery[0].SoCPct; soc.Known && tr.Now() > 3*day && out.Bank.Rested {
				worst = max(worst, abs(soc.Value-tr.Rig.Unit.SoCPct(0)))
			}
			if foretold == 0 && tr.Now() > 6*day && out.Bank.Rested {
				tr.Core.Forecast()
				foretold, without = out.Power.Outlook.Days+6-2, out.Power.Outlook.Without
			}
			if sleeps && tr.Now() < 5*day {
				assert.NotEqual(t, power.Asleep, out.Power.Level, "parked for less than four days")
			}
			return nil
		})
		require.NoError(t, err)
		p := rep.Power
		assert.InDelta(t, p.TrueAh, p.DrawnAh, 0.03*p.TrueAh)
		assert.Less(t, worst, 8.0)
		t.Logf("sleeps %v: %+v, foretold %.0f days, without the monitor %.0f", sleeps, p, foretold, without)
		if sleeps {
			assert.Greater(t, foretold, 100.0)
			assert.Positive(t, p.Sleeps)
		} else {
			// 10 lifts are 5 % of the charge, three days of what the board and the battery itself take.
			assert.InDelta(t, 63, foretold, 10)
		}
		assert.Greater(t, without, foretold)
		return p.TrueLifts, p.DrawnAh
	}
	lifts, drawn := play(true)
	few, most := play(false)
	assert.Greater(t, lifts, 10*few)
	assert.Less(t, drawn, most/3)
}

func abs(x float64) float64 { return max(x, -x) }
