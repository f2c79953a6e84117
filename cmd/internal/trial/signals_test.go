package trial_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/trial"
	"liftbank/cmd/slowtest"
	"liftbank/rules"
	"liftbank/sim/scenario"
)

// What the extra signals tell apart, on simulated units: the first cause that each story shows, with
// its reason, and without those signals what was said before there were any.
func TestExtraSignalsTellWhere(t *testing.T) {
	slowtest.SkipUnderRace(t)
	for _, tt := range []struct {
		name, scenario, finding string
		days                    float64
		fitted                  []string
		change                  func(*scenario.Scenario)
		cause, why              string
	}{
		{"tractor side", "feed-tractor-dead", "feed-lost", 0.5, []string{"input", "indicator"}, nil,
			"feed-lost.breaker", "why.no-input-fuse"},
		{"converter", "feed-converter-dead", "feed-lost", 0.5, []string{"input", "indicator"}, nil,
			"feed-lost.converter", "why.input-good"},
		{"either, unfitted", "feed-converter-dead", "feed-lost", 0.5, nil, nil, "feed-lost.plug", "why.whole-but-silent"},
		{"output live, by its lamp", "charge-breaker-open", "feed-lost", 2, []string{"indicator"}, nil,
			"feed-lost.breaker", "why.does-not-arrive"},
		{"tractor's cable", "feed-weak-cable", "feed-weak", 2, []string{"input"}, nil, "feed-weak.cable", "why.cable-drops"},
		{"cable, unfitted", "feed-weak-cable", "feed-weak", 2, nil, nil, "feed-weak.cable", "why.sags-before-converter"},
		{"weak converter", "feed-weak-cable", "feed-weak", 2, []string{"input"}, func(sc *scenario.Scenario) {
			sc.Faults, sc.Feed.MinInputV = nil, 13.6 // it derates although its input holds up
		}, "feed-weak.converter", "why.input-holds"},
		{"hot day", "hot", "hot", 3, []string{"ambient"}, nil, "hot.location", "why.hot-day"},
		{"control breaker", "control-breaker", "control-dead", 1, []string{"control"}, nil,
			"control-dead.breaker", "why.disconnect-closed"},
		{"contactor, controls alive", "motor-dead", "motor-dead", 2, []string{"control"}, nil,
			"motor-dead.contactor", "why.disconnect-closed"},
		{"lamp fuse", "lamp-fuse", "indicator-dead", 0.5, []string{"indicator"}, nil, "indicator-dead.fuse", "why.output-live"},
		{"relief low", "relief-low", "relief-off", 1, []string{"oil"}, nil, "relief-off.low", "why.opens-below"},
		{"relief high", "relief-high", "relief-off", 1, []string{"oil"}, nil, "relief-off.high", "why.opens-above"},
		{"held at the stop", "motor-overrun", "motor-overrun", 3, []string{"oil"}, nil,
			"motor-overrun.held", "why.held-at-relief"},
		{"dragging pump", "motor-hungry", "motor-hungry", 8, []string{"oil"}, nil, "motor-hungry.pump", "why.pressure-usual"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if tt.days > 0.5 && tt.name != "relief low" {
				slowtest.Long(t)
			}
			sc := load(t, tt.scenario)
			sc.Sensors.Fitted, sc.Days = tt.fitted, tt.days
			if tt.change != nil {
				tt.change(&sc)
			}
			r, err := trial.New(sc, trial.Options{})
			require.NoError(t, err)
			cause, why := "", ""
			require.NoError(t, r.Play(t.Context(), sc.Length(), func(out *rules.Output) error {
				for i := range out.Findings {
					f := &out.Findings[i]
					if cause == "" && f.Def.Name == tt.finding && f.Active() && len(f.Likely) > 0 {
						cause, why = f.Likely[0].Cause.ID, f.Likely[0].Reason.ID
					}
				}
				return nil
			}))
			assert.Equal(t, tt.cause, cause)
			assert.Equal(t, tt.why, why)
		})
	}
}

// A healthy unit with every signal has no finding that the same unit without them has not.
func TestExtraSignalsAccuseNobody(t *testing.T) {
	slowtest.SkipUnderRace(t)
	slowtest.Long(t)
	for _, name := range []string{"healthy-day", "healthy-cold", "healthy-hot", "healthy-month", "breaker-trips"} {
		raised := func(fitted ...string) map[string]int {
			sc := load(t, name)
			sc.Sensors.Fitted, sc.Days = fitted, min(sc.Days, 10)
			r, err := trial.New(sc, trial.Options{Coarse: trial.CoarseRest, RestEvery: 10 * time.Second})
			require.NoError(t, err)
			got := map[string]int{}
			require.NoError(t, r.Play(t.Context(), sc.Length(), func(out *rules.Output) error {
				for _, e := range out.Events {
					if e.Kind == rules.FindingRaised {
						got[out.Findings[e.Finding].Def.Name]++
					}
				}
				return nil
			}))
			return got
		}
		assert.Equal(t, raised(), raised("input", "control", "ambient", "oil", "indicator"), name)
	}
}
