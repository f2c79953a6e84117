package estimate_test

import (
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/estimate"
	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

var update = flag.Bool("update", false, "write testdata")

// block is a battery as simple as it can be and still have rests, loads, a steep end and tapers.
type block struct {
	c       *leadacid.Chemistry
	capAh   float64
	pct     float64
	aboveV  float64 // surface charge
	tempC   float64
	zeroA   float64 // of its sensor
	at      time.Duration
	est     *estimate.Battery
	text    strings.Builder
	odd     int // every so many readings the voltage is off
	steps   int
	spoil   func(b *unit.Battery, f *estimate.Facts)
	written time.Duration
}

func (b *block) restedV() float64 {
	ref, _ := leadacid.TemperatureShiftV(leadacid.ReferenceC)
	shift, _ := leadacid.TemperatureShiftV(b.tempC)
	return b.c.RestedVFromSoC(b.pct) + shift - ref + 0.02 + b.aboveV
}

// taper is the current that a charger of so many amperes puts in at a voltage.
func (b *block) taper(volt, limitA float64) float64 {
	tau := 1.4 * b.c.TaperH * leadacid.AcceptanceFactor(b.tempC) * 1.6 / max(volt-12.8, 0.1)
	return min(limitA, (100-b.pct)/100*b.capAh/tau+1.3*b.c.GassingA(b.capAh, volt, b.tempC))
}

func (b *block) step(dt time.Duration, volt, amps float64, facts estimate.Facts) {
	b.at, b.steps = b.at+dt, b.steps+1
	moved := amps * dt.Hours() / b.capAh * 100
	b.pct = min(max(b.pct+moved, 0), 100)
	if moved > 0 {
		b.aboveV += (0.4 - b.aboveV) * min(1, moved/2)
	}
	b.aboveV *= math.Exp(-dt.Hours()/5) * (1 - min(1, max(-moved, 0)))
	if b.odd > 0 && b.steps%b.odd == 0 {
		volt -= 0.3
	}
	in := readings(volt, amps+b.zeroA, b.tempC)
	if b.spoil != nil {
		b.spoil(in, &facts)
	}
	b.est.Step(b.at, in, facts)
	if b.at >= b.written+2*time.Hour {
		b.write()
	}
}

// rest, draw and charge go on for so long.
func (b *block) rest(span, dt time.Duration) {
	for end := b.at + span; b.at < end; {
		b.step(dt, b.restedV(), -0.05, estimate.Facts{Idle: true})
	}
}

func (b *block) draw(span, dt time.Duration, amps float64) {
	for end := b.at + span; b.at < end && b.pct > 0; {
		left, _ := b.c.LeftPct(amps/b.capAh, b.tempC)
		growth, _, knee, _ := b.c.LoadedV(b.pct, left)
		b.step(dt, b.restedV()-1.1*growth*leadacid.LoadedDropV(amps/b.capAh)-knee, -amps, estimate.Facts{})
	}
}

func (b *block) charge(span, dt time.Duration, volt25, limitA float64) {
	for end := b.at + span; b.at < end; {
		volt := leadacid.ChargeLimitV(volt25, b.tempC)
		a := b.taper(volt, limitA)
		if a >= limitA {
			volt = min(volt, b.restedV()+0.3+2*leadacid.LoadedDropV(a/b.capAh))
		}
		b.step(dt, volt, a, estimate.Facts{})
	}
}

func (b *block) note(what string) {
	b.write()
	fmt.Fprintf(&b.text, "-- %s\n", what)
}

func (b *block) write() {
	b.written = b.at
	s := b.est.State()
	f := &s.Filter
	fmt.Fprintf(&b.text, "%v true %.4g said %.4g±%.3g %v", b.at.Round(time.Minute), b.pct, s.Said.Value, s.Said.Sigma, s.Said.Known)
	for _, group := range [][]float64{
		f.X[:], {math.Sqrt(f.P[0][0]), math.Sqrt(f.P[1][1]), math.Sqrt(f.P[2][2]), math.Sqrt(f.P[3][3])},
		{s.CapAh, math.Sqrt(s.CapVar), s.ZeroA, math.Sqrt(s.ZeroVar)}, {s.RestedV, s.SurfaceV, s.DipV},
		{s.TaperH, math.Sqrt(s.TaperVar), s.MissingPct, s.FullAt.Hours(), s.HeldA},
		{s.StoredAh, s.Blind.UsePct, s.CountedSigmaPct},
	} {
		b.text.WriteString(" |")
		for _, x := range group {
			if math.Abs(x) < 1e-6 {
				x = 0
			}
			fmt.Fprintf(&b.text, " %.3g", x)
		}
	}
	known := b.est.CapacityAh().Known
	fmt.Fprintf(&b.text, " | %v %v %v\n", known, s.Down.Open, s.Up.Open)
}

// weeks is what happens to the block: deep and shallow, warm and cold, read well and badly.
func (b *block) weeks() {
	const minute, hour = time.Minute, time.Hour
	b.note("short drives")
	b.rest(3*hour, minute)
	for range 4 {
		b.draw(2*hour, minute, 4)
		b.charge(45*minute, 10*time.Second, 14.4, 25)
		b.rest(90*minute, minute)
	}
	b.note("down to its end and up again, twice")
	for range 2 {
		b.charge(9*hour, minute, 14.4, 20)
		b.charge(2*hour, minute, 13.6, 20)
		b.rest(14*hour, minute)
		b.draw(9*hour, minute, 5)
		b.rest(12*hour, minute)
		b.draw(20*hour, minute, 6)
		b.rest(8*hour, minute)
	}
	b.note("a slow charge, then a load that changes")
	b.charge(7*hour, minute, 14.4, 6)
	for k := range 16 {
		b.draw(15*minute, minute, 3+float64(k))
	}
	b.note("cold")
	b.tempC = -12
	b.rest(9*hour, minute)
	b.charge(6*hour, minute, 14.4, 25)
	b.rest(7*hour, minute)
	b.draw(4*hour, minute, 8)
	b.tempC = 33
	b.charge(8*hour, minute, 14.6, 30)
	b.rest(26*hour, minute)
}

// badly is what is read badly.
func (b *block) badly() {
	const minute, hour = time.Minute, time.Hour
	lost := unit.Reading{Quality: unit.NoAnswer}
	b.note("gaps of 10 and 30 minutes")
	b.tempC = 22
	b.draw(hour, 10*minute, 5)
	b.draw(2*hour, 30*minute, 5)
	b.rest(4*hour, minute)
	b.note("a loose voltage")
	b.odd = 7
	b.draw(2*hour, minute, 6)
	b.rest(6*hour, minute)
	b.charge(3*hour, minute, 14.4, 20)
	b.odd = 0
	b.note("no thermometer")
	b.spoil = func(in *unit.Battery, _ *estimate.Facts) { in.TempC = lost }
	b.draw(2*hour, minute, 6)
	b.rest(13*hour, minute)
	b.note("neighbors stand in")
	b.spoil = func(in *unit.Battery, f *estimate.Facts) { f.NeighborA, in.CurrentA = in.CurrentA, lost }
	b.draw(3*hour, 2*time.Second, 6)
	b.charge(hour, minute, 14.4, 20)
	b.note("blind")
	b.spoil = func(in *unit.Battery, _ *estimate.Facts) { in.CurrentA = lost }
	b.draw(2*hour, minute, 6)
	b.charge(hour, minute, 14.4, 20)
	b.rest(9*hour, minute)
	b.note("the zero learned elsewhere, which moves")
	b.spoil = func(_ *unit.Battery, f *estimate.Facts) { f.Zero = unit.Estimate{Sigma: 0.2, Known: true} }
	b.rest(3*hour, minute)
	b.est.ZeroMoved(0.15)
	b.spoil = func(_ *unit.Battery, f *estimate.Facts) { f.Zero = unit.Estimate{Sigma: 0.08, Known: true} }
	b.draw(2*hour, minute, 6)
	b.note("charged past its sensor")
	b.spoil = func(in *unit.Battery, f *estimate.Facts) { f.Past, in.CurrentA.Value = true, 0 }
	b.charge(2*hour, minute, 14.4, 10)
	b.spoil = nil
	b.rest(14*hour, minute)
	b.note("swapped for an empty one")
	b.pct = 40
	b.rest(20*minute, minute)
	b.draw(9*hour, 20*time.Second, 7)
	b.rest(10*hour, minute)
	b.charge(12*hour, minute, 14.4, 20)
}

// bounds is what lies near the bounds of what is read: small and large loads, gaps, odd ends.
func (b *block) bounds() {
	const minute, hour = time.Minute, time.Hour
	b.note("loads of all sizes, which change")
	for _, a := range []float64{1.4, 1.7, 30, 37, 5, 7, 6, 9} {
		b.draw(35*minute, minute, a)
	}
	b.rest(6*hour, minute)
	b.note("gaps of 17 to 26 minutes")
	for _, gap := range []time.Duration{17, 19, 21, 24, 26} {
		b.draw(gap*minute, gap*minute, 5)
		b.rest(hour, minute)
	}
	b.note("small charges, unsure")
	b.est.Mistrust()
	for _, a := range []float64{3.4, 3.8, 4.3, 5.2} {
		b.charge(hour, minute, 14.4, a)
	}
	b.note("ends under loads of all sizes")
	for _, a := range []float64{20, 28, 36} {
		b.pct = 12
		b.draw(3*hour, 10*time.Second, a)
		b.rest(hour, minute)
		b.pct = 50
		b.charge(4*hour, minute, 14.5, 25)
	}
	b.note("hot and very cold")
	for _, c := range []float64{-35, -22, -18, 44, 55} {
		b.tempC = c
		b.charge(3*hour, minute, 14.4, 20)
		b.rest(4*hour, minute)
	}
	b.note("a small one, then one of another make")
	b.capAh, b.tempC = 25, 25
	for range 2 {
		b.charge(9*hour, minute, 14.4, 20)
		b.rest(3*hour, minute)
		b.draw(40*hour, minute, 2)
		b.rest(5*hour, minute)
	}
	b.capAh = 190
	for range 3 {
		b.charge(14*hour, minute, 14.4, 40)
		b.rest(3*hour, minute)
		b.draw(40*hour, minute, 7)
		b.rest(5*hour, minute)
	}
}

// What an estimator makes of a simple block over some weeks stays the same to three digits:
// testdata has it. Whoever changes a constant sees here what it does, and renews the file with
// -update once that is meant.
func TestTranscripts(t *testing.T) {
	for _, c := range leadacid.All() {
		b := block{c: c, capAh: 88, pct: 70, tempC: 18, zeroA: 0.12}
		b.est = estimate.New(estimate.Params{Chemistry: c, RatedAh: 100, Taps: 2})
		b.weeks()
		b.badly()
		b.bounds()
		b.write()
		file := filepath.Join("testdata", c.Name+".txt")
		if *update {
			require.NoError(t, os.WriteFile(file, []byte(b.text.String()), 0o644))
		}
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		want, got := strings.Split(string(text), "\n"), strings.Split(b.text.String(), "\n")
		for k := range min(len(want), len(got)) {
			require.Equal(t, want[k], got[k], "%v, line %d", c, k+1)
		}
		assert.Len(t, got, len(want))
	}
}
