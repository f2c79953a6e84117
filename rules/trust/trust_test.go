package trust_test

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/trust"
	"liftbank/rules/unit"
)

func good(v float64) unit.Reading { return unit.Reading{Value: v, Quality: unit.Good} }

var missing = unit.Reading{Quality: unit.NoAnswer}

// bench is the channels of a unit at rest, tractor away.
type bench struct {
	t  *testing.T
	c  *trust.Channels
	n  int
	in unit.Scan
	f  trust.Facts
}

func newBench(t *testing.T, n int) *bench {
	b := &bench{t: t, c: trust.New(n), n: n, f: trust.Facts{MinA: 30, BankA: good(0), Quiet: true}}
	b.in.WakeLine, b.in.MotorCommand = unit.ContactOff, unit.ContactOff
	b.in.FeedV, b.in.MotorV = good(12.6), good(0)
	for i := range n {
		b.in.Battery[i] = unit.Battery{VoltageV: good(12.6), CurrentA: good(0), TempC: good(20)}
	}
	return b
}

func (b *bench) step(after time.Duration) {
	b.in.At.Mono += after
	b.c.Begin(b.in.At.Mono)
	b.c.Check(&b.in, b.f)
}

func (b *bench) hold(span, every time.Duration) {
	for range span / every {
		b.step(every)
	}
}

// run has a motor run of which each battery gave this many ampere seconds, just ended.
func (b *bench) run(as ...float64) {
	b.f.Running = true
	b.step(time.Second)
	b.f.Running, b.f.EverRan, b.f.RanTo = false, true, b.in.At.Mono
	var each [unit.MaxBatteries]float64
	copy(each[:], as)
	b.c.RunShares(&each)
}

// why says what is wrong with a channel: the ID of the text without "sensor.", empty when it is
// believed.
func (b *bench) why(ch unit.Channel) string {
	b.t.Helper()
	text := b.c.WhyNot(ch, *b.in.Reading(ch))
	if text == nil {
		assert.False(b.t, b.c.Doubted(ch))
		return ""
	}
	return text.ID[len("sensor."):]
}

var (
	voltA = unit.ChannelOf(unit.BatteryVoltage, 0)
	voltB = unit.ChannelOf(unit.BatteryVoltage, 1)
	voltC = unit.ChannelOf(unit.BatteryVoltage, 2)
	ampA  = unit.ChannelOf(unit.BatteryCurrent, 0)
	ampB  = unit.ChannelOf(unit.BatteryCurrent, 1)
	tempA = unit.ChannelOf(unit.BatteryTemp, 0)
)

// The share of readings that are far from the one before is averaged over 30. After k in a row it
// is 1 - (29/30)^k, more than 0.3 with the 11th. From 0.311, k good ones leave 0.311 (29/30)^k,
// less than 0.05 with the 54th.
func TestNoise(t *testing.T) {
	for _, c := range []struct {
		ch        unit.Channel
		far, near float64
	}{
		{voltA, 0.11, 0.09}, {ampA, 2.2, 1.8}, {tempA, 1.1, 0.9}, {unit.Feed, 0.11, 0.09}, {unit.Motor, 0.11, 0.09},
		{unit.ChannelOf(unit.BatteryNegative, 1), 0.11, 0.09},
	} {
		b := newBench(t, 2)
		r := b.in.Reading(c.ch)
		r.Quality = unit.Good
		flutter := func(k int, by float64) {
			for range k {
				r.Value += by
				b.step(time.Second)
				by = -by
			}
		}
		b.step(time.Second)
		flutter(100, c.near)
		assert.Empty(t, b.why(c.ch), "a channel of its class flutters so")
		flutter(10, c.far)
		assert.Empty(t, b.why(c.ch))
		flutter(1, c.far)
		assert.Equal(t, "noise", b.why(c.ch))
		flutter(53, 0)
		assert.Equal(t, "noise", b.why(c.ch))
		flutter(1, 0)
		assert.Empty(t, b.why(c.ch))
	}
}

// Readings a minute apart differ by what was switched between them: voltage and current move
// together, by a block's resistance, and the feed's and the motor's terminals with them. What moves
// alone, against the current, or by more than a block's resistance makes, is noise as before.
func TestLoadsAreNoNoise(t *testing.T) {
	flutter := func(ohm float64, dA float64, others ...unit.Channel) *bench {
		b := newBench(t, 2)
		b.step(time.Minute)
		for k := range 60 {
			by := dA
			if k%2 == 1 {
				by = -dA
			}
			for i := range 2 {
				b.in.Battery[i].CurrentA.Value += by
				b.in.Battery[i].VoltageV.Value += ohm * by
			}
			for _, ch := range others {
				b.in.Reading(ch).Quality = unit.Good
				b.in.Reading(ch).Value += 0.3 * by / dA
			}
			b.step(time.Minute)
		}
		return b
	}
	for _, ohm := range []float64{0.0025, 0.01, 0.08} {
		b := flutter(ohm, -60, unit.Feed, unit.Motor, tempA)
		for _, ch := range []unit.Channel{voltA, ampA, unit.Feed, unit.Motor} {
			assert.Empty(t, b.why(ch), "%g Ω, channel %d", ohm, ch)
		}
	}
	assert.Equal(t, "noise", flutter(0.0005, -60).why(ampA), "the voltage stays")
	assert.Equal(t, "noise", flutter(-0.01, -60).why(voltA), "against the current")
	assert.Equal(t, "noise", flutter(0.5, -1).why(voltA), "no load does that")
	b := newBench(t, 2)
	b.step(time.Minute)
	for k := range 60 {
		by := 2.0 * float64(1-2*(k%2))
		b.in.Battery[0].CurrentA.Value += by
		b.in.Battery[0].VoltageV.Value += 0.01 * by
		b.in.Battery[0].TempC.Value += by
		b.step(time.Minute)
	}
	assert.NotEmpty(t, b.why(tempA), "no load warms a battery so fast")

	// A scan every four seconds is a board at its usual pace, whose disturbances move both; one every six is a
	// recording or a board that looks seldom, and what was switched in between is more likely.
	for every, why := range map[time.Duration]string{time.Second: "noise", 4 * time.Second: "noise", 6 * time.Second: ""} {
		b = newBench(t, 2)
		b.step(every)
		for k := range 60 {
			by := float64(1 - 2*(k%2))
			b.in.Battery[0].CurrentA.Value += 10 * by
			b.in.Battery[0].VoltageV.Value += 0.2 * by
			b.step(every)
		}
		assert.Equal(t, why, b.why(voltA), "scans %v apart", every)
	}
}

// A motor run, its command and the 5 s after it move every voltage and current.
func TestNoNoiseAroundARun(t *testing.T) {
	flutter := func(b *bench) string {
		for k := range 40 {
			b.in.Battery[0].VoltageV.Value = 12 + 0.5*float64(k%2)
			b.step(100 * time.Millisecond)
		}
		return b.why(voltA)
	}
	b := newBench(t, 2)
	b.f.Running = true
	assert.Empty(t, flutter(b), "in the run")
	b.f.Running, b.f.EverRan, b.f.RanTo = false, true, b.in.At.Mono
	assert.Empty(t, flutter(b), "4 s after it")
	b.hold(time.Second, time.Second)
	b.in.MotorCommand = unit.ContactOn
	assert.Empty(t, flutter(b), "commanded")
	b.in.MotorCommand = unit.ContactOff
	assert.Equal(t, "noise", flutter(b), "at rest")

	for _, c := range []struct {
		after time.Duration
		why   string
	}{{4900 * time.Millisecond, ""}, {5100 * time.Millisecond, "noise"}} {
		b = newBench(t, 2)
		b.step(time.Second)
		b.f.EverRan = true
		for k := range 40 {
			b.in.Battery[0].VoltageV.Value = 12 + 0.5*float64(k%2)
			b.f.RanTo = b.in.At.Mono + time.Second - c.after
			b.step(time.Second)
		}
		assert.Equal(t, c.why, b.why(voltA), c.after)
	}
}

// A reading that was missing begins again: the step over the gap is none.
func TestNoNoiseOverAMissingReading(t *testing.T) {
	b := newBench(t, 1)
	for k := range 40 {
		b.in.Battery[0].VoltageV = good(12 + 0.5*float64(k%2))
		b.step(time.Second)
		b.in.Battery[0].VoltageV = missing
		b.step(time.Second)
	}
	b.in.Battery[0].VoltageV = good(12)
	assert.Empty(t, b.why(voltA))
	b.c.Gap()
	assert.False(t, b.c.Channel[voltA].HasLast)
}

// Three batteries, all of which carried the last run. At rest, 10 min after anything was asked for,
// one post differs from the others by more than 0.35 V, for 10 min.
func TestPostsDiffer(t *testing.T) {
	b := newBench(t, 3)
	b.in.FeedV = missing
	b.run(500, 500, 500)
	b.in.Battery[1].VoltageV = good(12.94)
	b.hold(40*time.Minute, 10*time.Second)
	assert.Empty(t, b.why(voltB), "0.34 V is what two taps may differ by")

	b.in.Battery[1].VoltageV = good(12.96)
	b.hold(40*time.Minute, 10*time.Second)
	assert.Empty(t, b.why(voltB), "a link may have opened since the last run")
	assert.True(t, b.c.PostsDisagree())
	var masked unit.Scan
	b.c.Mask(&b.in, &masked)
	assert.True(t, b.c.Disagrees(1, &masked))
	assert.False(t, b.c.Disagrees(0, &masked))

	b.run(500, 500, 500)
	b.hold(10*time.Minute, 10*time.Second)
	assert.Empty(t, b.why(voltB), "only after 10 min of rest")
	b.step(10 * time.Second)
	assert.Equal(t, "posts-differ", b.why(voltB), "the run showed that it is joined: it is the channel")
	assert.Empty(t, b.why(voltA)+b.why(voltC))
	assert.False(t, b.c.PostsDisagree(), "it is known why")

	// It ends once it agrees, within 0.3 V, for a minute.
	b.in.Battery[1].VoltageV = good(12.92)
	b.hold(10*time.Minute, 10*time.Second)
	assert.Equal(t, "posts-differ", b.why(voltB))
	b.in.Battery[1].VoltageV = good(12.88)
	b.hold(time.Minute, 10*time.Second)
	assert.Equal(t, "posts-differ", b.why(voltB))
	b.step(10 * time.Second)
	assert.Empty(t, b.why(voltB))
}

// The doubt needs 10 min of difference that a run has not explained, and none of the time counts in
// which somebody asks for the motor or the feed.
func TestPostsDifferForTenMinutes(t *testing.T) {
	b := newBench(t, 3)
	b.in.FeedV = missing
	b.run(500, 500, 500)
	b.hold(11*time.Minute, 10*time.Second)
	b.in.Battery[1].VoltageV = good(13.2)
	b.step(10 * time.Second)
	var as = [unit.MaxBatteries]float64{500, 500, 500}
	b.step(10 * time.Second)
	b.c.RunShares(&as)
	b.hold(9*time.Minute+40*time.Second, 10*time.Second)
	assert.Empty(t, b.why(voltB))
	b.step(10 * time.Second)
	assert.Equal(t, "posts-differ", b.why(voltB))

	for name, ask := range map[string]func(b *bench){
		"wake line":                   func(b *bench) { b.in.WakeLine = unit.ContactOn },
		"motor command":               func(b *bench) { b.in.MotorCommand = unit.ContactOn },
		"no wake line, and not quiet": func(b *bench) { b.in.WakeLine, b.f.Quiet = unit.ContactNotFitted, false },
		"in series":                   func(b *bench) { b.f.InSeries = true },
	} {
		b := newBench(t, 3)
		b.in.FeedV = missing
		b.run(500, 500, 500)
		ask(b)
		b.in.Battery[1].VoltageV = good(13.2)
		b.hold(30*time.Minute, 10*time.Second)
		assert.False(t, b.c.PostsDisagree(), name)
	}
	b = newBench(t, 3)
	b.in.WakeLine = unit.ContactNotFitted
	b.in.Battery[1].VoltageV = good(13.2)
	b.hold(30*time.Minute, 10*time.Second)
	assert.True(t, b.c.PostsDisagree(), "quiet tells where the wake line is not wired")
}

// Two posts that differ are both in doubt, unless the feed's terminal, which the charge breaker
// joins to the bank, agrees with one.
func TestTheFeedsTerminalIsAThirdPost(t *testing.T) {
	for _, c := range []struct {
		feedV    unit.Reading
		whyA     string
		whyB     string
		comments string
	}{
		{missing, "posts-differ", "posts-differ", "nobody says which"},
		{good(12.89), "", "posts-differ", "within 0.3 V of a"},
		{good(12.91), "", "", "within 0.3 V of neither more than of the other: 0.31 and 0.29 V"},
		{good(4.9), "posts-differ", "posts-differ", "behind an open breaker it says nothing"},
	} {
		b := newBench(t, 2)
		b.run(500, 500)
		b.in.FeedV = c.feedV
		b.in.Battery[1].VoltageV = good(13.25)
		if c.feedV.Value == 12.91 {
			b.in.Battery[0].VoltageV, b.in.Battery[1].VoltageV = good(12.62), good(13.2)
		}
		b.hold(12*time.Minute, 10*time.Second)
		b.run(500, 500)
		b.hold(12*time.Minute, 10*time.Second)
		assert.Equal(t, c.whyA, b.why(voltA), c.comments)
		assert.Equal(t, c.whyB, b.why(voltB), c.comments)
	}
}

// A battery that gave less than a twentieth of the last run may hang on an open link: it has a
// voltage of its own.
func TestABatteryThatIsNotJoinedHasAVoltageOfItsOwn(t *testing.T) {
	for _, c := range []struct {
		bAs float64
		why string
	}{{49, ""}, {52, "posts-differ"}} {
		b := newBench(t, 3)
		b.in.FeedV = missing
		b.in.Battery[1].VoltageV = good(13.2)
		b.run(475, c.bAs, 475)
		b.hold(12*time.Minute, 10*time.Second)
		b.run(475, c.bAs, 475)
		b.hold(12*time.Minute, 10*time.Second)
		assert.Equal(t, c.why, b.why(voltB), "%g of %g As", c.bAs, 950+c.bAs)
	}
	// Nor one whose negative post is 0.3 V off the others'; it ends a doubt.
	b := newBench(t, 3)
	b.in.FeedV = missing
	b.in.Battery[1].VoltageV = good(13.2)
	b.run(500, 500, 500)
	b.hold(12*time.Minute, 10*time.Second)
	b.run(500, 500, 500)
	b.hold(12*time.Minute, 10*time.Second)
	require.Equal(t, "posts-differ", b.why(voltB))
	b.in.Battery[2].NegativeV = good(-0.29)
	assert.True(t, b.c.Joined(&b.in))
	b.hold(12*time.Minute, 10*time.Second)
	assert.Equal(t, "posts-differ", b.why(voltB))
	b.in.Battery[2].NegativeV = good(-0.31)
	assert.False(t, b.c.Joined(&b.in))
	b.hold(2*time.Minute, 10*time.Second)
	assert.Empty(t, b.why(voltB))
}

// A run of less than 50 As shares nothing that could be told.
func TestSharesOfARun(t *testing.T) {
	c := trust.New(2)
	c.Begin(time.Hour)
	c.RunShares(&[unit.MaxBatteries]float64{30, 19})
	assert.False(t, c.HasShares)
	c.RunShares(&[unit.MaxBatteries]float64{31, 20})
	assert.True(t, c.HasShares)
	assert.Equal(t, time.Hour, c.SharesAt)
	assert.InDelta(t, 31.0/51, c.Shares[0], 1e-12)
	assert.InDelta(t, 20.0/51, c.Shares[1], 1e-12)
}

// At rest more than 3 A that one channel shows alone, the others together within 1 A of nothing,
// for 30 min; less than 1.5 A for a minute ends the doubt.
func TestACurrentThatTheOthersRuleOut(t *testing.T) {
	play := func(aA, bA float64) *bench {
		b := newBench(t, 2)
		b.run(500, 500)
		b.in.Battery[0].CurrentA, b.in.Battery[1].CurrentA = good(aA), good(bA)
		b.hold(10*time.Minute+10*time.Second, 10*time.Second)
		b.hold(30*time.Minute-10*time.Second, 10*time.Second)
		assert.Empty(t, b.why(ampA), "not before 30 min")
		b.hold(10*time.Second, 10*time.Second)
		return b
	}
	assert.Empty(t, play(2.9, 0).why(ampA))
	assert.Equal(t, "idle-current", play(3.1, 0).why(ampA))
	assert.Equal(t, "idle-current", play(-3.1, 0).why(ampA), "out of the battery just so")
	assert.Equal(t, "idle-current", play(4.2, -0.9).why(ampA))
	assert.Empty(t, play(4.2, -1.1).why(ampA), "into one and out of the other: it flows between them")
	assert.Empty(t, play(5, 5).why(ampA), "a charger on the posts")
	b := play(3.1, 0.4)
	assert.Empty(t, b.why(ampB))
	b.in.Battery[0].CurrentA = good(1.6)
	b.hold(10*time.Minute, 10*time.Second)
	assert.Equal(t, "idle-current", b.why(ampA))
	b.in.Battery[0].CurrentA = good(1.4)
	b.hold(time.Minute, 10*time.Second)
	assert.Equal(t, "idle-current", b.why(ampA))
	b.step(10 * time.Second)
	assert.Empty(t, b.why(ampA))

	// One that gave all of the last run may feed a drain alone: the others hang on open links.
	for _, c := range []struct {
		aAs float64
		why string
	}{{960, ""}, {940, "idle-current"}} {
		b := newBench(t, 2)
		b.run(c.aAs, 1000-c.aAs)
		b.in.Battery[0].CurrentA = good(-8)
		b.hold(45*time.Minute, 10*time.Second)
		assert.Equal(t, c.why, b.why(ampA), "%g of 1000 As", c.aAs)
	}
	// A current that can't be read could be the other witness; one battery has none.
	b = newBench(t, 3)
	b.run(500, 500, 500)
	b.in.Battery[0].CurrentA, b.in.Battery[2].CurrentA = good(8), missing
	b.hold(45*time.Minute, 10*time.Second)
	assert.Empty(t, b.why(ampA))
	b = newBench(t, 1)
	b.run(500)
	b.in.Battery[0].CurrentA = good(8)
	b.hold(45*time.Minute, 10*time.Second)
	assert.Empty(t, b.why(ampA))
}

// A battery warms by 0.3 °C a minute at most: 6 °C beyond that it is not the battery.
func TestATemperatureThatJumps(t *testing.T) {
	at := func(b *bench, c float64) { b.in.Battery[0].TempC = good(c) }
	b := newBench(t, 2)
	b.step(time.Second)
	at(b, 25.9)
	b.step(time.Second)
	assert.Empty(t, b.why(tempA))
	b = newBench(t, 2)
	b.step(time.Second)
	at(b, 26.1)
	b.step(time.Second)
	assert.Equal(t, "jump", b.why(tempA))

	// In 10 min it may have become 3 °C warmer.
	for _, c := range []struct {
		c   float64
		why string
	}{{28.9, ""}, {29.1, "jump"}} {
		b := newBench(t, 2)
		b.step(time.Second)
		at(b, c.c)
		b.step(10 * time.Minute)
		assert.Equal(t, c.why, b.why(tempA), c.c)
	}

	// A step back of more than 3 °C, to within 15 °C of what it can be, ends the doubt.
	jumped := func() *bench {
		b := newBench(t, 2)
		b.step(time.Second)
		at(b, 50)
		b.step(time.Second)
		require.Equal(t, "jump", b.why(tempA))
		return b
	}
	b = jumped()
	at(b, 35.5)
	b.step(time.Second)
	assert.Equal(t, "jump", b.why(tempA), "15.5 °C away")
	at(b, 32.6)
	b.step(time.Second)
	assert.Equal(t, "jump", b.why(tempA), "a step of 2.9 °C: it may fall as it was")
	b = jumped()
	at(b, 34.5)
	b.step(time.Second)
	assert.Empty(t, b.why(tempA))
	b = jumped()
	at(b, 37)
	b.step(time.Second)
	at(b, 33.9)
	b.step(time.Second)
	assert.Empty(t, b.why(tempA), "3.1 °C")

	// What jumped by less than 25 °C is forgotten after a day: another place, another battery.
	for _, c := range []struct {
		c   float64
		why string
	}{{44.5, ""}, {45.5, "jump"}} {
		b := newBench(t, 2)
		b.step(time.Second)
		at(b, c.c)
		b.step(time.Second)
		b.hold(24*time.Hour, 10*time.Minute)
		assert.Equal(t, "jump", b.why(tempA), c.c)
		b.step(10 * time.Minute)
		assert.Equal(t, c.why, b.why(tempA), c.c)
	}
	// A new one may come warm from a shop, and after a start nobody knows how long it was off.
	b = newBench(t, 2)
	b.step(time.Second)
	b.c.Replaced(0)
	at(b, 40)
	b.step(time.Second)
	assert.Empty(t, b.why(tempA))
	require.NoError(t, b.c.Restore(b.c.Memory))
	at(b, 5)
	b.step(time.Second)
	assert.Empty(t, b.why(tempA))
}

// Three runs in a row that drew current without voltage at the motor terminal; one with it ends the
// doubt.
func TestMotorTerminalThatShowsNothing(t *testing.T) {
	b := newBench(t, 2)
	b.c.RunMotor(false)
	b.c.RunMotor(false)
	b.step(time.Second)
	assert.Empty(t, b.why(unit.Motor))
	b.c.RunMotor(true)
	b.c.RunMotor(false)
	b.c.RunMotor(false)
	b.step(time.Second)
	assert.Empty(t, b.why(unit.Motor), "not in a row")
	b.in.Battery[1].NegativeV = good(0.5)
	b.c.RunMotor(false)
	b.step(time.Second)
	assert.Empty(t, b.why(unit.Motor), "its return hangs on a battery with an open negative link")
	b.in.Battery[1].NegativeV = good(0)
	b.step(time.Second)
	assert.Equal(t, "motor-low", b.why(unit.Motor))
	b.in.MotorV = missing
	b.c.RunMotor(true)
	b.step(time.Second)
	assert.True(t, b.c.Doubted(unit.Motor))
	b.in.MotorV = good(0)
	b.step(time.Second)
	assert.Empty(t, b.why(unit.Motor))
}

// Over 3 V for a minute at a motor that is off and draws nothing.
func TestMotorTerminalThatShowsTooMuch(t *testing.T) {
	b := newBench(t, 2)
	play := func(v float64, span time.Duration) string {
		b.in.MotorV = good(v)
		b.hold(span, time.Second)
		return b.why(unit.Motor)
	}
	assert.Empty(t, play(2.9, time.Hour))
	assert.Empty(t, play(3.1, time.Minute))
	assert.Equal(t, "motor-high", play(3.1, time.Second))
	assert.Equal(t, "motor-high", play(2.9, time.Minute))
	assert.Empty(t, play(2.9, time.Second))

	for name, change := range map[string]func(){
		"current flows":              func() { b.f.BankA = good(-30) },
		"nobody knows whether":       func() { b.f.BankA = missing },
		"commanded":                  func() { b.in.MotorCommand = unit.ContactOn },
		"negative link open":         func() { b.in.Battery[1].NegativeV = good(0.5) },
		"runs":                       func() { b.f.Running = true },
		"command that can't be read": func() { b.in.MotorCommand = unit.ContactUnknown },
	} {
		b = newBench(t, 2)
		change()
		assert.Empty(t, play(12, 5*time.Minute), name)
	}
	b = newBench(t, 2)
	b.f.BankA = good(-29)
	assert.Equal(t, "motor-high", play(12, 2*time.Minute))
}

// In a charge of more than 2 A the feed's terminal is not 1 V below the posts.
func TestFeedTerminalInACharge(t *testing.T) {
	b := newBench(t, 2)
	play := func(v, eachA float64, span time.Duration) string {
		b.in.FeedV, b.in.WakeLine = good(v), unit.ContactOn
		b.in.Battery[0].VoltageV, b.in.Battery[1].VoltageV = good(13.9), good(14)
		b.in.Battery[0].CurrentA, b.in.Battery[1].CurrentA = good(eachA), good(eachA)
		b.hold(span, time.Second)
		return b.why(unit.Feed)
	}
	assert.Empty(t, play(13.1, 10, time.Hour))
	assert.Empty(t, play(12.9, 0.9, time.Hour), "1.8 A")
	assert.Empty(t, play(12.9, 1.1, time.Minute))
	assert.Equal(t, "feed-low", play(12.9, 1.1, time.Second))
	assert.Equal(t, "feed-low", play(13.4, 10, time.Hour))
	assert.Equal(t, "feed-low", play(13.6, 10, time.Minute))
	assert.Empty(t, play(13.6, 10, time.Second))

	// What a run's reading began just after it must not go on at the next charge.
	assert.Empty(t, play(12, 10, 30*time.Second))
	assert.Empty(t, play(12, 0, time.Second))
	assert.Empty(t, play(12, 10, 40*time.Second))
	b.in.Battery[0].VoltageV, b.in.Battery[1].VoltageV = missing, missing
	b.hold(time.Hour, 10*time.Second)
	assert.Empty(t, b.why(unit.Feed), "nothing to compare with")
}

// An hour after motor and feed were asked for last, the terminal has the posts' voltage, or none.
func TestFeedTerminalAtRest(t *testing.T) {
	b := newBench(t, 2)
	play := func(v float64, span time.Duration) string {
		b.in.FeedV = good(v)
		b.hold(span, 10*time.Second)
		return b.why(unit.Feed)
	}
	b.run(500, 500)
	assert.Empty(t, play(13.1, time.Hour))
	assert.Empty(t, play(13.1, 10*time.Minute))
	assert.Equal(t, "feed-low", play(13.1, 10*time.Second))
	assert.Equal(t, "feed-low", play(12.96, time.Hour))
	assert.Equal(t, "feed-low", play(12.94, time.Minute))
	assert.Empty(t, play(12.94, 10*time.Second))
	assert.Empty(t, play(12.98, time.Hour), "within 0.4 V")
	assert.Empty(t, play(4.9, time.Hour), "near nothing behind an open breaker")
	assert.Equal(t, "feed-low", play(5.1, time.Hour))
}

// A doubt is not replaced by another.
func TestADoubtIsNotReplacedByAnother(t *testing.T) {
	b := newBench(t, 2)
	for k := range 40 {
		b.in.MotorV = good(float64(k%2) * 2)
		b.step(time.Second)
	}
	require.Equal(t, "noise", b.why(unit.Motor))
	for k := range 100 {
		b.in.MotorV = good(10 + float64(k%2))
		b.step(time.Second)
	}
	assert.Equal(t, "noise", b.why(unit.Motor))
}

// A channel that did not move in three runs that others saw: a voltage by less than 15 mV while its
// own battery gave 12.5 A or more and another 25 A; a current by less than 0.5 A while its own
// voltage fell by 0.2 V and another channel saw the run too.
func TestChannelsThatDoNotReact(t *testing.T) {
	play := func(n int, r trust.Run) *trust.Channels {
		c := trust.New(n)
		for i := range n {
			r.Have[i] = true
		}
		for range 5 {
			c.RunSteps(&r)
		}
		return c
	}
	volts := func(stepV, ownA, otherA float64) uint8 {
		return play(2, trust.Run{
			StepV: [unit.MaxBatteries]float64{stepV, -0.4}, StepA: [unit.MaxBatteries]float64{ownA, otherA},
			ByCommand: true,
		}).UnresponsiveV[0]
	}
	assert.EqualValues(t, 3, volts(0.014, -13, -26))
	assert.EqualValues(t, 0, volts(0.016, -13, -26), "it moved")
	assert.EqualValues(t, 0, volts(-0.016, -13, -26), "it moved")
	assert.EqualValues(t, 0, volts(0, -12, -26), "behind an open link it does not dip")
	assert.EqualValues(t, 0, volts(0, -13, -24), "too little flows to be seen")
	amps := func(stepA, ownV, otherV, otherA float64, byCommand bool) uint8 {
		return play(2, trust.Run{
			StepV: [unit.MaxBatteries]float64{ownV, otherV}, StepA: [unit.MaxBatteries]float64{stepA, otherA},
			ByCommand: byCommand,
		}).UnresponsiveA[0]
	}
	assert.EqualValues(t, 3, amps(0.45, -0.21, 0, -26, true))
	assert.EqualValues(t, 0, amps(0.55, -0.21, 0, -26, true))
	assert.EqualValues(t, 0, amps(0.45, -0.19, 0, -26, true))
	assert.EqualValues(t, 3, amps(0.45, -0.21, -0.21, 0, true))
	assert.EqualValues(t, 0, amps(0.45, -0.21, -0.21, 0, false), "without a command nobody knows that it ran")

	c := trust.New(2)
	still := trust.Run{StepA: [unit.MaxBatteries]float64{-60, -60}, StepV: [unit.MaxBatteries]float64{0, -0.5},
		Have: [unit.MaxBatteries]bool{true, true}}
	var masked unit.Scan
	in := newBench(t, 2).in
	for k := range 3 {
		c.Mask(&in, &masked)
		assert.True(t, masked.Battery[0].VoltageV.OK(), "after %d runs", k)
		assert.Equal(t, k > 0, c.Disagrees(0, &masked))
		c.RunSteps(&still)
	}
	c.Mask(&in, &masked)
	assert.Equal(t, unit.OutOfRange, masked.Battery[0].VoltageV.Quality)
	assert.True(t, masked.Battery[1].VoltageV.OK())
	assert.Equal(t, "sensor.unresponsive", c.WhyNot(voltA, good(12.6)).ID)
	c.RunSteps(&trust.Run{})
	assert.EqualValues(t, 3, c.UnresponsiveV[0], "a run that was not read says nothing")
	still.StepV[0] = -0.4
	c.RunSteps(&still)
	assert.Nil(t, c.WhyNot(voltA, good(12.6)), "one that it reacted to ends it")
	c.RunSteps(&trust.Run{StepV: [unit.MaxBatteries]float64{-0.5, -0.5}, Have: [unit.MaxBatteries]bool{true, true},
		ByCommand: true})
	assert.True(t, c.CurrentUnresponsive(0) && c.CurrentUnresponsive(1))
}

func TestMask(t *testing.T) {
	b := newBench(t, 2)
	b.in.Battery[0] = unit.Battery{VoltageV: good(12.6), NegativeV: good(0.1), CurrentA: good(1), TempC: good(20)}
	b.in.Battery[1] = unit.Battery{VoltageV: good(4.9), NegativeV: missing, CurrentA: good(1), TempC: missing}
	b.c.UnresponsiveA[1] = 3
	b.c.Channel[tempA].Doubt = 1
	var masked unit.Scan
	b.c.Mask(&b.in, &masked)
	assert.InDelta(t, 12.5, masked.Battery[0].VoltageV.Value, 1e-12, "between its own posts")
	assert.Equal(t, unit.OutOfRange, masked.Battery[0].TempC.Quality)
	assert.Equal(t, unit.OutOfRange, masked.Battery[1].VoltageV.Quality, "the board runs from the bank")
	assert.Equal(t, unit.OutOfRange, masked.Battery[1].CurrentA.Quality)
	assert.Equal(t, unit.NoAnswer, masked.Battery[1].TempC.Quality)
	assert.True(t, masked.Battery[0].CurrentA.OK() && masked.FeedV.OK())
	assert.True(t, b.in.Battery[1].VoltageV.OK(), "what was read stays")
	assert.Equal(t, "no-battery-voltage", b.why(voltB))
	b.in.Battery[1].VoltageV = good(5.1)
	assert.Empty(t, b.why(voltB))
}

// Posts that cables join have one voltage: within half a volt.
func TestDisagreesByVoltage(t *testing.T) {
	play := func(bV, bShare float64) (own, other bool) {
		b := newBench(t, 2)
		b.in.Battery[1].VoltageV = good(bV)
		b.run(1000*(1-bShare), 1000*bShare)
		var masked unit.Scan
		b.c.Mask(&b.in, &masked)
		return b.c.Disagrees(1, &masked), b.c.Disagrees(0, &masked)
	}
	own, other := play(13.12, 0.5)
	assert.True(t, own && other)
	own, other = play(13.08, 0.5)
	assert.False(t, own || other)
	own, _ = play(13.12, 0.049)
	assert.False(t, own, "it did not carry its part")
	own, _ = play(13.12, 0.051)
	assert.True(t, own)
}

func TestGapStartsAgain(t *testing.T) {
	b := newBench(t, 2)
	b.in.MotorV = good(12)
	b.hold(50*time.Second, time.Second)
	b.c.Gap()
	b.hold(60*time.Second, time.Second)
	assert.Empty(t, b.why(unit.Motor))
	b.step(time.Second)
	assert.Equal(t, "motor-high", b.why(unit.Motor), "what is known stays")
	b.c.Gap()
	assert.Equal(t, "motor-high", b.why(unit.Motor))
	assert.Equal(t, b.in.At.Mono, b.c.CommandedAt)
}

func TestRestore(t *testing.T) {
	b := newBench(t, 2)
	b.in.MotorV = good(12)
	b.hold(2*time.Minute, time.Second)
	text, err := json.Marshal(b.c.Memory)
	require.NoError(t, err)
	var m trust.Memory
	require.NoError(t, json.Unmarshal(text, &m))
	fresh := trust.New(2)
	require.NoError(t, fresh.Restore(m))
	assert.Equal(t, b.c.Memory, fresh.Memory)
	assert.True(t, fresh.Doubted(unit.Motor))

	for what, change := range map[string]func(m *trust.Memory){
		"share":               func(m *trust.Memory) { m.Shares[1] = math.NaN() },
		"unresponsive V":      func(m *trust.Memory) { m.UnresponsiveV[3] = 4 },
		"unresponsive A":      func(m *trust.Memory) { m.UnresponsiveA[0] = 4 },
		"last":                func(m *trust.Memory) { m.Channel[2].Last = math.Inf(1) },
		"last too large":      func(m *trust.Memory) { m.Channel[2].Last = 1.1e6 },
		"last too small":      func(m *trust.Memory) { m.Channel[2].Last = -1.1e6 },
		"reference":           func(m *trust.Memory) { m.Channel[5].Reference = 1.1e6 },
		"reference too small": func(m *trust.Memory) { m.Channel[5].Reference = -1.1e6 },
		"noise":               func(m *trust.Memory) { m.Channel[0].Noise = 1.01 },
		"no noise":            func(m *trust.Memory) { m.Channel[0].Noise = math.NaN() },
		"doubt":               func(m *trust.Memory) { m.Channel[17].Doubt = 18 },
	} {
		bad := m
		change(&bad)
		other := trust.New(2)
		assert.Error(t, other.Restore(bad), what)
		assert.Equal(t, trust.Memory{}, other.Memory, "%s: changes nothing", what)
	}
	m.UnresponsiveV[0], m.UnresponsiveA[1], m.Channel[1].Doubt = 3, 3, 16
	m.Channel[0].Last, m.Channel[0].Reference, m.Channel[1].Last, m.Channel[1].Reference = 9e5, -9e5, -9e5, 9e5
	assert.NoError(t, fresh.Restore(m))
}

// Every doubt has a text, and no text belongs to two.
func TestEveryDoubtHasAText(t *testing.T) {
	c, seen := trust.New(1), map[*unit.Text]bool{}
	for d := trust.Doubt(1); d < 18; d++ {
		c.Channel[unit.Feed].Doubt = d
		text := c.WhyNot(unit.Feed, good(12))
		require.NotNil(t, text, d)
		assert.False(t, seen[text], text.ID)
		seen[text] = true
	}
}
