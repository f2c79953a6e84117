package trust_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/trust"
	"liftbank/rules/unit"
)

// newStrings is a bank of strings at rest, 12.6 V each, one current sensor a string; posts are over the board's
// ground until step brings them.
func newStrings(t *testing.T, l unit.Layout, n int) (*bench, func(after time.Duration)) {
	b := newBench(t, n)
	b.c = trust.NewOf(l, n)
	measured := b.in
	measured.FeedV = good(25.2)
	for i := range n {
		measured.Battery[i].CurrentA = unit.Reading{}
		if _, upper := l.Below(i); upper {
			measured.Battery[i].VoltageV, measured.Battery[i].NegativeV = good(25.2), good(12.6)
		} else {
			measured.Battery[i].CurrentA = good(0)
		}
	}
	b.in = measured
	return b, func(after time.Duration) {
		raw := b.in
		raw.At.Mono += after
		brought := raw
		l.Bring(&brought, n)
		b.c.Begin(raw.At.Mono)
		var out unit.Scan
		b.c.Mask(&brought, &out)
		b.c.Check(&brought, b.f)
		b.in = raw
	}
}

func believed(b *bench, l unit.Layout) (ok [unit.MaxBatteries]bool) {
	brought, out := b.in, unit.Scan{}
	l.Bring(&brought, b.n)
	b.c.Mask(&brought, &out)
	for i := range b.n {
		ok[i] = out.Battery[i].VoltageV.OK()
	}
	return ok
}

// A tap at the middle that reads nothing takes the voltage of both batteries, and not that of the string; it is
// said of the one tap alone.
func TestMiddleTapThatReadsNothing(t *testing.T) {
	b, step := newStrings(t, unit.Series, 2)
	negative := b.in.Battery[1].NegativeV
	b.in.Battery[1].NegativeV = unit.Reading{}
	step(time.Second)
	assert.Equal(t, [4]bool{true, true}, believed(b, unit.Series))
	assert.Equal(t, "", b.why(voltA))
	b.in.Battery[0].VoltageV = good(0.02)
	step(time.Second)
	assert.Equal(t, [4]bool{}, believed(b, unit.Series))
	assert.Equal(t, "no-battery-voltage", b.c.WhyNot(voltA, good(0.02)).ID[len("sensor."):])
	assert.Nil(t, b.c.WhyNot(voltB, good(25.2)), "its own tap is right")
	assert.True(t, b.c.PostBelieved(1))
	b.f.Running = true // it does not come alive by a run
	step(time.Second)
	assert.Equal(t, [4]bool{}, believed(b, unit.Series))
	b.in.Battery[1].NegativeV = negative
	step(time.Second)
	assert.Equal(t, [4]bool{false, true}, believed(b, unit.Series), "the upper one has a tap at each post")
	b.in.Battery[0].VoltageV = unit.Reading{Quality: unit.NoAnswer}
	step(time.Second)
	assert.Equal(t, [4]bool{false, true}, believed(b, unit.Series))
}

// In a run a weak battery of a string may be pulled down to nothing: that is no tap. A tap that comes off in the
// run makes the other battery impossible.
func TestWeakBatteryOfAStringInARun(t *testing.T) {
	b, step := newStrings(t, unit.Series, 2)
	step(time.Second)
	b.f.Running = true
	step(time.Second)
	b.in.Battery[0].VoltageV, b.in.Battery[1].VoltageV, b.in.Battery[1].NegativeV = good(0.5), good(12.3), good(0.45)
	step(time.Second)
	assert.Equal(t, [4]bool{true, true}, believed(b, unit.Series))
	b.in.Battery[0].VoltageV, b.in.Battery[1].VoltageV, b.in.Battery[1].NegativeV = good(-1), good(10.8), unit.Reading{}
	step(time.Second)
	assert.Equal(t, [4]bool{true, true}, believed(b, unit.Series))
	b.in.Battery[0].VoltageV, b.in.Battery[1].VoltageV = good(0.1), good(24.4)
	step(time.Second)
	assert.Equal(t, [4]bool{}, believed(b, unit.Series))
}

// Taps on each other's posts are found within half a minute, each with its reason, and end when put right.
func TestTapsSwapped(t *testing.T) {
	for name, c := range map[string]struct {
		l    unit.Layout
		n    int
		swap [2]int
		odd  [4]bool
	}{
		"of a string":    {unit.Series, 2, [2]int{0, 1}, [4]bool{true, true}},
		"of the second":  {unit.SeriesPairs, 4, [2]int{2, 3}, [4]bool{false, false, true, true}},
		"across strings": {unit.SeriesPairs, 4, [2]int{0, 3}, [4]bool{true, false, false, true}},
	} {
		t.Run(name, func(t *testing.T) {
			b, step := newStrings(t, c.l, c.n)
			right := b.in
			for range 30 {
				step(time.Second)
			}
			low, high := &b.in.Battery[c.swap[0]], &b.in.Battery[c.swap[1]]
			low.VoltageV, high.VoltageV = high.VoltageV, low.VoltageV
			for range 15 {
				step(time.Second)
			}
			for i := range c.n {
				ch := unit.ChannelOf(unit.BatteryVoltage, i)
				assert.Equal(t, c.odd[i], b.c.Doubted(ch), "%d", i)
				if c.odd[i] {
					assert.Equal(t, trust.TapsSwapped, b.c.WhyNot(ch, *b.in.Reading(ch)))
				}
			}
			at := b.in.At
			b.in = right
			b.in.At = at
			for range 70 {
				step(time.Second)
			}
			for i := range c.n {
				assert.False(t, b.c.Doubted(unit.ChannelOf(unit.BatteryVoltage, i)), "%d", i)
			}
		})
	}
}

// One sensor is behind the current of all batteries of a string: what a run shows of it by one is true of the other.
func TestStuckCurrentOfAString(t *testing.T) {
	b, step := newStrings(t, unit.SeriesPairs, 4)
	step(time.Second)
	for range 3 {
		b.c.RunSteps(&trust.Run{
			ByCommand: true, StepV: [4]float64{-0.5, -0.4, -0.5, -0.5}, StepA: [4]float64{0, 0, -70, -70},
			Have: [4]bool{true, false, true, true}, // the middle tap of the first string's upper battery is not read
		})
	}
	for i, stuck := range []bool{true, true, false, false} {
		assert.Equal(t, stuck, b.c.CurrentUnresponsive(i), "%d", i)
	}
	assert.True(t, b.c.StillInRun(1) == b.c.StillInRun(0))
}

// A current with nothing on that one string shows alone is no current; shares of strings are whole.
func TestIdleCurrentOfAString(t *testing.T) {
	b, step := newStrings(t, unit.SeriesPairs, 4)
	b.c.RunShares(&[unit.MaxBatteries]float64{100, 100, 100, 100})
	assert.InDelta(t, 0.5, b.c.Shares[0], 1e-12)
	assert.True(t, b.c.AllCarry())
	b.in.Battery[0].CurrentA = good(5)
	for range 60 {
		step(time.Minute)
	}
	for i, odd := range []bool{true, true, false, false} {
		assert.Equal(t, odd, b.c.Doubted(unit.ChannelOf(unit.BatteryCurrent, i)), "%d", i)
	}
	one, stepOne := newStrings(t, unit.Series, 2)
	one.in.Battery[0].CurrentA = good(5)
	for range 60 {
		stepOne(time.Minute)
	}
	assert.False(t, one.c.Doubted(unit.ChannelOf(unit.BatteryCurrent, 0)), "with one string there is nothing to compare")
}

// The taps at the bank's plus, at the feed and at the motor see the sum: which of two that differ is the odd one,
// the third tells.
func TestTapAtTheTopOfAString(t *testing.T) {
	for odd, c := range map[string]struct{ top, feed float64 }{"top": {26.8, 25.2}, "feed": {25.2, 27.2}} {
		b, step := newStrings(t, unit.Series, 2)
		b.in.Battery[1].VoltageV, b.in.FeedV, b.in.MotorV = good(c.top), good(c.feed), good(0)
		for range 30 {
			step(10 * time.Second)
		}
		for run := range 4 {
			b.f.Running = true
			for k := range 4 {
				b.f.RunFor = time.Duration(k) * time.Second
				b.in.Battery[1].VoltageV, b.in.FeedV, b.in.MotorV = good(c.top-0.8), good(c.feed-0.8), good(24)
				b.in.Battery[0].VoltageV = good(12.2)
				step(time.Second)
			}
			b.f.Running, b.f.EverRan, b.f.RanTo, b.f.RunFor = false, true, b.in.At.Mono, 0
			b.in.MotorV = good(0)
			b.in.Battery[1].VoltageV, b.in.FeedV, b.in.Battery[0].VoltageV = good(c.top), good(c.feed), good(12.6)
			for range 30 {
				step(10 * time.Second)
			}
			_ = run
		}
		for range 120 {
			step(time.Minute)
		}
		assert.Equal(t, odd == "top", b.c.Doubted(voltB), odd)
		assert.Equal(t, odd == "feed", b.c.Doubted(unit.Feed), odd)
		assert.False(t, b.c.Doubted(voltA))
	}
}

// A feed for one battery in two that stands at half of the bank is the wrong feed, and its channel is right.
func TestHalfFeedIsNoFault(t *testing.T) {
	b, step := newStrings(t, unit.Series, 2)
	b.in.WakeLine, b.in.Battery[0].CurrentA, b.in.MotorV = unit.ContactOn, good(10), unit.Reading{}
	b.in.FeedV = good(12.9)
	for range 10 {
		step(time.Minute)
	}
	assert.False(t, b.c.Doubted(unit.Feed))
	b.in.FeedV = good(20)
	for range 10 {
		step(time.Minute)
	}
	assert.True(t, b.c.Doubted(unit.Feed))
}
