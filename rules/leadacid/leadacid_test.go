package leadacid_test

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/leadacid"
)

// Battery Council state-of-charge table at 26.7 °C, flooded and gel columns as reprinted; the AGM
// column from memory.
func TestRestedVoltageIsThePublishedTable(t *testing.T) {
	at := func(c *leadacid.Chemistry, soc, v267 float64) {
		t.Helper()
		v25, _ := leadacid.RestedVAtReference(v267, 26.7)
		got, _ := c.SoCFromRestedV(v25)
		assert.InDelta(t, soc, got, 0.01, "%v at %g V", c, v267)
		assert.InDelta(t, v25, c.RestedVFromSoC(soc), 1e-9)
	}
	for i, soc := range []float64{100, 75, 50, 25, 0} {
		at(leadacid.Flooded, soc, []float64{12.65, 12.45, 12.24, 12.06, 11.89}[i])
		at(leadacid.Gel, soc, []float64{12.80, 12.60, 12.40, 12.00, 11.80}[i])
		at(leadacid.AGM, soc, []float64{12.80, 12.60, 12.30, 12.00, 11.80}[i])
	}
}

// Temperature-corrected state-of-charge sheet (a reprint of US practice): full flooded block at
// each row. The thermodynamic coefficient, 0.2 mV per °C and cell (Bode 1977, from memory), is the
// other side; both must lie within one sigma.
func TestTemperatureShiftLiesBetweenItsSources(t *testing.T) {
	rows := map[float64]float64{
		-17.8: 12.516,
		-12.2: 12.542,
		-6.7:  12.566,
		-1.1:  12.588,
		4.4:   12.606,
		10:    12.622,
		15.6:  12.634,
		21.1:  12.643,
		26.7:  12.650,
		32.2:  12.655,
		37.8:  12.658,
		43.3:  12.661,
		48.9:  12.663,
	}
	for c, sheetV := range rows {
		shift, sigma := leadacid.TemperatureShiftV(c)
		assert.LessOrEqual(t, math.Abs(12.650+shift-sheetV), sigma+1e-9, "sheet at %g °C", c)
		assert.LessOrEqual(t, math.Abs(shift-6*0.0002*(c-26.7)), sigma+1e-9, "theory at %g °C", c)
	}
}

// General literature, from memory: 1.5 to 2.0 times at -18 °C; 1.1 to 1.3 times at half charge, 1.5
// to 2.5 empty.
func TestResistanceFactorStaysInItsPublishedBands(t *testing.T) {
	in := func(low, high, got float64) {
		t.Helper()
		assert.True(t, got >= low && got <= high, "%g: want %g to %g", got, low, high)
	}
	in(1-1e-9, 1+1e-9, leadacid.ResistanceFactor(25, 100))
	in(1.5, 2.0, leadacid.ResistanceFactor(-18, 100))
	in(1.1, 1.3, leadacid.ResistanceFactor(25, 50))
	in(1.5, 2.5, leadacid.ResistanceFactor(25, 0))
	in(-0.010, -0.005, (leadacid.ResistanceFactor(27, 100)-leadacid.ResistanceFactor(23, 100))/4)
}

// A new battery just meets its rated CCA, and shows about the 3.0 V/CCA of the rule of thumb (from
// memory, "must be fitted") near 25 °C; the resistance that just passes J537 (5.32 V/CCA flooded,
// computed) is 1.5 to 2.0 times that (general literature, from memory).
func TestANewBatteryMeetsItsRating(t *testing.T) {
	cold, _ := leadacid.TemperatureShiftV(leadacid.CrankingC)
	ref, _ := leadacid.TemperatureShiftV(leadacid.ReferenceC)
	for _, c := range []*leadacid.Chemistry{leadacid.Flooded, leadacid.AGM, leadacid.Gel} {
		dropV := c.RestedVFromSoC(100) - ref + cold - leadacid.CrankingEnd
		for _, cca := range []float64{500, 650, 750, 850, 950, 1000} {
			mohm := c.RatedMohm(cca)
			const rest = 1 - leadacid.LayerShare
			amps := c.CrankingCurrentA(rest*leadacid.MetalShare*mohm, rest*(1-leadacid.MetalShare)*mohm,
				leadacid.LayerShare*mohm)
			assert.InDelta(t, cca, amps, 1e-6, "%v", c)
			assert.InDelta(t, 3.0, rest*mohm*cca/1000, 0.6, "%v: what shows at once, as testers have it", c)
			assert.InDelta(t, 1.75, 1000*dropV/cca/mohm, 0.26, "%v", c)
		}
	}
}

// Two trade articles (2004 and later): 25 % more resistance goes with about 80 % of performance.
// From a cold-proof part alone it is less, from the acid's alone more.
func TestMoreResistanceIsLessCapability(t *testing.T) {
	const m, a = leadacid.MetalShare * 4, (1 - leadacid.MetalShare) * 4
	for _, c := range []*leadacid.Chemistry{leadacid.Flooded, leadacid.AGM, leadacid.Gel} {
		full := c.CrankingCurrentA(m, a, 0)
		assert.InDelta(t, 0.80, c.CrankingCurrentA(1.25*m, 1.25*a, 0)/full, 1e-9)
		assert.Greater(t, c.CrankingCurrentA(m+1, a, 0)/full, 0.85)
		assert.Less(t, c.CrankingCurrentA(m, a+1, 0)/full, 0.78)
		assert.InDelta(t, 0.61, c.CrankingShortA(full)/full, 0.015, "five cells of 2.1 V instead of six")
	}
}

// Load test at half CCA: least voltages of vehicle service manuals (2004 to 2020, same values). A
// new battery's first 100 ms keep well clear of them, one at half its rating passes nowhere.
func TestHalfCCALoadTestIsConsistent(t *testing.T) {
	rows := map[float64]float64{21: 9.6, 16: 9.5, 10: 9.4, 4: 9.3, -1: 9.1, -7: 8.9, -12: 8.7, -18: 8.5}
	for tempC, leastV := range rows {
		for _, c := range []*leadacid.Chemistry{leadacid.Flooded, leadacid.AGM, leadacid.Gel} {
			shift, _ := leadacid.TemperatureShiftV(tempC)
			ref, _ := leadacid.TemperatureShiftV(25)
			rested := c.RestedVFromSoC(100) - ref + shift
			dropV := 475 * c.RatedMohm(950) / 1000 * leadacid.ResistanceFactor(tempC, 100)
			assert.Greater(t, rested-dropV, leastV+0.3, "%v at %g °C", c, tempC)
			assert.Less(t, rested-2*dropV, leastV, "%v at %g °C", c, tempC)
		}
	}
}

// Stevens and Corey 1996: above 95 % at low charge (read). Published settings: a float of 13.02 to
// 13.80 V must not gas noticeably, an equalisation at 15.0 to 16.2 V must.
func TestChargeIsLostToGasNearFullOnly(t *testing.T) {
	assert.Greater(t, leadacid.Flooded.ChargeEfficiency, 0.95)
	assert.GreaterOrEqual(t, leadacid.AGM.ChargeEfficiency, 0.98)
	assert.Less(t, leadacid.Flooded.GassingA(100, 13.5, 25), 0.1)
	assert.Greater(t, leadacid.Flooded.GassingA(100, 15.6, 25), 2.0)
	assert.InDelta(t, 2, leadacid.Gel.GassingA(100, 14.1, 35)/leadacid.Gel.GassingA(100, 14.1, 25), 1e-9)
	assert.InDelta(t, 10, leadacid.AGM.GassingA(100, 15.4, 25)/leadacid.AGM.GassingA(100, 14.2, 25), 1e-9)
}

func TestParseChemistry(t *testing.T) {
	for _, s := range []string{"flooded", "agm", "gel"} {
		c, err := leadacid.Parse(s)
		require.NoError(t, err)
		assert.Equal(t, s, c.String())
	}
	_, err := leadacid.Parse("lithium")
	assert.EqualError(t, err, `chemistry "lithium": want `+leadacid.Names())
}

func ExampleChemistry_SoCFromRestedV() {
	v25, _ := leadacid.RestedVAtReference(12.40, 20)
	soc, _ := leadacid.Flooded.SoCFromRestedV(v25)
	fmt.Printf("%.3f V at 25 °C, %.0f %%\n", v25, soc)
	// Output: 12.406 V at 25 °C, 70 %
}
