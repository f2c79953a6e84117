package cell

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
)

// Published figures that no constant of the model was set by. Where the model is off one of them,
// the row says by how much and holds the model to that: a mend has to renew the row, and it can't
// get worse unnoticed.

// Onset of strong gassing (starter battery handbook style table, from memory; every row). The
// table's voltages must gas alike: to a factor of two, what a reading 10 °C off makes
// (self_discharge: twice per 10 °C).
func TestGassingIsAlikeAtItsPublishedOnsets(t *testing.T) {
	rows := []struct{ tempC, onsetV float64 }{
		{50, 13.80}, {40, 13.98}, {30, 14.19}, {25, 14.34}, {20, 14.49}, {10, 14.82}, {0, 15.24}, {-10, 15.90},
	}
	for _, c := range []Chemistry{Flooded, AGM, Gel} {
		b := batteryOf(t, c, 100)
		at25 := b.HeldGassingA(14.34, 25)
		for _, r := range rows {
			ratio := b.HeldGassingA(r.onsetV, r.tempC) / at25
			assert.True(t, ratio > 0.5 && ratio < 2, "%s at %g °C: %.2f times", c, r.tempC, ratio)
		}
		// Off: the last row, -20 °C, rises by 1.92 V over the row before, three times the step
		// before that; the model's rise stays that of Arrhenius and Tafel.
		last := b.HeldGassingA(17.82, -20) / at25
		assert.True(t, last > 10 && last < 30, "%s at -20 °C: %.1f times", c, last)
	}
}

// Charge efficiency of a flooded battery at a constant current: Stevens and Corey 1996 for charge
// bands (the first read, the others from memory), and the equation of Copetti et al. 1993, worked.
// Both are of vented batteries for solar use.
//
// Off: the two contradict each other at 80 % and C/10 (0.55 and 0.93), where the model has nothing to
// lose yet. It bends later and more sharply than Copetti's equation: up to 0.14 more before its limit
// and 0.15 less beyond it.
func TestChargeEfficiencyAgainstPublished(t *testing.T) {
	b := newBattery(t, range12V[0], 100, 25)
	assert.Greater(t, stored(b, 0.1, 20, 50), 0.95, "published: above 0.95 when low")
	assert.Less(t, stored(b, 0.1, 90, 99), 0.5, "published: below 0.5 above 90 %")
	assert.InDelta(t, 0.55, stored(b, 0.1, 90, 95), 0.005, "published: below 0.5 above 90 %")
	assert.InDelta(t, 0.999, stored(b, 0.1, 0, 84), 0.005, "published 0.91")
	assert.InDelta(t, 0.997, stored(b, 0.1, 79, 84), 0.005, "published 0.55")
	worked := []struct{ perHour, soc, published, off float64 }{
		{0.05, 50, 0.99995, 0}, {0.05, 80, 0.98072, 0.02}, {0.05, 90, 0.86114, 0.135}, {0.05, 95, 0.62736, 0.125},
		{0.05, 99, 0.17916, -0.035},
		{0.1, 50, 0.99875, 0}, {0.1, 80, 0.93108, 0.065}, {0.1, 90, 0.73748, 0.10}, {0.1, 95, 0.48763, -0.11},
		{0.1, 99, 0.12518, -0.05},
		{0.2, 50, 0.98283, 0.015}, {0.2, 80, 0.80326, 0.14}, {0.2, 90, 0.55645, -0.13}, {0.2, 95, 0.33400, -0.145},
		{0.2, 99, 0.07808, -0.045},
	}
	for _, r := range worked {
		got := stored(b, r.perHour, r.soc-0.05, r.soc+0.05)
		assert.InDelta(t, r.off, got-r.published, 0.01, "%g C at %g %%: published %g", r.perHour, r.soc, r.published)
	}
	// Thin-plate valve-regulated: up to 98 % of a whole charge comes back (a study, read), falling
	// with the rate.
	agm := newBattery(t, range12V[4], 100, 25)
	slow, fast := stored(agm, 0.05, 20, 97), stored(agm, 0.3, 20, 97)
	assert.Greater(t, slow, fast)
	assert.InDelta(t, 0.995, slow, 0.005, "published 0.98 at most")
}

// stored is the share of a constant current (of the capacity per hour) that is stored between two
// charges, charged from 5 % below the first, at 25 °C.
func stored(b Battery, perHour, fromPct, toPct float64) float64 {
	b.reset(max(fromPct-5, 0), 25)
	amps := perHour * b.CapacityAh()
	charge := func(toPct float64) (in, kept float64) {
		before := b.wells.d1 + b.wells.d2
		for b.SoCPct() < toPct && in < 3*b.CapacityAh() {
			b.Step(5, amps, 25)
			b.heat.tempC = 25
			in += amps * 5 / 3600
		}
		return in, before - b.wells.d1 - b.wells.d2
	}
	charge(fromPct)
	in, kept := charge(toPct)
	return kept / in
}

// Cranking power over that at 26.7 °C: US Army TM-5-1185 (65 % at -1.1 °C, 40 % at -17.8 °C) and a
// dealer's chart (also 25 % at -28.9 °C); CA = 1.3 CCA, CCA = 0.77 MCA (Battery Council). Here it
// is the current that leaves 7.2 V after 30 s.
//
// Off: the charts alone ask for 1.6 times from -18 to 0 °C, the Battery Council for 1.3; the model has
// 1.27 to 1.33. The conductivity of acid has the cold take 2.7 times of that part of the resistance
// and metal nothing, so that the charts' 40 % is out of reach for the whole at a fixed end voltage.
func TestCrankingPowerOverTemperature(t *testing.T) {
	rows := []struct{ tempC, published, least, most float64 }{
		{0, 0.65, 0.78, 0.82}, {-1.1, 0.65, 0.77, 0.81}, {-17.8, 0.40, 0.59, 0.65}, {-28.9, 0.25, 0.46, 0.52},
	}
	for _, s := range range12V {
		b := newBattery(t, s, 100, 25)
		warm := ampsDownTo(b, 26.7, 7.2, 30)
		for _, r := range rows {
			share := ampsDownTo(b, r.tempC, 7.2, 30) / warm
			assert.True(t, share > r.least && share < r.most,
				"%s %g CCA at %g °C: got %.3f: want %g to %g, published %g", s.Chemistry, s.RatedCCA, r.tempC, share,
				r.least, r.most, r.published)
		}
		ca := ampsDownTo(b, 0, 7.2, 30) / s.RatedCCA
		assert.InDelta(t, 1.3, ca, 0.03, "%s %g CCA", s.Chemistry, s.RatedCCA)
	}
}

// Other standards' cold tests of batteries whose J537 rating alone is given, all at -18 °C. DIN
// 43539-2: 9.0 V after 30 s, then at least 150 s in all to 6.0 V; its rating by the trade's
// conversion CCA = 1.5 DIN + 40 (from memory, good to some 5 %). EN 50342-1: 7.5 V after 10 s, and
// after a pause of 10 s at 0.6 of that down to 6.0 V, at least 90 s (C1) or 150 s (C2) in all.
func TestColdTestsOfOtherStandards(t *testing.T) {
	for _, s := range range12V {
		b := newBattery(t, s, 100, 25)
		din := ampsDownTo(b, -18, 9.0, 30)
		assert.InEpsilon(t, (s.RatedCCA-40)/1.5, din, 0.05, "%s %g Ah %g CCA: DIN", s.Chemistry, s.RatedAh, s.RatedCCA)
		c := at(b, 100, -18)
		assert.Greater(t, secondsTo(&c, 6, din), 150, "%s %g Ah: DIN", s.Chemistry, s.RatedAh)

		en := ampsDownTo(b, -18, 7.5, 10)
		c = at(b, 100, -18)
		for range 10 {
			c.Step(1, -en, -18)
		}
		c.Step(10, 0, -18)
		assert.Greater(t, 10+secondsTo(&c, 6, 0.6*en), 150, "%s %g Ah: EN", s.Chemistry, s.RatedAh)

		// IEC 60095-1, older: 8.4 V after 60 s; by trade DIN over 0.85 (from memory). Off: 3 to 10
		// % less.
		iec := ampsDownTo(b, -18, 8.4, 60)
		assert.InDelta(t, 0.935, iec/((s.RatedCCA-40)/1.5/0.85), 0.045, "%s %g Ah: IEC", s.Chemistry, s.RatedAh)
	}
}

// ampsDownTo is the current that leaves endV after so many seconds from full at tempC.
func ampsDownTo(b Battery, tempC, endV float64, seconds int) float64 {
	lo, hi := 0.0, 6*b.spec.RatedCCA
	for range 25 {
		mid := 0.5 * (lo + hi)
		b.reset(100, tempC)
		for range seconds {
			b.Step(1, -mid, tempC)
		}
		if v, _ := b.Terminal(-mid); v > endV {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

// secondsTo is how long amps can be drawn until endV.
func secondsTo(b *Battery, endV, amps float64) int {
	for n := range 3600 {
		if v, _ := b.Terminal(-amps); v < endV {
			return n
		}
		b.Step(1, -amps, b.TempC())
	}
	return 3600
}

// Run times by Peukert's relation, t = H (C/(I H))^k, for the published exponents: flooded 1.20 to
// 1.60, AGM 1.05 to 1.15, gel 1.10 to 1.25 (makers' tables), from the 20 h rate to 1.2 times the
// capacity per hour.
//
// Off: the flooded one gives 5 % more than k = 1.2 at the 10 h rate, since the two-well model it
// follows has 93 % there (k = 1.117 from 20 to 10 h, published too).
func TestRunTimesByPeukert(t *testing.T) {
	limits := map[Chemistry][2]float64{Flooded: {1.20, 1.60}, AGM: {1.05, 1.15}, Gel: {1.10, 1.25}}
	for _, s := range range12V {
		b := newBattery(t, s, 100, 25)
		for _, perHour := range []float64{0.1, 0.25, 0.5, 1, 1.2} {
			share := func(k float64) float64 { return perHour * 20 * math.Pow(1/(20*perHour), k) }
			got := b.drawnTo(10.5, perHour*s.RatedAh) / s.RatedAh
			low, high := share(limits[s.Chemistry][1]), share(limits[s.Chemistry][0])
			if s.Chemistry == Flooded && perHour == 0.1 {
				low, high = share(1.2), share(1.117)
			}
			if s.Chemistry == Flooded && perHour == 1.2 {
				high *= 1.01 // off: 0.6 % over k = 1.2 at most
			}
			assert.True(t, got >= low && got <= high, "%s %g Ah at %g C: got %.3f: want %.3f to %.3f", s.Chemistry,
				s.RatedAh, perHour, got, low, high)
		}
	}
}
