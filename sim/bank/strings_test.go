package bank

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/sim/cell"
)

// plainCurve is the battery of testdata/strings.py: an EMF behind a resistance and, of one that is all but
// exhausted, a film that closes in discharge.
func plainCurve(emf, ohm, film []float64) func(k int, i float64) (v, slope float64) {
	return func(k int, i float64) (v, slope float64) {
		v, slope = emf[k]+ohm[k]*i, ohm[k]
		if i < 0 && film[k] > 0 {
			g := 1 / (1 - i*film[k]/18)
			v, slope = v+i*film[k]*g, slope+film[k]*g*g
		}
		return v, slope
	}
}

// Strings, their taps, what is on one battery alone, a bad joint in the middle and a battery driven below
// nothing, against operating points of a circuit simulator.
func TestStringsAgainstCircuitSimulator(t *testing.T) {
	for _, r := range rows(t, "strings.csv") {
		t.Run(fmt.Sprintf("%s, %d", r["name"], len(r.numbers(t, "emf"))), func(t *testing.T) {
			at := func(key string) int { return 2 * int(r.number(t, key)) }
			w := Wiring{
				Layout:       SeriesPairs,
				FeedPositive: Lead{at("feed_pos"), 2e-3}, FeedNegative: Lead{at("feed_neg"), 2e-3},
				LoadPositive: Lead{at("load_pos"), 1.5e-3}, LoadNegative: Lead{at("load_neg"), 1e-3},
			}
			copy(w.PositivePost[:], r.numbers(t, "post_pos"))
			copy(w.NegativePost[:], r.numbers(t, "post_neg"))
			for k, ohm := range r.numbers(t, "middle") {
				w.PositiveLink[2*k] = ohm
			}
			w.PositiveLink[1], w.NegativeLink[1] = r.number(t, "link_pos"), r.number(t, "link_neg")
			emf := r.numbers(t, "emf")
			b, err := New(w, make([]cell.Battery, len(emf)))
			require.NoError(t, err)
			b.curve = plainCurve(emf, r.numbers(t, "ohm"), r.numbers(t, "film"))
			var beside Beside
			copy(beside.LoadOhm[:], r.numbers(t, "tap_ohm"))
			src := giving(r.number(t, "feed_a"))
			if v := r.number(t, "across_v"); v > 0 {
				beside.Across = 1
				src = Source{Joined: true, On: true, SetV: v, LimitA: 1e3, LimitW: 1e9}
			}
			beside.EqualizerA = r.number(t, "equal_s") * equalizerFullV
			if beside.EqualizerA > 0 { // it moves no more than EqualizerA: what is compared stays under it
				beside.EqualizerA *= 10
				beside.FullV = 10 * equalizerFullV
			}
			b.SetBeside(beside)
			for range 60 { // what is on one battery settles step by step
				b.Solve(src, drawing(r.number(t, "load_a")))
				b.settleBeside()
			}
			b.Solve(src, drawing(r.number(t, "load_a")))
			flow := &b.Flow
			amps, plus, minus := r.numbers(t, "current_a"), r.numbers(t, "positive_v"), r.numbers(t, "negative_v")
			for k := range emf {
				within(t, amps[k], flow.CurrentA[k], fmt.Sprintf("current of battery %d", k))
				assert.InDelta(t, plus[k], flow.PositiveV[k], 2e-5, "positive post of %d", k)
				assert.InDelta(t, minus[k], flow.NegativeV[k], 2e-5, "negative post of %d", k)
			}
			assert.InDelta(t, r.number(t, "load_v"), flow.LoadV, 2e-5)
			if beside.Across > 0 {
				within(t, r.number(t, "across_a"), flow.FeedA, "charger on one battery")
			} else {
				assert.InDelta(t, r.number(t, "feed_v"), flow.FeedV, 2e-5)
			}
		})
	}
}

// A string that is open carries nothing, and its taps stay near what its batteries have.
func TestOpenStringCarriesNothing(t *testing.T) {
	w := Wiring{Layout: SeriesPairs, PositiveLink: [3]float64{OpenOhm}}
	b, err := New(w, []cell.Battery{newCell(t, sound, 100, 25), newCell(t, sound, 100, 25)})
	require.NoError(t, err)
	b.Solve(Source{}, Load{Joined: true, Ohm: 0.1, DrainA: 0.03})
	assert.InDelta(t, 0, b.Flow.CurrentA[0], 1e-5)
	assert.InDelta(t, 0, b.Flow.LoadV, 1e-3)
	assert.Less(t, b.Flow.PositiveV[1], 30.0)
	b.Solve(Source{}, Load{DrainA: 0.03})
	assert.Zero(t, b.Flow.CurrentA[0])
}

// What a balancing output moves goes from the fuller battery to the other until both are alike, and only
// while the charger is on.
func TestEqualizer(t *testing.T) {
	w := Wiring{Layout: SeriesPairs, PositiveLink: [3]float64{0.5e-3}, PositivePost: [4]float64{1e-4, 1e-4}}
	b, err := New(w, []cell.Battery{newCell(t, sound, 80, 25), newCell(t, sound, 90, 25)})
	require.NoError(t, err)
	b.SetBeside(Beside{EqualizerA: 3})
	behind := func() float64 { return b.Battery(1).SoCPct() - b.Battery(0).SoCPct() }
	step := func(src Source, hours int) {
		for range hours * 360 {
			b.Prepare(10)
			b.Solve(src, Load{})
			b.Step(10, 25)
		}
	}
	before := behind()
	step(Source{}, 2)
	assert.InDelta(t, before, behind(), 0.01, "the charger is off")
	on := Source{Joined: true, On: true, SetV: 28.8, LimitA: 20, LimitW: 500}
	b.Prepare(10)
	b.Solve(on, Load{})
	b.Step(10, 25)
	b.Solve(on, Load{})
	moved := b.Flow.CurrentA[0] - b.Flow.CurrentA[1]
	assert.True(t, moved > 0 && moved <= 6, "%g A", moved)
	step(on, 8)
	assert.Less(t, behind(), before/4)
}

// Full batteries in hard frost take next to nothing, and their voltage rises steeply with what they take: a
// balancing output keeps them alike all the same, and does not charge one from the other and back.
func TestEqualizerOfFullBatteriesInFrost(t *testing.T) {
	w := Wiring{Layout: SeriesPairs, PositiveLink: [3]float64{0.5e-3}, PositivePost: [4]float64{1e-4, 1e-4}}
	b, err := New(w, []cell.Battery{newCell(t, sound, 98.3, -27), newCell(t, sound, 98.5, -27)})
	require.NoError(t, err)
	b.SetBeside(Beside{EqualizerA: 4.7})
	on := Source{Joined: true, On: true, SetV: 29.7, LimitA: 20, LimitW: 500}
	for s := range 3 * 360 {
		load := Load{}
		if s%360 >= 180 && s%360 < 182 {
			load = Load{Joined: true, Ohm: 0.3}
		}
		b.Prepare(10)
		b.Solve(on, load)
		b.Step(10, -27)
		if load.Joined || s < 12 {
			continue
		}
		lower, _ := b.ownV(0)
		upper, _ := b.ownV(1)
		require.InDelta(t, lower, upper, 0.1, "step %d", s)
	}
}

// A 12 V load on one battery draws what its resistance says, and nothing from a battery below nothing.
func TestLoadOnOneBattery(t *testing.T) {
	b, err := New(Wiring{Layout: SeriesPairs}, []cell.Battery{newCell(t, sound, 90, 25), newCell(t, sound, 90, 25)})
	require.NoError(t, err)
	b.SetBeside(Beside{LoadOhm: [MaxBatteries]float64{24}})
	for range 36000 / 10 {
		b.Prepare(10)
		b.Solve(Source{}, Load{})
		b.Step(10, 25)
	}
	assert.InDelta(t, 90-10*12.6/24, b.Battery(0).SoCPct(), 0.4, "ten hours of 0.525 A out of 100 Ah")
	assert.InDelta(t, 90, b.Battery(1).SoCPct(), 0.2)
	assert.InDelta(t, -12.5/24, b.BatteryA(0), 0.02)
	assert.Zero(t, b.Flow.CurrentA[0], "past the sensor")

	b.curve = func(k int, i float64) (v, slope float64) { return []float64{-2, 12}[k] + 0.01*i, 0.01 }
	b.Solve(Source{}, Load{})
	b.settleBeside()
	assert.Zero(t, b.unseenA[0])
}

// A charger clamped on the lower battery alone holds its voltage there, within its limits, and gives the
// other nothing.
func TestChargerOnOneBattery(t *testing.T) {
	w := Wiring{Layout: SeriesPairs, FeedPositive: Lead{Ohm: 2e-3}, FeedNegative: Lead{Ohm: 2e-3}}
	b, err := New(w, []cell.Battery{newCell(t, sound, 60, 25), newCell(t, sound, 60, 25)})
	require.NoError(t, err)
	b.SetBeside(Beside{Across: 1})
	src := Source{Joined: true, On: true, SetV: 14.4, LimitA: 40, LimitW: 500}
	held := 0
	for s := range 12 * 3600 {
		b.Prepare(1)
		b.Solve(src, Load{DrainA: 0.03})
		f := &b.Flow
		assert.LessOrEqual(t, f.FeedA, 40.0)
		if s > 10 {
			assert.Less(t, f.FeedV, 14.4+0.02)
			assert.Less(t, f.FeedA*f.FeedV, 505.0)
		}
		if f.FeedV > 14.4-0.02 {
			held++
		}
		b.Step(1, 25)
	}
	assert.Greater(t, held, 6*3600)
	assert.Greater(t, b.Battery(0).SoCPct(), 97.0)
	assert.Less(t, b.Battery(1).SoCPct(), 60.0)
	src.On = false
	b.Solve(src, Load{})
	assert.Zero(t, b.Flow.FeedA)
	assert.InDelta(t, b.Flow.PositiveV[0], b.Flow.FeedV, 1e-6, "its output shows the battery that it is on")
}
