package trial_test

import (
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

// outputAfter plays a scenario with the sensors at the limits of their class and returns the report
// with what was said at the end.
func outputAfter(t *testing.T, name string, length time.Duration, restarts trial.Restarts) (*score.Report,
	*rules.Output) {
	t.Helper()
	sc := load(t, name)
	draw.Sensors(&sc, draw.Limits, 3)
	var last *rules.Output
	options := trial.Options{RestEvery: 5 * time.Second, Restarts: restarts}
	rep, _, err := trial.Run(t.Context(), sc, options, length, func(_ *trial.Trial, out *rules.Output) error {
		last = out
		return nil
	})
	require.NoError(t, err)
	return rep, last
}

// An agent that loses power every three hours must know in the end what one knows that never did.
// One that saves nothing must not, or the comparison would show nothing.
func TestPowerCutsCostNoKnowledge(t *testing.T) {
	slowtest.Long(t)
	const length = 5 * day
	cuts := trial.Restarts{Every: 3*time.Hour + 7*time.Minute, Off: 40 * time.Second}
	blank := cuts
	blank.Blank = true
	wantRep, want := outputAfter(t, "battery-tired", length, trial.Restarts{})
	gotRep, got := outputAfter(t, "battery-tired", length, cuts)
	_, none := outputAfter(t, "battery-tired", length, blank)
	assert.Less(t, none.Motor.Runs, want.Motor.Runs/4)
	assert.InDelta(t, float64(want.Motor.Runs), float64(got.Motor.Runs), 0.03*float64(want.Motor.Runs),
		"runs while off, or since the last save")
	assert.Empty(t, gotRep.False)
	for i := range want.Battery {
		w, g := &want.Battery[i], &got.Battery[i]
		assert.InDelta(t, wantRep.Batteries[i].RMSPct, gotRep.Batteries[i].RMSPct, 0.3)
		assert.InDelta(t, w.SoCPct.Value, g.SoCPct.Value, 0.5)
		assert.Equal(t, w.Verdict, g.Verdict)
		assert.Equal(t, w.CrankingA.Known, g.CrankingA.Known)
		assert.InDelta(t, w.CrankingA.Value, g.CrankingA.Value, 0.01*w.CrankingA.Value)
		assert.InDelta(t, w.DrawnAh, g.DrawnAh, 0.03*w.DrawnAh)
		assert.False(t, none.Battery[i].CrankingA.Known, "20 runs are more than three hours of work")
	}
	for i := range want.Links {
		assert.Equal(t, want.Links[i].Mohm.Known, got.Links[i].Mohm.Known)
		assert.InDelta(t, want.Links[i].Mohm.Value, got.Links[i].Mohm.Value, 0.05)
	}
	assert.Equal(t, want.Bank.FullKnown, got.Bank.FullKnown)
	assert.InDelta(t, want.Bank.SinceFull.Hours(), got.Bank.SinceFull.Hours(), 0.1)
}

// A clock that is a year ahead in every other start, and trusted: no finding comes of it that does
// not come without.
func TestAClockAheadMakesNoFinding(t *testing.T) {
	slowtest.SkipUnderRace(t)
	length := 2 * day
	if slowtest.LongAsked() {
		length = 6 * day
	}
	cuts := trial.Restarts{Every: 25 * time.Hour, Off: 40 * time.Second}
	ahead := cuts
	ahead.Ahead = 365 * day
	_, want := outputAfter(t, "healthy-day", length, cuts)
	rep, got := outputAfter(t, "healthy-day", length, ahead)
	assert.Empty(t, rep.False)
	active := func(out *rules.Output) (names []string) {
		for i := range out.Findings {
			if out.Findings[i].Active() {
				names = append(names, out.Findings[i].Def.Name)
			}
		}
		return names
	}
	assert.Equal(t, active(want), active(got))
	assert.Greater(t, got.At.Mono, 365*day, "the clock was believed")
}
