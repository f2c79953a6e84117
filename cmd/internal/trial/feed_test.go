package trial_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/draw"
	"liftbank/cmd/internal/score"
	"liftbank/cmd/internal/trial"
	"liftbank/cmd/slowtest"
)

// A converter set too low, a flat bank, a silent wake line and a fallen link are found with sensors
// that don't err, err at random and drift; and none of them is taken for something else.
func TestFeedFlatBankAndFallenLinkWithAnySensors(t *testing.T) {
	slowtest.SkipUnderRace(t)
	for _, c := range []struct {
		scenario, finding string
		length, within    time.Duration
		not               []string
	}{
		{"feed-low", "feed-low", 8 * day, 4 * day, []string{"feed-weak", "feed-lost"}},
		{"bank-flat", "bank-flat", 12 * day, day, []string{"reversed", "motor-starved", "sense-fault", "feed-lost"}},
		{"wake-broken", "wake-missing", 2 * day, day, []string{"feed-lost", "parked-drain"}},
		{"link-open", "link-resistive", 2 * day, day, []string{"battery-failed", "sense-fault"}},
	} {
		for _, style := range []draw.Style{draw.Ideal, draw.Random, draw.Drifting} {
			t.Run(c.scenario+" "+string(style), func(t *testing.T) {
				if c.length > 2*day || style != draw.Random {
					slowtest.Long(t)
				}
				sc := load(t, c.scenario)
				sc.Seed = 9101
				draw.Sensors(&sc, style, sc.Seed)
				rep, _, err := trial.Run(t.Context(), sc, trial.Options{Coarse: trial.CoarseRest,
					RestEvery: 10 * time.Second}, c.length, nil)
				require.NoError(t, err)
				k := slices.IndexFunc(rep.Findings, func(f score.FindingScore) bool {
					return f.Finding == c.finding && f.DelayS != nil
				})
				require.GreaterOrEqual(t, k, 0, "%+v", rep.Findings)
				assert.LessOrEqual(t, *rep.Findings[k].DelayS, c.within.Seconds())
				for _, f := range rep.False {
					assert.NotContains(t, c.not, f.Finding, "%+v", f)
				}
			})
		}
	}
}
