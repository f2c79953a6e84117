package trial_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/score"
	"liftbank/cmd/internal/trial"
	"liftbank/cmd/slowtest"
	"liftbank/rules"
	"liftbank/rules/unit"
)

// Motor runs whose scans are thinned out, as a demonstration's past has them, count the same and lead to the same verdicts and
// findings; figures are within a standard deviation of those from all scans.
func TestThinnedRunsSayTheSame(t *testing.T) {
	slowtest.SkipUnderRace(t)
	length := map[string]time.Duration{"battery-tired": 52 * time.Hour}
	if slowtest.LongAsked() {
		for _, name := range []string{"battery-tired", "cycled-agm", "link-resistive", "motor-hungry"} {
			length[name] = 3*day + 12*time.Hour
		}
	}
	for name, length := range length {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			play := func(sparse bool) (*score.Report, rules.Output, uint64) {
				var last rules.Output
				var scans uint64
				r, _, err := trial.Run(t.Context(), load(t, name), trial.Options{Coarse: 10 * time.Second, Sparse: sparse}, length,
					func(x *trial.Trial, out *rules.Output) error {
						last, scans = *out, x.Scans()
						last.Battery, last.Links = slices.Clone(out.Battery), slices.Clone(out.Links)
						return nil
					})
				require.NoError(t, err)
				return r, last, scans
			}
			all, want, scans := play(false)
			thin, got, fewer := play(true)
			assert.Less(t, fewer, scans*2/3)
			assert.Equal(t, want.Motor.Runs, got.Motor.Runs)
			assert.InDelta(t, want.Motor.RunTime.Seconds(), got.Motor.RunTime.Seconds(), 0.001*want.Motor.RunTime.Seconds())
			names := func(r *score.Report) (out []string) {
				for _, f := range r.Findings {
					if f.DelayS != nil {
						out = append(out, f.Finding)
					}
				}
				for _, f := range r.False {
					out = append(out, "false "+f.Finding)
				}
				return out
			}
			assert.Equal(t, names(all), names(thin))
			within := func(what string, a, b unit.Estimate) {
				require.Equal(t, a.Known, b.Known, what)
				assert.LessOrEqual(t, math.Abs(a.Value-b.Value), a.Sigma, what)
				assert.InEpsilon(t, max(a.Sigma, 1e-9), max(b.Sigma, 1e-9), 0.3, what)
			}
			for i := range want.Battery {
				a, b := &want.Battery[i], &got.Battery[i]
				assert.Equal(t, a.Verdict, b.Verdict)
				assert.Equal(t, a.RunsJudged, b.RunsJudged)
				within("cranking", a.CrankingA, b.CrankingA)
				within("resistance", a.Resistance, b.Resistance)
				within("charge", a.SoCPct, b.SoCPct)
			}
			for i := range want.Links {
				within("link", want.Links[i].Mohm, got.Links[i].Mohm)
			}
			t.Logf("%d scans instead of %d; cranking of b %.1f ± %.1f and %.1f ± %.1f A", fewer, scans, got.Battery[1].CrankingA.Value,
				got.Battery[1].CrankingA.Sigma, want.Battery[1].CrankingA.Value, want.Battery[1].CrankingA.Sigma)
		})
	}
}
