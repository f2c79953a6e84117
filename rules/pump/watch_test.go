package pump_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/pump"
	"liftbank/rules/unit"
)

const tick = 100 * time.Millisecond

func good(v float64) unit.Reading { return unit.Reading{Value: v, Quality: unit.Good} }

// bench is a watch of two batteries, scanned ten times a second.
type bench struct {
	w     *pump.Watch
	scan  unit.Scan
	in    pump.Scan
	ended []pump.Ended
	drawn [unit.MaxBatteries]float64
	unsee bool // a current was missing in the last scan
}

func newBench(usualA float64) *bench {
	b := &bench{w: pump.New(pump.Settings{Batteries: 2, MinA: 30, UsualA: usualA})}
	b.in.Raw, b.in.Read, b.in.TempC = &b.scan, &b.scan, good(25)
	b.scan.WakeLine = unit.ContactOff
	b.rest(time.Minute)
	return b
}

func (b *bench) step(amps, postV, motorV float64) {
	b.in.Now += tick
	for i := range 2 {
		b.scan.Battery[i].VoltageV, b.scan.Battery[i].CurrentA = good(postV), good(-amps/2)
	}
	b.in.BankA, b.scan.MotorV = good(-amps), good(motorV)
	b.look()
}

func (b *bench) look() {
	seen := b.w.Step(&b.in, b.ended)
	b.ended, b.unsee = seen.Ended, seen.Unread
	for i, as := range seen.DrawnAs {
		b.drawn[i] += as
	}
	b.in.Ended = nil
}

func (b *bench) rest(span time.Duration) {
	b.in.Running = false
	for range span / tick {
		b.step(0, 12.6, 0)
	}
}

// run plays a run of this length, and the scan that it ends in. amps is the current over time.
func (b *bench) run(length time.Duration, amps func(at time.Duration) float64, scan func()) {
	b.in.Running, b.in.Since = true, b.in.Now
	for range length / tick {
		b.step(amps(b.in.Now+tick-b.in.Since), 11.8, 11.5)
		if scan != nil {
			scan()
		}
	}
	b.in.Ended = []time.Duration{length}
	b.rest(tick)
}

func steady(a float64) func(time.Duration) float64 { return func(time.Duration) float64 { return a } }

// A current that rises by 10 A a second from 100 A is 125 A in the mean of 1 to 4 s.
func TestLiftingIsFromOneToFourSeconds(t *testing.T) {
	ramp := func(at time.Duration) float64 { return 100 + 10*at.Seconds() }
	b := newBench(0)
	b.run(8*time.Second, ramp, nil)
	assert.InDelta(t, 125, b.w.Usual.LastA, 1e-6)
	assert.InDelta(t, 125, b.w.Usual.Mean[0], 1e-6)
	b = newBench(0)
	b.run(3*time.Second, ramp, nil)
	assert.InDelta(t, 120, b.w.Usual.LastA, 1e-6, "a run of 3 s has 1 to 3 s")
}

func TestRunsThatSayNothingOfTheMotor(t *testing.T) {
	count := func(change func(b *bench), length time.Duration, scan func(b *bench)) uint32 {
		b := newBench(0)
		change(b)
		b.run(length, steady(110), func() {
			if scan != nil {
				scan(b)
			}
		})
		return b.w.Usual.Count
	}
	same := func(*bench) {}
	assert.EqualValues(t, 1, count(same, 3*time.Second, nil))
	assert.EqualValues(t, 0, count(same, 2900*time.Millisecond, nil), "shorter runs are corrections of height")
	assert.EqualValues(t, 0, count(func(b *bench) { b.in.TempC.Quality = unit.NoAnswer }, 5*time.Second, nil))
	assert.EqualValues(t, 0, count(func(b *bench) { b.in.Fed = true }, 5*time.Second, nil))

	sag := func(v float64) uint32 {
		b := newBench(0)
		b.in.Running, b.in.Since = true, b.in.Now
		for range 50 {
			b.step(110, v, v-0.3)
		}
		b.in.Ended = []time.Duration{5 * time.Second}
		b.rest(tick)
		return b.w.Usual.Count
	}
	assert.EqualValues(t, 0, sag(9.9), "a bank that can't hold 10 V slows the motor down")
	assert.EqualValues(t, 1, sag(10.1))

	// A current that is lost after some of the lift: a second of it must have been seen.
	lost := func(after time.Duration) uint32 {
		b := newBench(0)
		b.run(5*time.Second, func(at time.Duration) float64 {
			if at > after {
				return 29
			}
			return 110
		}, nil)
		if b.w.Usual.Count > 0 {
			assert.InDelta(t, 110, b.w.Usual.LastA, 1e-9, "what came after is not counted")
		}
		return b.w.Usual.Count
	}
	assert.EqualValues(t, 0, lost(1800*time.Millisecond))
	assert.EqualValues(t, 1, lost(2100*time.Millisecond))
}

// The drop from the bank's positive post to the motor terminal, less what the terminal shows at
// rest, over the current: 11.8 V - 11.5 V + 0.05 V at 100 A are 3.5 mΩ. What the feed gives counts
// as drawn.
func TestDropToTheMotor(t *testing.T) {
	b := newBench(0)
	b.step(0, 12.6, 0.05)
	for k := range 3 {
		assert.False(t, b.w.Drops.Known())
		b.run(5*time.Second, steady(100), nil)
		b.step(0, 12.6, 0.05)
		assert.Equal(t, k+1, b.w.Drops.Count)
	}
	require.True(t, b.w.Drops.Known())
	mohm, amps, postV := b.w.Drops.Mean()
	assert.InDelta(t, (3.5+3.5+3.5)/3, mohm, 0.01)
	assert.InDelta(t, 100, amps, 1e-6)
	assert.InDelta(t, 11.8, postV, 1e-6)

	b.in.FeedA = 40
	b.run(5*time.Second, steady(100), nil)
	mohm, amps, _ = b.w.Drops.Mean()
	assert.InDelta(t, (2*3.5+2.5)/3, mohm, 0.01, "0.35 V at 140 A")
	assert.InDelta(t, (100+100+140)/3.0, amps, 1e-6)
	b.in.FeedA = -1
	b.run(5*time.Second, steady(60), nil)
	same, _, _ := b.w.Drops.Mean()
	assert.InDelta(t, mohm, same, 1e-12, "nobody knows what the feed gave")
	assert.Equal(t, 3, b.w.Drops.Count)
}

// A start that draws 300 A and falls to the lift's 100 A shows the resistance whatever the taps err by:
// 4 mΩ, with a motor's tap that reads 2 % high. It must be read every 50 ms, and draw 25 A more.
func TestDropByTheStart(t *testing.T) {
	run := func(b *bench, most float64, every time.Duration) {
		b.in.Running, b.in.Since = true, b.in.Now
		for at := every; at < 5*time.Second; at += every {
			amps := 100 + (most-100)*math.Exp(-at.Seconds()/0.1)
			b.in.Now += every
			bank := 12.4 - 0.004*amps
			for i := range 2 {
				b.scan.Battery[i].VoltageV, b.scan.Battery[i].CurrentA = good(bank), good(-amps/2)
			}
			b.in.BankA, b.scan.MotorV = good(-amps), good(1.02*(bank-0.004*amps))
			b.look()
		}
		b.in.Ended = []time.Duration{5 * time.Second}
		b.rest(tick)
	}
	for _, tt := range []struct {
		most  float64
		every time.Duration
		known bool
	}{
		{300, 10 * time.Millisecond, true}, {300, 45 * time.Millisecond, true}, {300, 55 * time.Millisecond, false},
		{300, time.Second, false}, {120, 10 * time.Millisecond, false},
	} {
		b := newBench(0)
		for range 3 {
			_, ok := b.w.Drops.ByStart()
			assert.False(t, ok, "of three runs")
			run(b, tt.most, tt.every)
		}
		mohm, ok := b.w.Drops.ByStart()
		assert.Equal(t, tt.known, ok, "%+v", tt)
		byLift, _, _ := b.w.Drops.Mean()
		assert.InDelta(t, 4-2.3, byLift, 0.2, "%+v", tt)
		if ok {
			assert.InDelta(t, 4, mohm, 0.2, "%+v: 2 %% of what the bank falls by, 8 mΩ", tt)
		}
	}
}

// A current that did not react makes the rest of the bank's current look like the motor's: such a run
// says nothing.
func TestARunWithAStillCurrentTeachesNothing(t *testing.T) {
	b := newBench(0)
	b.in.Unsure = true
	b.run(5*time.Second, steady(50), nil)
	assert.Zero(t, b.w.Drops.Count)
	assert.Zero(t, b.w.Usual.Count)
	b.in.Unsure = false
	b.run(5*time.Second, steady(100), nil)
	assert.Equal(t, 1, b.w.Drops.Count)
	assert.EqualValues(t, 1, b.w.Usual.Count)
}

func TestRunsThatSayNothingOfTheDrop(t *testing.T) {
	count := func(change func(b *bench), scan func(b *bench)) int {
		b := newBench(0)
		change(b)
		b.in.Running, b.in.Since = true, b.in.Now
		for range 50 {
			b.in.Now += tick
			b.scan.Battery[0].VoltageV, b.scan.Battery[1].VoltageV = good(11.8), good(11.9)
			b.scan.Battery[0].CurrentA, b.scan.Battery[1].CurrentA = good(-50), good(-50)
			b.in.BankA, b.scan.MotorV = good(-100), good(11.5)
			scan(b)
			b.look()
		}
		b.in.Ended = []time.Duration{5 * time.Second}
		b.rest(tick)
		return b.w.Drops.Count
	}
	same := func(*bench) {}
	assert.Equal(t, 1, count(same, same))
	assert.Equal(t, 1, count(same, func(b *bench) { b.scan.MotorV = good(3.1) }))
	assert.Equal(t, 0, count(same, func(b *bench) { b.scan.MotorV = good(2.9) }), "not connected")
	assert.Equal(t, 0, count(same, func(b *bench) { b.scan.MotorV.Quality = unit.NoAnswer }))
	assert.Equal(t, 1, count(func(b *bench) { b.scan.Battery[1].NegativeV = good(0.19) }, same))
	assert.Equal(t, 0, count(func(b *bench) { b.scan.Battery[1].NegativeV = good(0.21) }, same),
		"it hangs on an open link")
	assert.Equal(t, 0, count(same, func(b *bench) {
		b.scan.Battery[0].VoltageV.Quality, b.scan.Battery[1].VoltageV.Quality = unit.NoAnswer, unit.NoAnswer
	}))
	// The terminal's own zero is taken at rest only from a tap that shows next to nothing.
	b := newBench(0)
	b.step(0, 12.6, 2.9)
	b.run(5*time.Second, steady(100), nil)
	assert.InDelta(t, 1000*(11.8-11.5+2.9)/100, b.w.Drops.Mohm[0], 0.01)
	b = newBench(0)
	b.step(0, 12.6, 3.1)
	b.run(5*time.Second, steady(100), nil)
	assert.InDelta(t, 1000*(11.8-11.5)/100, b.w.Drops.Mohm[0], 0.01)
}

func TestLowestPositive(t *testing.T) {
	var s unit.Scan
	assert.True(t, math.IsInf(pump.LowestPositive(&s, 2), 1), "none is read")
	s.Battery[0] = unit.Battery{VoltageV: good(11.9)}
	s.Battery[1] = unit.Battery{VoltageV: good(11.5), NegativeV: good(0.3)}
	s.Battery[2] = unit.Battery{VoltageV: good(3)}
	assert.InDelta(t, 11.8, pump.LowestPositive(&s, 2), 1e-12)
}

// The level of a run is the mean of 1 to 2.5 s. The relief valve opens at 1.2 times that.
func TestReliefValve(t *testing.T) {
	b := newBench(0)
	b.in.Running, b.in.Since = true, b.in.Now
	play := func(amps float64, span time.Duration) (time.Duration, float64) {
		for range span / tick {
			b.step(amps, 11.8, 11.5)
		}
		return b.w.Relief()
	}
	relief, level := play(80, 900*time.Millisecond) // inrush and the first oil: not part of it
	assert.Zero(t, relief)
	assert.Zero(t, level)
	play(95, 800*time.Millisecond)
	_, level = play(105, 800*time.Millisecond) // to 2.5 s: as long at either
	assert.Zero(t, level)
	relief, level = play(119, 5*time.Second)
	assert.InDelta(t, 100, level, 1e-6)
	assert.Zero(t, relief)
	relief, _ = play(121, 2*time.Second)
	assert.Equal(t, 1900*time.Millisecond, relief, "from its first scan on")
	play(119, time.Second)
	relief, _ = play(121, time.Second)
	assert.Equal(t, 1900*time.Millisecond, relief, "the longest")
	relief, _ = play(121, 3*time.Second)
	assert.Equal(t, 3900*time.Millisecond, relief)
	b.in.Ended = []time.Duration{14 * time.Second}
	b.rest(tick)
	relief, level = b.w.Relief()
	assert.Zero(t, relief)
	assert.Zero(t, level)

	// A level that is no motor's is none.
	b = newBench(0)
	b.in.Running, b.in.Since = true, b.in.Now
	play(29, 3*time.Second)
	relief, _ = play(120, 3*time.Second)
	assert.Zero(t, relief)
}

// Each battery's part of a run is what it gives beyond what it gave before: a wrong zero, or a
// drain, has no share of the motor's current.
func TestWhatEachBatteryGives(t *testing.T) {
	b := newBench(0)
	quiet := func(a0, a1 float64) {
		b.scan.Battery[0].CurrentA, b.scan.Battery[1].CurrentA = good(a0), good(a1)
		b.in.Now += tick
		b.in.Running = false
		b.look()
	}
	run := func() (ended pump.Ended) {
		b.drawn = [unit.MaxBatteries]float64{}
		b.in.Running, b.in.Since = true, b.in.Now
		for range 101 { // the first scan begins it
			b.scan.Battery[0].CurrentA, b.scan.Battery[1].CurrentA = good(-60), good(-40)
			b.in.BankA, b.scan.MotorV = good(-100), good(11.5)
			b.look()
			b.in.Now += tick
		}
		b.in.Ended = []time.Duration{10 * time.Second}
		b.in.Running = false
		b.look()
		require.Len(t, b.ended, 1)
		assert.Equal(t, b.drawn, b.ended[0].BatteryAs)
		return b.ended[0]
	}
	quiet(-0.5, 0.5)
	e := run()
	assert.InDelta(t, 10*59.5, e.BatteryAs[0], 1e-6)
	assert.InDelta(t, 10*40.5, e.BatteryAs[1], 1e-6)
	assert.True(t, e.MotorVSeen && e.MotorRead)
	b.scan.WakeLine = unit.ContactOn
	quiet(10, 12)
	e = run()
	assert.InDelta(t, 10*60, e.BatteryAs[0], 1e-6, "what charged before the run is no zero")

	// A terminal that shows nothing in a run that drew current; one without current says nothing.
	b = newBench(0)
	play := func(amps, motorV float64) pump.Ended {
		b.in.Running, b.in.Since = true, b.in.Now
		for range 50 {
			b.step(amps, 11.8, motorV)
		}
		b.in.Ended = []time.Duration{5 * time.Second}
		b.in.Running = false
		b.step(0, 12.6, 0)
		require.Len(t, b.ended, 1)
		return b.ended[0]
	}
	e = play(100, 2.9)
	assert.True(t, e.MotorRead)
	assert.False(t, e.MotorVSeen)
	assert.True(t, play(100, 3.1).MotorVSeen)
	assert.False(t, play(25, 0).MotorRead)
}

// The start may hold a current sensor at the end of its range for 0.3 s: that current is not
// missing.
func TestInrush(t *testing.T) {
	assert.True(t, pump.Inrush(true, time.Second, 1300*time.Millisecond))
	assert.False(t, pump.Inrush(true, time.Second, 1301*time.Millisecond))
	assert.False(t, pump.Inrush(false, time.Second, 1300*time.Millisecond))
	b := newBench(0)
	b.in.Running, b.in.Since, b.in.BankA = true, b.in.Now, unit.Reading{Quality: unit.Saturated}
	for k := 1; k <= 5; k++ {
		b.in.Now += tick
		b.look()
		assert.Equal(t, k > 3, b.unsee, k)
	}
}
