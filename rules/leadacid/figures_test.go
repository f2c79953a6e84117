package leadacid_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/leadacid"
)

// What temperature does, worked out by hand from the stated laws; beyond -40 and 60 °C nothing
// changes any more.
func TestColdAndWarmth(t *testing.T) {
	arrhenius := func(k, tempC float64) float64 { return math.Exp(k * (1/(tempC+273.15) - 1/298.15)) }
	acid := func(tempC float64) float64 {
		inv := 1 / (tempC + 273.15)
		return math.Exp((3440 - 721860*inv) * inv)
	}
	for _, tt := range []struct{ tempC, as float64 }{{-60, -40}, {-40, -40}, {-35, -35}, {0, 0}, {55, 55}, {60, 60}, {70, 60}} {
		assert.InDelta(t, math.Pow(1.25, (25-tt.as)/10), leadacid.AcceptanceFactor(tt.tempC), 1e-9, "%g °C", tt.tempC)
		assert.InDelta(t, 1+0.6*(acid(25)/acid(tt.as)-1), leadacid.ConductionFactor(tt.tempC), 1e-9, "%g °C", tt.tempC)
		assert.InDelta(t, arrhenius(2600, tt.as), leadacid.ReactionFactor(tt.tempC), 1e-9, "%g °C", tt.tempC)
		assert.InEpsilon(t, 0.3*math.Pow(2, (tt.as-25)/10), leadacid.Flooded.GassingA(100, 14.4, tt.tempC), 1e-9, "%g °C", tt.tempC)
	}
	for tempC, want := range map[float64]float64{-40: 4.055, -20: 2.043, 0: 1.341, 25: 1, 60: 0.8274} {
		assert.InEpsilon(t, want, leadacid.ColdFactor(tempC), 0.001, "%g °C", tempC)
	}
	// 4.5 % more per 10 °C off, up to 25 %.
	for tempC, want := range map[float64]float64{25: 0, 0: 0.1125, -20: 0.2025, -30: 0.2475, -38: 0.25, 50: 0.1125} {
		assert.InDelta(t, want, leadacid.CapacityShareSigma(tempC), 1e-9, "%g °C", tempC)
	}
	assert.Equal(t, 1.2, leadacid.CapacityShare(60))
	assert.InDelta(t, 1.1925, leadacid.CapacityShare(55), 0.0001)
	assert.InDelta(t, 0.198, leadacid.CapacityShare(-35), 0.0001)
	assert.Equal(t, 0.15, leadacid.CapacityShare(-39))
	// 1 + x(0.28 + 0.72 x³), x what is missing of what the cold leaves: 72 % at 0 °C, 40 % at least.
	for _, tt := range []struct{ tempC, soc, x float64 }{
		{25, 60, 0.4}, {0, 60, 0.4 / 0.72}, {-20, 80, 0.2 / 0.496}, {-35, 80, 0.2 / 0.4}, {-35, 50, 1}, {40, 60, 0.4},
	} {
		want := 1 + tt.x*(0.28+0.72*math.Pow(tt.x, 3))
		assert.InDelta(t, want, leadacid.ChargeFactor(tt.tempC, tt.soc), 1e-9, "%g °C, %g %%", tt.tempC, tt.soc)
	}
}

// What a charger may do: handbooks' settings fall by 4 mV a cell, published ones by 3.
func TestChargeVoltages(t *testing.T) {
	for _, c := range leadacid.All() {
		assert.InDelta(t, c.MaxChargeV25+25*0.024, c.MaxChargeV(0), 1e-9, "%v", c)
	}
	assert.InDelta(t, 14.4+25*0.018, leadacid.ChargeLimitV(14.4, 0), 1e-9)
	assert.InDelta(t, 14.4-10*0.018, leadacid.ChargeLimitV(14.4, 35), 1e-9)
	// A decade of gas per 1.2 V, no more of it above 17 V.
	assert.InEpsilon(t, 0.3*math.Pow(10, 2/1.2), leadacid.Flooded.GassingA(100, 16.4, 25), 1e-9)
	assert.InEpsilon(t, 0.3*math.Pow(10, 2.6/1.2), leadacid.Flooded.GassingA(100, 20, 25), 1e-9)
	assert.InEpsilon(t, 0.15*math.Pow(10, -1/1.2), leadacid.AGM.GassingA(100, 13.4, 25), 1e-9)
}

// The drop of a load and the steep end of a discharge.
func TestLoadedFigures(t *testing.T) {
	for perHour, want := range map[float64]float64{0: 0, 0.02: 0.0749, 0.05: 0.1400, 0.2: 0.2548, 0.5: 0.3326, -0.05: -0.1400} {
		assert.InDelta(t, want, leadacid.LoadedDropV(perHour), 0.0001, "%g", perHour)
	}
	for _, c := range leadacid.All() {
		// A 20 h discharge ends at 10.5 V, with nothing left.
		growth, _, kneeV, _ := c.LoadedV(0, 0)
		assert.InDelta(t, 1.8, growth, 1e-9)
		assert.InDelta(t, 10.5, c.RestedVFromSoC(0)-growth*leadacid.LoadedDropV(0.05)-kneeV, 1e-9, "%v", c)
		growth, perPct, whole, slope := c.LoadedV(50, 0)
		assert.InDelta(t, 1.4, growth, 1e-9)
		assert.InDelta(t, -0.008, perPct, 1e-9)
		assert.InDelta(t, kneeV*(0.03/0.53-0.03/1.03)/(1-0.03/1.03), whole, 1e-9, "%v", c)
		_, _, above, _ := c.LoadedV(50.01, 0)
		assert.InEpsilon(t, (above-whole)/0.01, slope, 0.001, "%v", c)
	}
	for _, tt := range []struct {
		c                         *leadacid.Chemistry
		perHour, tempC            float64
		wantLeft, rate, coldSigma float64
	}{
		{leadacid.Flooded, 0.05, 25, 0, 0, 0},
		{leadacid.Flooded, 0.01, 25, 0, 0, 0},
		{leadacid.Flooded, 0.2, 25, 15.33, 15.33, 0},
		{leadacid.AGM, 0.2, 25, 6.70, 6.70, 0},
		{leadacid.Gel, 0.5, 25, 10.87, 10.87, 0},
		{leadacid.Gel, 0.5, -10, 10.87 + 9.8, 10.87, 19.6},
		{leadacid.Flooded, 0.05, -25, 14, 0, 28},
		{leadacid.Flooded, 0.05, -30, 15, 0, 30},
		{leadacid.Flooded, 0.05, 40, 0, 0, 0},
	} {
		left, sigma := tt.c.LeftPct(tt.perHour, tt.tempC)
		assert.InDelta(t, tt.wantLeft, left, 0.01, "%+v", tt)
		assert.InDelta(t, math.Hypot(tt.rate, tt.coldSigma), sigma, 0.01, "%+v", tt)
	}
}

// The trade's chart of voltages in charge at a tenth of the capacity; a rested voltage above what it
// says is worth a fifth of the room between them.
func TestChargingChart(t *testing.T) {
	for _, tt := range []struct{ volt, rested, perHour, soc, sigma float64 }{
		{12.4, 11.5, 0.1, 10, 10}, {12.75, 11.5, 0.1, 30, 10}, {13.6, 11.5, 0.1, 70, 10}, {14.5, 11.5, 0.1, 90, 10},
		{15.5, 11.5, 0.1, 95, 10}, {11, 11.5, 0.1, 0, 10},
		{12.75, 14, 0.1, 30 + 0.2*70, 0.45 * 70},
		{12.75 - 2*0.05654, 11.5, 0.05, 30, 10}, // 56.5 mV less drop, taken twice
	} {
		soc, sigma := leadacid.Flooded.ChargingSoC(tt.volt, tt.rested, tt.perHour)
		assert.InDelta(t, tt.soc, soc, 0.02, "%+v", tt)
		assert.InDelta(t, tt.sigma, sigma, 0.02, "%+v", tt)
	}
}

func TestCrankingFigures(t *testing.T) {
	for _, tt := range []struct {
		c           *leadacid.Chemistry
		mohm, amps  float64
		share5h     float64 // of what a 20 h discharge gives, at four times its current
		heldBack20A float64
	}{
		{leadacid.Flooded, 3.325, 882.2, 0.7637, 27.53},
		{leadacid.AGM, 3.628, 962.3, 0.8795, 15.83},
		{leadacid.Gel, 3.563, 945.1, 0.8248, 21.37},
	} {
		assert.InEpsilon(t, tt.mohm, tt.c.RatedMohm(900), 0.0005, "%v", tt.c)
		assert.InEpsilon(t, tt.amps, tt.c.CrankingCurrentA(1.2, 1.8, 0.4), 0.0005, "%v", tt.c)
		assert.InEpsilon(t, tt.share5h, tt.c.RateShare(5), 0.0005, "%v", tt.c)
		assert.InEpsilon(t, tt.heldBack20A, tt.c.HeldBackAh(100, 20, 25), 0.0005, "%v", tt.c)
		assert.InEpsilon(t, tt.c.SlowShare*50, tt.c.HeldBackAh(100, 2.5, 25), 0.0005, "%v", tt.c)
	}
}
