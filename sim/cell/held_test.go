package cell

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func batteryOf(t *testing.T, c Chemistry, socPct float64) *Battery {
	b, err := New(Spec{Chemistry: c, RatedAh: 100, RatedCCA: 900}, socPct, 25)
	require.NoError(t, err)
	return &b
}

// Third published set of freezing points (Battery Council style), which runs colder: an acid may
// not freeze later than it says. Charges and gravities are those of the Battery Council table.
func TestFreezingPointsAgainstAnotherTable(t *testing.T) {
	for soc, want := range map[float64]struct{ gravity, notUnderC float64 }{
		100: {1.265, -75}, 75: {1.225, -48.3}, 50: {1.190, -36.7}, 25: {1.155, -26.7}, 0: {1.120, -23.3},
	} {
		b := batteryOf(t, Flooded, soc)
		assert.InDelta(t, want.gravity, Gravity(b.RestedMolality()), 0.006, "%v %%", soc)
		assert.Greater(t, b.FreezingC(), want.notUnderC, "%v %%", soc)
	}
	assert.Less(t, batteryOf(t, AGM, 50).FreezingC(), batteryOf(t, Flooded, 50).FreezingC(), "stronger acid")
	assert.InDelta(t, -4.5, between(freezing[:], 1.067), 1.5, "10 %% by weight: -4.5 °C (handbooks, from memory)")
}

// Lower than published voltages take longer to fill a battery, by the acceptance of the plates.
func TestRefillTakesLongerAtALowVoltage(t *testing.T) {
	for _, c := range []Chemistry{Flooded, AGM, Gel} {
		b := batteryOf(t, c, 50)
		before := *b
		right := b.RefillH(14.4, 25)
		assert.Equal(t, before, *b, "it is a trial")
		t.Logf("%s: 14.4 V %.2f h", c, right)
		assert.True(t, right > 0.5 && right < 8, "%s: %v h", c, right)
		last := right
		for _, v := range []float64{14.2, 14.0, 13.8, 13.6} {
			h := b.RefillH(v, 25)
			t.Logf("%s: %.1f V %.2f times", c, v, h/right)
			assert.Greater(t, h, last)
			last = h
		}
		assert.InDelta(t, 100, b.RefillH(12.6, 25), 0, "never")
		t.Logf("%s: 14.4 V at -10 °C %.2f times", c, b.RefillH(14.4, -10)/b.RefillH(14.4+35*0.018, -10))
		t.Logf("%s: 13.8 V at 5 °C %.2f times", c, b.RefillH(13.8, 5)/b.RefillH(14.4+20*0.018, 5))
	}
}

// Published: strong gassing sets in at 2.39 V a cell at 25 °C and 2.30 V at 50 °C (starter battery
// handbook style table, from memory).
func TestGassingRisesWithVoltageAndHeat(t *testing.T) {
	b := batteryOf(t, Flooded, 100)
	at25, at50 := b.HeldGassingA(14.34, 25), b.HeldGassingA(13.80, 50)
	assert.True(t, at50/at25 > 0.5 && at50/at25 < 3, "%v A and %v A at the onsets", at25, at50)
	assert.Greater(t, b.HeldGassingA(15, 25), 2*b.HeldGassingA(14.4, 25))
}
