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

// Freezing points by specific gravity (whole °F, here in °C): a vehicle manual's storage table and
// US Army TM-5-1185, every row, to 1.5 °C; and a third published set (Battery Council style), which
// runs 10 to 13 °C colder: an acid may not freeze later than it says. Water at 10 % acid by weight
// freezes at -4.5 °C (handbooks, from memory).
func TestFreezingPointsAgainstPublishedTables(t *testing.T) {
	rows := [][2]float64{
		{1.265, -59.4}, {1.225, -37.2}, {1.200, -27.2}, {1.150, -15.0}, {1.100, -7.8}, {1.050, -2.8},
		{1.280, -67.8}, {1.250, -52.2}, {1.200, -26.7}, {1.150, -15.0}, {1.100, -7.2}, {1.067, -4.5},
	}
	for _, r := range rows {
		assert.InDelta(t, r[1], between(freezing[:], r[0]), 1.5, "%v", r[0])
	}
	for _, r := range [][2]float64{{1.265, -59.4}, {1.225, -48.3}, {1.190, -36.7}, {1.155, -26.7}, {1.120, -23.3}} {
		assert.GreaterOrEqual(t, between(freezing[:], r[0]), r[1], "%v", r[0])
	}
}

// A battery's acid over charge: the gravities of the Battery Council table (steps of 0.005). The
// battery freezes where acid of its own gravity does, gravity by another fit of the density table.
func TestBatteryFreezesAtItsGravity(t *testing.T) {
	for soc, gravity := range map[float64]float64{100: 1.265, 75: 1.225, 50: 1.190, 25: 1.155, 0: 1.120} {
		b := batteryOf(t, Flooded, soc)
		own := specificGravity(b.RestedMolality())
		assert.InDelta(t, gravity, own, 0.006, "%v %%", soc)
		assert.InDelta(t, between(freezing[:], own), b.FreezingC(), 1, "%v %%", soc)
	}
	assert.Less(t, batteryOf(t, AGM, 50).FreezingC(), batteryOf(t, Flooded, 50).FreezingC(), "stronger acid")
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

func TestGassingRisesWithVoltageAndHeat(t *testing.T) {
	b := batteryOf(t, Flooded, 100)
	assert.Greater(t, b.HeldGassingA(14.4, 35), b.HeldGassingA(14.4, 25))
	assert.Greater(t, b.HeldGassingA(15, 25), 2*b.HeldGassingA(14.4, 25))
}
