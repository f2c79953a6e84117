package fitter_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/disk"
	"liftbank/agent/fit"
	settings "liftbank/agent/technician"
)

// On the terminal, too, what is corrected at the unit is named with what becomes of it, whether the configuration
// follows or not, and stands in the record.
func TestCorrectionsStoredAtTheUnitOnTheTerminal(t *testing.T) {
	for _, no := range []bool{false, true} {
		tr := newTrial(t, two(t), miswired(t, "swapped-clamps"), 5, true)
		term := tr.terminal(t)
		term.Kept = "/fit/visits"
		over, err := settings.Open("/fit/visits/technician.json")
		require.NoError(t, err)
		require.NoError(t, over.Set(&term.Config, settings.Change{
			Values: map[string]string{settings.ChannelPath("battery_current_a", settings.Offset): "0.3"}, By: "R. Vale", At: time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC),
		}))
		tr.fitter.No = no
		r, err := tr.fitter.Go(t.Context(), term)
		require.NoError(t, err, "%s", &tr.out)
		assert.Equal(t, !no, r.Written)
		assert.Contains(t, tr.out.String(), "Corrections stored at the unit:\n  The current sensor of battery a is corrected at the unit (offset 0.3 A, gain 1, by R. Vale "+
			"on 2026-05-04), and was measured without that; the correction goes to the current sensor of battery b with its sensor.")
		require.Len(t, r.Document.Stored, 1)
		s := r.Document.Stored[0]
		assert.Equal(t, fit.Stays, s.Fate)
		assert.Equal(t, map[bool]string{false: "battery_current_b", true: "battery_current_a"}[no], s.To)
		got, err := disk.ReadFile("/fit/unit.yaml")
		require.NoError(t, err)
		now := parse(t, got)
		over, err = settings.Look("/fit/visits/technician.json")
		require.NoError(t, err)
		over.Settle(&now)
		cfg, _ := over.Apply(now)
		for i := range cfg.Board.Channels {
			want := 0.0
			if cfg.Board.Channels[i].Name() == s.To {
				want = 0.3
			}
			if cfg.Board.Channels[i].Unit() == "A" {
				assert.Equal(t, want, cfg.Board.Channels[i].Calibration.Offset, cfg.Board.Channels[i].Name())
			}
		}
	}
}
