package rig_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent"
	"liftbank/sim/scenario"
)

// A unit of 24 V from its pins to the snapshot: each battery has its own voltage and its string's current, a
// string the sum, and what has no meaning there is left out.
func TestASnapshotOfStrings(t *testing.T) {
	for _, layout := range []string{scenario.Series, scenario.SeriesPairs} {
		sc := scenario.DefaultFor(layout)
		sc.Complete()
		r := newRig(t, sc, false)
		core, err := agent.NewCore(r.Config, r.Parts())
		require.NoError(t, err)
		for r.Clock.Now() < 9*time.Hour {
			_, err := core.Next(t.Context())
			require.NoError(t, err)
		}
		for core.Output().Motor.Running || core.Scan().Fast { // a quiet moment
			_, err := core.Next(t.Context())
			require.NoError(t, err)
		}
		s, truth := core.Snapshot("test", 1), r.Unit.Signals()
		require.Equal(t, layout, s.Bank.Layout)
		assert.Equal(t, 2, s.Blocks())
		assert.Empty(t, s.Bank.Mixed)
		require.Len(t, s.Strings, len(sc.Bank.Batteries)/2)
		require.NotNil(t, s.Bank.VoltageV)
		assert.InDelta(t, truth.Battery[1].PositiveV, *s.Bank.VoltageV, 0.05)
		for i, b := range s.Batteries {
			below := 0.0
			if i%2 == 1 {
				below = truth.Battery[i-1].PositiveV
			}
			require.NotNil(t, b.VoltageV, b.ID)
			assert.InDelta(t, truth.Battery[i].PositiveV-below, *b.VoltageV, 0.01, b.ID)
			require.NotNil(t, b.CurrentA, b.ID)
			assert.InDelta(t, truth.Battery[i/2*2].CurrentA, *b.CurrentA, 0.5, b.ID)
			assert.Nil(t, b.DrawSharePct.Value, "shares are of strings")
			require.NotNil(t, b.SoCPct.Value, b.ID)
		}
		for k, st := range s.Strings {
			assert.Equal(t, []string{string("abcd"[2*k]), string("abcd"[2*k+1])}, []string{st.From, st.To})
			assert.Equal(t, layout == scenario.SeriesPairs, st.DrawSharePct.Value != nil)
			require.NotNil(t, st.VoltageV)
			assert.InDelta(t, truth.Battery[2*k+1].PositiveV-truth.Battery[2*k].NegativeV, *st.VoltageV, 0.02)
		}
		sides := map[string]int{}
		for _, l := range s.Links {
			sides[l.Side]++
		}
		want := map[string]int{"middle": len(s.Strings)}
		if layout == scenario.SeriesPairs {
			want["positive"], want["negative"] = 1, 1
		}
		assert.Equal(t, want, sides)
		require.NotNil(t, s.Motor.LastRun)
		assert.Less(t, s.Motor.LastRun.MinBankV, 26.0)
		assert.Greater(t, s.Motor.LastRun.MinBankV, 18.0)
		for _, b := range s.Motor.LastRun.Batteries {
			assert.Less(t, b.DropMohm, 8.0, "of one battery, not of its string: %+v", b)
		}
		for _, f := range s.Findings {
			assert.False(t, f.Active, f.Name)
		}
		// What the rules are handed stays what was measured; the own readings are beside it.
		assert.InDelta(t, truth.Battery[1].PositiveV, core.Input().Battery[1].VoltageV.Value, 0.01)
		own := core.Own().Battery[1]
		assert.InDelta(t, truth.Battery[1].PositiveV-truth.Battery[0].PositiveV, own.VoltageV.Value, 0.01)
		assert.InDelta(t, truth.Battery[0].CurrentA, own.CurrentA.Value, 0.5)
	}
}
