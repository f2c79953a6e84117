package cell

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// drawnSpec is any battery that New takes.
func drawnSpec(t *rapid.T) Spec {
	ah := rapid.Float64Range(20, 250).Draw(t, "ah")
	return Spec{
		Chemistry: rapid.SampledFrom([]Chemistry{Flooded, AGM, Gel}).Draw(t, "chemistry"),
		RatedAh:   ah,
		RatedCCA:  ah * rapid.Float64Range(3, 13).Draw(t, "cca per ah"),
		Aging:     drawnAging(t),
	}
}

func drawnAging(t *rapid.T) Aging {
	return Aging{
		LostCapacityPct:     rapid.Float64Range(0, 70).Draw(t, "lost"),
		RaisedResistancePct: rapid.Float64Range(0, 300).Draw(t, "raised"),
		SulfationPct:        rapid.Float64Range(0, 50).Draw(t, "sulfation"),
		ShortedCells:        rapid.IntRange(0, 2).Draw(t, "shorted"),
		OpenCell:            rapid.IntRange(0, 9).Draw(t, "open") == 0,
	}
}

func drawnBattery(t *rapid.T) Battery {
	b, err := New(drawnSpec(t), rapid.Float64Range(0, 100).Draw(t, "soc"), rapid.Float64Range(-40, 70).Draw(t, "temp"))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestVoltageRisesWithCurrent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := drawnBattery(t)
		for range rapid.IntRange(0, 20).Draw(t, "steps") {
			b.Step(rapid.Float64Range(1, 3000).Draw(t, "dt"), rapid.Float64Range(-200, 60).Draw(t, "a"), 20)
		}
		last := math.Inf(-1)
		for a := -2000.0; a <= 2000; a += 0.37 * (1 + 0.1*math.Abs(a)) {
			v, slope := b.Terminal(a)
			if !(v > last) || !(slope > 0) {
				t.Fatalf("at %g A: got %v V, %v ohm: want over %v V and 0 ohm", a, v, slope, last)
			}
			last = v
		}
	})
}

func TestSlopeIsTheDerivative(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := drawnBattery(t)
		a := rapid.Float64Range(-1000, 300).Draw(t, "a")
		const h = 1e-3
		if math.Abs(a) < 2*h { // the film's slope sets in at zero
			return
		}
		lo, _ := b.Terminal(a - h)
		hi, _ := b.Terminal(a + h)
		_, slope := b.Terminal(a)
		_, s1 := b.Terminal(a - h)
		_, s2 := b.Terminal(a + h)
		want := (hi - lo) / (2 * h)
		// Where the slope itself turns within 2h (the knee as charge begins) the difference says
		// less.
		if math.Abs(slope-want) > 1e-4*want+1.1*math.Abs(s1-s2)+1e-7 {
			t.Fatalf("at %g A: got %v: want %v", a, slope, want)
		}
	})
}

// What is missing grows by what is drawn, what gassed and what self-discharged, less what an empty
// battery didn't have.
func TestChargeIsConserved(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := drawnBattery(t)
		missing := b.wells.d1 + b.wells.d2
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			dtS, a := rapid.Float64Range(0.005, 2000).Draw(t, "dt"), rapid.Float64Range(-300, 80).Draw(t, "a")
			b.Step(dtS, a, rapid.Float64Range(-40, 60).Draw(t, "ambient"))
			missing -= a * dtS / 3600
		}
		want := missing + b.wells.gassedAh + b.wells.selfAh - b.wells.refusedAh
		if math.Abs(b.wells.d1+b.wells.d2-want) > 1e-7*(1+math.Abs(want)) {
			t.Fatalf("got %v Ah missing: want %v", b.wells.d1+b.wells.d2, want)
		}
	})
}

func TestOneLongStepIsTwoShort(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		long := drawnBattery(t)
		fromC := long.heat.tempC
		a := rapid.Float64Range(-0.5, 0.2).Draw(t, "c-rate") * long.CapacityAh()
		dtS := rapid.Float64Range(0.01, 10).Draw(t, "dt")
		for range 20 {
			long.Step(1, a, 20)
		}
		short := long
		long.Step(dtS, a, 20)
		short.Step(dtS/2, a, 20)
		short.Step(dtS/2, a, 20)
		lv, _ := long.Terminal(a)
		sv, _ := short.Terminal(a)
		// Where the current adds volts, as in hard frost or an exhausted battery, a step leaves out a share of them.
		most, mostC := max(0.01, 0.05*math.Abs(sv-short.RestedOCV())), max(0.002, 0.01*math.Abs(short.heat.tempC-fromC))
		if math.Abs(lv-sv) > most || math.Abs(long.SoCPct()-short.SoCPct()) > 0.002 ||
			math.Abs(long.heat.tempC-short.heat.tempC) > mostC {
			t.Fatalf("got %v V, %v %%, %v °C in one: want %v V, %v %%, %v °C",
				lv, long.SoCPct(), long.heat.tempC, sv, short.SoCPct(), short.heat.tempC)
		}
	})
}

// Anything goes in; nothing but finite values comes out.
func TestNothingBreaksIt(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := drawnBattery(t)
		odd := rapid.OneOf(rapid.Float64(), rapid.Float64Range(-1e4, 1e4),
			rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, 1e300, -1e300}))
		for range rapid.IntRange(1, 30).Draw(t, "steps") {
			a := odd.Draw(t, "a")
			b.Terminal(a)
			b.Step(rapid.OneOf(rapid.Float64Range(-1, 20000),
				rapid.SampledFrom([]float64{0, 1e-300, math.NaN(), math.Inf(-1)})).Draw(t, "dt"), a,
				odd.Draw(t, "ambient"))
			if rapid.IntRange(0, 5).Draw(t, "age") == 0 {
				b.SetAging(Aging{LostCapacityPct: odd.Draw(t, "lost"), RaisedResistancePct: odd.Draw(t, "raised"),
					SulfationPct: odd.Draw(t, "sulfation"), ShortedCells: rapid.IntRange(-3, 9).Draw(t, "shorted")})
			}
			finite(t, &b)
		}
	})
}

func finite(t *rapid.T, b *Battery) {
	for _, a := range []float64{0, -1, 1, -100, 100, -1e9, 1e9, math.NaN(), math.Inf(1), math.Inf(-1)} {
		v, slope := b.Terminal(a)
		if v-v != 0 || !(slope > 0) || slope-slope != 0 {
			t.Fatalf("at %g A: got %v V, %v ohm", a, v, slope)
		}
	}
	for _, x := range []float64{b.RestedOCV(), b.RestedMolality(), b.SoCPct(), b.CapacityAh(), b.TempC(),
		b.wells.d1, b.wells.d2, b.wells.gassedAh, b.wells.refusedAh} {
		if x-x != 0 {
			t.Fatalf("got %v in %+v", x, *b)
		}
	}
	if s := b.SoCPct(); s < 0 || s > 100 {
		t.Fatalf("state of charge: got %v", s)
	}
}

// Asking changes nothing: any number of questions between steps, preparation or none, one state.
func TestQuestionsDontChangeState(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		asked := drawnBattery(t)
		silent := asked
		for range 50 {
			a, dtS := rapid.Float64Range(-150, 30).Draw(t, "a"), rapid.SampledFrom([]float64{0.005, 1, 90}).Draw(t,
				"dt")
			asked.Prepare(dtS)
			asked.Terminal(rapid.Float64Range(-150, 30).Draw(t, "question"))
			asked.RestedOCV()
			asked.Terminal(a)
			asked.Step(dtS, a, 10)
			silent.Step(dtS, a, 10)
		}
		if asked != silent {
			t.Fatalf("got %+v: want %+v", asked, silent)
		}
	})
}
