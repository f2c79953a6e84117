package trial_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/draw"
	"liftbank/cmd/internal/score"
	"liftbank/cmd/internal/trial"
	"liftbank/cmd/slowtest"
	"liftbank/rules"
)

// The visit of the scenario visit-work.
const (
	workFrom = 2*day + 5*time.Hour
	workTo   = workFrom + 3*time.Hour + 30*time.Minute
)

// What a service visit does to a unit (disconnect, links, a charger and a load tester of a workshop)
// raises nothing when the monitor was told, whatever its sensors do, and looks like what it is not
// when it was not. The charge is followed as well as can be: what it is off by is within what is
// said of it.
func TestAVisitRaisesNothingWhenTheMonitorWasTold(t *testing.T) {
	slowtest.SkipUnderRace(t)
	for _, c := range []struct {
		style    draw.Style
		chargerA float64 // of the workshop's, past the sensor
		widest   float64 // %: standard deviation that the charge comes to, at the least
	}{{draw.Ideal, 4, 8}, {draw.Random, 15, 8}, {draw.Drifting, 25, 8}} {
		style := c.style
		t.Run(string(style), func(t *testing.T) {
			if style != draw.Random {
				slowtest.Long(t)
			}
			t.Parallel()
			sc := load(t, "visit-work")
			draw.Sensors(&sc, style, 7)
			for i := range sc.Faults {
				if f := &sc.Faults[i]; f.Kind == "posts-charged" {
					f.Amp = c.chargerA
				}
			}
			o := trial.Options{Coarse: trial.CoarseRest, RestEvery: 10 * time.Second}
			var then []any
			worst, widest := 0.0, 0.0
			told, _, err := trial.Run(t.Context(), sc, o, sc.Length(), func(x *trial.Trial, out *rules.Output) error {
				now := x.Now()
				assert.Equal(t, now >= workFrom+time.Minute && now < workTo, out.Work.On && now >= workFrom+time.Minute, "%v", now)
				if now < workFrom || x.Fast() {
					return nil
				}
				figures := []any{out.Links[0].Mohm, out.Links[1].Mohm}
				for i := range out.Battery {
					b := &out.Battery[i]
					figures = append(figures, b.Resistance, b.CapacityAh, b.CrankingA, b.Verdict, b.RunsJudged)
					if !b.SoCPct.Known {
						continue
					}
					off := math.Abs(b.SoCPct.Value - x.Rig.Unit.Truth().Batteries[i].SoCPct)
					worst, widest = max(worst, off/max(b.SoCPct.Sigma, 1)), max(widest, b.SoCPct.Sigma)
				}
				if then == nil {
					then = figures
				}
				if out.Work.On {
					require.Equal(t, then, figures, "%v", now)
				}
				return nil
			})
			require.NoError(t, err)
			assert.Empty(t, told.False)
			assert.Empty(t, raisedIn(told, workFrom, sc.Length()))
			assert.Less(t, worst, 3.0, "standard deviations that the charge was off")
			assert.Greater(t, widest, c.widest, "%: what may have passed the sensors is in doubt")
			t.Logf("%.2f sigma at worst, %.1f %% wide", worst, widest)

			sc.Work = nil
			untold, _, err := trial.Run(t.Context(), sc, o, workTo+2*time.Hour, nil)
			require.NoError(t, err)
			raised := raisedIn(untold, workFrom, sc.Length())
			for _, name := range []string{"motor-dead", "sense-fault"} {
				assert.Contains(t, raised, name)
			}
			t.Log(raised)
		})
	}
}

// raisedIn names what was raised, true or false, within a time.
func raisedIn(r *score.Report, from, to time.Duration) (names []string) {
	for _, f := range r.Findings {
		if f.DelayS != nil && f.OnsetS+*f.DelayS >= from.Seconds() && f.OnsetS+*f.DelayS < to.Seconds() {
			names = append(names, f.Finding)
		}
	}
	for _, f := range r.False {
		names = append(names, f.Finding)
	}
	slices.Sort(names)
	return slices.Compact(names)
}
