package zero_test

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/unit"
	"liftbank/rules/zero"
)

// bench is a bank whose sensors read what flows and what they err by.
type bench struct {
	l        *zero.Learner
	n        int
	now      time.Duration
	rest     time.Duration
	joined   bool
	tempC    float64
	volts    float64
	fallPerH float64
	flow     func(i int) float64 // into battery i
	errA     func(i int) float64 // of its sensor
}

func params(n int) (p zero.Params) {
	p.OwnA = 0.05
	for i := range n {
		p.Class[i] = unit.DefaultClass(unit.BatteryCurrent)
		p.RatedAh = append(p.RatedAh, 100)
	}
	return p
}

func newBench(n int) *bench {
	return &bench{
		l: zero.New(params(n)), n: n, joined: true, tempC: 25, volts: 12.6,
		flow: func(int) float64 { return -0.05 / float64(n) }, errA: func(int) float64 { return 0 },
	}
}

func good(v float64) unit.Reading { return unit.Reading{Value: v, Quality: unit.Good} }

// rests lets the bank rest for a time, after a load.
func (b *bench) rests(span time.Duration) {
	b.l.Step(&zero.Scan{Now: b.now})
	b.goesOn(span)
}

func (b *bench) goesOn(span time.Duration) {
	const every = 30 * time.Second
	for end := b.rest + span; b.rest < end; b.rest += every {
		b.now += every
		b.volts -= b.fallPerH * every.Hours()
		s := zero.Scan{Now: b.now, RestFor: b.rest + every, Joined: b.joined, VoltageV: good(b.volts), AhPerV: 80 * float64(b.n)}
		for i := range b.n {
			s.CurrentA[i] = good(b.flow(i) + b.errA(i))
			s.TempC = append(s.TempC, good(b.tempC))
		}
		b.l.Step(&s)
	}
}

func (b *bench) wakes() { b.rest = 0 }

func (b *bench) zero(i int) unit.Estimate { return b.l.ZeroA(i, good(b.tempC)) }

func only(k int, a float64) func(int) float64 {
	return func(i int) float64 {
		if i == k {
			return a
		}
		return 0
	}
}

// One sensor off beside others that show next to nothing: it is that one, after a night, and told
// from half an ampere on.
func TestOneSensorIsOff(t *testing.T) {
	for n := 2; n <= 4; n++ {
		for _, off := range []float64{-2.9, -1.2, -0.8, 0.8, 2.9} {
			b := newBench(n)
			b.errA = only(n-1, off)
			b.rests(3 * time.Hour)
			assert.False(t, b.l.AnyOff(), "%d batteries, %g A: neighbors may still even out", n, off)
			b.goesOn(9 * time.Hour)
			for i := range n {
				z, want := b.zero(i), 0.0
				if i == n-1 {
					want = off
				}
				assert.InDelta(t, want, z.Value, 0.15, "%d batteries, %g A at the last, sensor %d", n, off, i)
				assert.InDelta(t, want, z.Value, 2*z.Sigma, "%d batteries, %g A at the last, sensor %d", n, off, i)
				assert.Equal(t, want != 0, b.l.Off(i), "%d batteries, %g A at the last, sensor %d", n, off, i)
			}
		}
	}
	b := newBench(2)
	b.errA = only(0, 0.35)
	b.rests(14 * time.Hour)
	assert.InDelta(t, 0.35, b.zero(0).Value, 0.1)
	assert.False(t, b.l.Off(0))
}

// What one battery gives and another takes flows, for days: a leaking cell, and no zero of any
// sensor. The sum is nothing.
func TestWhatFlowsBetweenNeighborsIsNoZero(t *testing.T) {
	b := newBench(2)
	b.flow = func(i int) float64 { return []float64{-1.2, 1.15}[i] }
	b.rests(48 * time.Hour)
	assert.InDelta(t, 0, b.zero(0).Value, 0.2)
	assert.InDelta(t, 0, b.zero(1).Value, 0.2)
	assert.False(t, b.l.AnyOff())

	// After a load it goes within hours, as between batteries of unlike age.
	b = newBench(2)
	b.flow = func(i int) float64 {
		return []float64{-1, 1}[i]*0.5/(1+b.rest.Hours()) - 0.025
	}
	b.rests(14 * time.Hour)
	for i := range 2 {
		z := b.zero(i)
		assert.InDelta(t, 0, z.Value, 2*z.Sigma+0.02, i)
		assert.False(t, b.l.Off(i))
	}
}

// What all show alike may be a drain. As long as the voltage says nothing, that stays in doubt; a
// voltage that stands still rules a drain out, and one switched on within a rest is no zero.
func TestADrainIsToldFromZerosByTheVoltage(t *testing.T) {
	for n := 1; n <= 4; n++ {
		zeros := newBench(n)
		zeros.errA = func(int) float64 { return -0.8 }
		zeros.rests(6 * time.Hour)
		z := zeros.zero(0)
		assert.Greater(t, z.Sigma, 0.2, "%d batteries: it may as well be a drain", n)
		zeros.goesOn(40 * time.Hour)
		z = zeros.zero(0)
		assert.InDelta(t, -0.8, z.Value, 0.15, n)
		assert.Less(t, z.Sigma, 0.2, n)
		assert.True(t, zeros.l.Off(0), n)

		lamp := newBench(n)
		lamp.rests(4 * time.Hour)
		lamp.flow = func(int) float64 { return -0.8 }
		lamp.fallPerH = 0.8 / 80
		lamp.goesOn(40 * time.Hour)
		z = lamp.zero(0)
		assert.InDelta(t, 0, z.Value, 0.2, n)
		assert.False(t, lamp.l.AnyOff(), n)
		assert.InDelta(t, 0.8*float64(n), lamp.l.DrainA().Value, 0.2*float64(n), n)
	}
}

// Twenty milliamperes per degree, nights of 0 to 24 °C: at 30 °C the zero is known without a rest
// there.
func TestAZeroDriftsWithTemperature(t *testing.T) {
	b := newBench(2)
	b.errA = func(i int) float64 { return only(0, 0.02*(b.tempC-25))(i) + only(0, 0.1)(i) }
	for k := range 9 {
		b.tempC = 3 * float64(k)
		b.rests(12 * time.Hour)
		b.wakes()
		b.now += 12 * time.Hour
	}
	b.tempC = 30
	z := b.zero(0)
	assert.InDelta(t, 0.2, z.Value, 0.1)
	assert.InDelta(t, 0.2, z.Value, 2*z.Sigma)
	b.tempC = -10
	assert.InDelta(t, -0.6, b.zero(0).Value, 0.15)
	assert.InDelta(t, 0, b.zero(1).Value, 0.1)
}

// Nothing is learned while something charges, in the first hour, of currents that are not all read,
// or where a battery may be behind an open link and gives the drain nothing.
func TestWhenNothingIsLearned(t *testing.T) {
	for what, set := range map[string]func(b *bench){
		"a charger holds":  func(b *bench) { b.volts = 13.3 },
		"no battery":       func(b *bench) { b.volts = 3 },
		"a solar panel":    func(b *bench) { b.fallPerH = -0.04; b.volts = 12 },
		"an open link":     func(b *bench) { b.joined = false },
		"not a number":     func(b *bench) { b.errA = only(0, math.NaN()) },
		"no current":       func(b *bench) { b.errA = only(0, math.Inf(1)) },
		"far beyond zeros": func(b *bench) { b.errA = only(0, 8) },
	} {
		b := newBench(2)
		b.errA = only(0, 1.2)
		set(b)
		b.rests(12 * time.Hour)
		assert.InDelta(t, 0, b.zero(0).Value, 0.02, what)
		assert.False(t, b.l.AnyOff(), what)
	}
	b := newBench(2)
	b.errA = only(0, 1.2)
	b.rests(time.Hour)
	assert.Zero(t, b.zero(0).Value)
}

func TestRestore(t *testing.T) {
	b := newBench(2)
	b.errA = only(0, 1.2)
	b.rests(11*time.Hour + 7*time.Minute)
	text, err := json.Marshal(b.l.State())
	require.NoError(t, err)
	var s zero.State
	require.NoError(t, json.Unmarshal(text, &s))
	again := zero.New(params(2))
	require.NoError(t, again.Restore(s))
	assert.Equal(t, b.l.State(), again.State())

	for what, change := range map[string]func(s *zero.State){
		"a zero":      func(s *zero.State) { s.X[0] = math.NaN() },
		"a variance":  func(s *zero.State) { s.P[1][1] = -1 },
		"covariances": func(s *zero.State) { s.P[1][2] = math.Inf(1) },
		"a window":    func(s *zero.State) { s.Window.Second = -1 },
		"its times":   func(s *zero.State) { s.Window.Last = s.Window.From - 1 },
	} {
		bad := s
		change(&bad)
		assert.Error(t, again.Restore(bad), what)
		assert.Equal(t, b.l.State(), again.State(), "%s: changes nothing", what)
	}
	fresh := zero.New(params(2))
	require.NoError(t, fresh.Restore(zero.State{}), "of a version that learned none")
	assert.Equal(t, zero.New(params(2)).State(), fresh.State())
}

// A board whose own draw is configured is expected to draw it: it is no zero of any sensor, nor in
// more doubt than the board's of another unit.
func TestTheBoardsOwnDrawIsExpected(t *testing.T) {
	for n := 1; n <= 4; n++ {
		p := params(n)
		p.OwnA = 0.9
		b := newBench(n)
		b.l = zero.New(p)
		b.flow = func(int) float64 { return -0.9 / float64(n) }
		b.rests(6 * time.Hour)
		assert.InDelta(t, 0.9, b.l.DrainA().Value, 0.1, n)
		for i := range n {
			assert.InDelta(t, 0, b.zero(i).Value, 0.05, "%d batteries, sensor %d", n, i)
		}
		assert.False(t, b.l.AnyOff(), n)
	}
}

// Where rests leave open whether all sensors are off or a drain is seen, the count tells: for the zero
// of a sensor whose charge does not go with it, for the drain of one whose does.
func TestTheCountTellsAZeroFromADrain(t *testing.T) {
	for n := 1; n <= 4; n++ {
		for _, zero := range []float64{-0.8, 0} {
			b := newBench(n)
			b.errA = func(int) float64 { return -0.8 }
			b.rests(4 * time.Hour)
			for i := range n {
				b.l.Counted(i, good(zero-b.zero(i).Value), good(b.tempC), 0.1)
			}
			b.goesOn(time.Hour)
			for i := range n {
				assert.InDelta(t, zero, b.zero(i).Value, 0.15, "%d batteries, sensor %d", n, i)
			}
			assert.InDelta(t, 0.05+float64(n)*(0.8+zero), b.l.DrainA().Value, 0.2*float64(n), n)
		}
	}
	b := newBench(2)
	b.rests(4 * time.Hour)
	before := b.l.State()
	for _, bad := range []unit.Reading{good(0.5), good(math.NaN()), {}} {
		b.l.Counted(0, bad, good(b.tempC), 0.1)
		assert.Equal(t, before, b.l.State(), "%+v: nothing is open, or nothing is told", bad)
	}
}

// A flat bank still rests, at 8 V and more; what is lower is no bank. 13.2 V is a charger's.
func TestVoltagesAtWhichABankRests(t *testing.T) {
	for volts, learns := range map[float64]bool{7.5: false, 8.5: true, 12.6: true, 13.1: true, 13.3: false} {
		b := newBench(2)
		b.volts, b.errA = volts, only(0, 0.6)
		b.rests(12 * time.Hour)
		assert.Equal(t, learns, b.zero(0).Sigma < 0.1, "%g V: %+v", volts, b.zero(0))
	}
}

// A temperature that no box has is taken for 25 °C.
func TestTemperaturesOfNoBox(t *testing.T) {
	b := newBench(2)
	b.tempC, b.errA = 45, only(0, 0.4)
	b.rests(12 * time.Hour)
	at := func(tempC float64) float64 { return b.l.ZeroA(0, good(tempC)).Value }
	assert.NotEqual(t, at(25), at(90))
	assert.NotEqual(t, at(25), at(-90))
	assert.Equal(t, at(25), at(110))
	assert.Equal(t, at(25), at(math.NaN()))
}

// A day from frost to above it, of one battery, or of the one sensor of a string: what the drain may not take,
// as nothing is drawn that flows in, is the zero's, by as much as the two are unsure of the same. Left to
// nobody, it drove zero and slope away against each other, to 0.9 A over such a day.
func TestADrainAtNothingLeavesTheZeroInPlace(t *testing.T) {
	for _, off := range []float64{0.15, 0.3, -0.15} {
		b := newBench(1)
		b.flow, b.errA = func(int) float64 { return -0.03 }, func(int) float64 { return off }
		b.rests(time.Hour)
		for k := range 4 * 24 {
			b.tempC = 3 - 6*math.Cos(2*math.Pi*float64(k)/24)
			b.goesOn(time.Hour)
			z, at25 := b.zero(0), b.l.ZeroA(0, good(25))
			assert.InDelta(t, off, z.Value, 0.12, "%g A after %d h: %+v", off, k, z)
			assert.InDelta(t, 0, at25.Value, 0.4, "%g A after %d h: %+v", off, k, at25)
			assert.GreaterOrEqual(t, b.l.DrainA().Value, 0.0)
		}
		assert.False(t, b.l.AnyOff(), "%g A", off)
	}
}
