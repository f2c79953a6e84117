package trust_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/trust"
	"liftbank/rules/unit"
)

// lifts has a motor run of two seconds in which the posts fall by dropV and each sensor shows this
// current; each is what it showed before, too, when it is 0.
func (b *bench) lifts(dropV float64, amps ...float64) {
	b.hold(10*time.Second, time.Second)
	before := b.in
	b.f.Running, b.f.RunFor = true, 0
	for range 100 {
		b.f.RunFor += 20 * time.Millisecond
		for i, a := range amps {
			b.in.Battery[i].VoltageV.Value = before.Battery[i].VoltageV.Value - dropV
			b.in.Battery[i].CurrentA.Value = before.Battery[i].CurrentA.Value + a
		}
		b.step(20 * time.Millisecond)
	}
	at := b.in.At
	b.in, b.f.Running, b.f.EverRan, b.f.RanTo = before, false, true, at.Mono
	b.in.At = at
	r := trust.Run{ByCommand: true}
	for i, a := range amps {
		r.StepV[i], r.StepA[i], r.Have[i] = -dropV, a, true
	}
	b.c.RunSteps(&r)
}

// A battery whose posts are pulled down gives more: a sensor that shows a charge is the wrong way
// around, in the first run. It is believed again once a run shows the right sign.
func TestASensorOnTheWrongWayAround(t *testing.T) {
	for n := 1; n <= 4; n++ {
		b := newBench(t, n)
		amps := []float64{40, -40, -45, -35}[:n]
		assert.False(t, b.c.SignSeen(0))
		b.lifts(0.5, amps...)
		assert.Equal(t, "reversed", b.why(ampA), n)
		for i := 1; i < n; i++ {
			assert.Empty(t, b.why(unit.ChannelOf(unit.BatteryCurrent, i)))
			assert.True(t, b.c.SignSeen(i))
		}
		assert.False(t, b.c.SignSeen(0))
		b.hold(24*time.Hour, time.Minute)
		assert.Equal(t, "reversed", b.why(ampA), "only a run tells")
		amps[0] = -40
		b.lifts(0.5, amps...)
		assert.Empty(t, b.why(ampA))
		assert.True(t, b.c.SignSeen(0))
	}
	for what, drop := range map[string]float64{"the voltage does not fall": 0.05, "it rises": -0.5} {
		b := newBench(t, 2)
		b.lifts(drop, 40, 40)
		assert.Empty(t, b.why(ampA), what)
	}
	b := newBench(t, 2)
	b.lifts(0.5, 12, -40)
	assert.Empty(t, b.why(ampA), "too little to be sure")
	b.f.Reversed = true
	b.lifts(0.5, 40, -40)
	assert.Empty(t, b.why(ampA), "the battery is the wrong way around")
	b.f.Reversed, b.f.InSeries = false, true
	b.lifts(0.5, 40, -40)
	assert.Empty(t, b.why(ampA))
}

// Three runs in which one sensor alone shows another current for the same drop are a new scale. A
// strap that breaks in a battery has the others give more, and all drop more.
func TestAScaleThatChanges(t *testing.T) {
	for _, by := range []float64{0.5, 2} {
		b := newBench(t, 2)
		for range 6 {
			b.lifts(0.5, -50, -50)
		}
		b.lifts(0.52, -50*by, -51)
		b.lifts(0.49, -50*by, -48)
		assert.Empty(t, b.why(ampA), by)
		b.lifts(0.5, -50*by, -50)
		assert.Equal(t, "scale", b.why(ampA), by)
		assert.Empty(t, b.why(ampB), by)
		b.lifts(0.5, -50*by, -50)
		assert.Equal(t, "scale", b.why(ampA), by)
		b.lifts(0.5, -52, -50)
		assert.Empty(t, b.why(ampA), "it has its old scale again")
	}
	for what, run := range map[string][3]float64{
		"a strap broke": {0.7, -30, -75}, "a heavier lift": {0.9, -90, -90}, "a lighter one": {0.25, -25, -25},
		"less than half as much again": {0.5, -70, -50},
	} {
		b := newBench(t, 2)
		for range 6 {
			b.lifts(0.5, -50, -50)
		}
		for range 6 {
			b.lifts(run[0], run[1:]...)
		}
		assert.Empty(t, b.why(ampA), what)
	}
}

// A battery that seems over one and a half times its rating beside others that do not has a sensor
// that shows too much. Where all do, or there is no other, the rating may be what is wrong.
func TestABatteryThatIsTooGood(t *testing.T) {
	known := func(v float64) unit.Estimate { return unit.Estimate{Value: v, Sigma: 0.1, Known: true} }
	for _, c := range []struct {
		what  string
		share [unit.MaxBatteries]unit.Estimate
		n     int
		why   string
	}{
		{"twice", [4]unit.Estimate{known(2), known(1.05)}, 2, "rating"},
		{"twice of four", [4]unit.Estimate{known(2), known(1.05), known(0.7), known(1)}, 4, "rating"},
		{"not surely", [4]unit.Estimate{known(1.55), known(1)}, 2, ""},
		{"all", [4]unit.Estimate{known(2), known(1.7)}, 2, ""},
		{"alone", [4]unit.Estimate{known(2)}, 1, ""},
		{"the other is not known", [4]unit.Estimate{known(2), {}}, 2, ""},
	} {
		b := newBench(t, c.n)
		b.step(time.Second)
		b.c.Rated(&c.share)
		assert.Equal(t, c.why, b.why(ampA), c.what)
		assert.Equal(t, c.why != "", b.c.Turned(0), c.what)
		c.share[0] = known(1.2)
		b.c.Rated(&c.share)
		assert.Empty(t, b.why(ampA), c.what)
	}
}

// past is a bank that rests at 12.4 V, charged to 60 % at the most.
func past(t *testing.T, n int) *bench {
	b := newBench(t, n)
	for i := range n {
		b.f.Battery[i] = trust.BatteryFacts{FlowA: good(0), RatedAh: 100, AtMostPct: 60, FullV: 12.65}
	}
	b.charger(3*time.Hour, 12.4, 0)
	return b
}

// charger has the posts at this voltage, and this current shown by the first battery's sensor; the
// others share it.
func (b *bench) charger(span time.Duration, volts, amps float64) {
	for i := range b.n {
		b.in.Battery[i].VoltageV = good(volts)
		a := amps
		if i > 0 {
			a = -amps / float64(b.n-1)
		}
		b.f.Battery[i].FlowA, b.in.Battery[i].CurrentA = good(a), good(a)
	}
	b.hold(span, 10*time.Second)
}

// The voltage rises above what a full battery rests at, and no charge is seen that brings it there.
func TestChargedPastItsSensor(t *testing.T) {
	b := past(t, 1)
	b.charger(9*time.Minute, 13.5, 0)
	_, maybe := b.c.PastSensor(0)
	assert.True(t, maybe)
	assert.Empty(t, b.why(ampA))
	b.charger(2*time.Minute, 13.5, 0)
	assert.Equal(t, "past", b.why(ampA))
	b.charger(5*time.Hour, 14.4, 0)
	assert.Equal(t, "past", b.why(ampA))
	b.charger(time.Hour, 12.75, 0)
	assert.Empty(t, b.why(ampA))

	for what, do := range map[string]func(b *bench){
		"a current flows":         func(b *bench) { b.charger(time.Hour, 13.5, 5) },
		"a charge that has ended": func(b *bench) { b.charger(10*time.Minute, 13.5, 20); b.charger(time.Hour, 13, 0) },
		"it recovers from a load": func(b *bench) { b.charger(time.Hour, 12.65, 0) },
		"nearly full": func(b *bench) {
			b.f.Battery[0].AtMostPct = 95
			b.charger(8*time.Hour, 12.6, 0)
			b.charger(time.Hour, 13.5, 0)
		},
		"the tractor is there":        func(b *bench) { b.in.WakeLine = unit.ContactOn; b.charger(time.Hour, 13.5, 0) },
		"its voltage is not believed": func(b *bench) { b.in.Battery[0].VoltageV = missing; b.hold(time.Hour, time.Minute) },
	} {
		b := past(t, 1)
		do(b)
		assert.Empty(t, b.why(ampA), what)
		is, _ := b.c.PastSensor(0)
		assert.False(t, is, what)
	}
}

// Beside others it gives them what the charger puts in. A battery that gives from its own falls, or
// gives less and less.
func TestChargedPastItsSensorBesideOthers(t *testing.T) {
	b := past(t, 2)
	v := 12.45
	for range 8 {
		v += 0.02
		b.charger(10*time.Minute, v, -6)
	}
	assert.Equal(t, "past", b.why(ampA))
	assert.Empty(t, b.why(ampB))

	b = past(t, 2)
	for k := range 12 {
		b.charger(10*time.Minute, 12.45+0.02*float64(k), -6+0.4*float64(k))
	}
	assert.Empty(t, b.why(ampA), "it gives less and less")
	b = past(t, 2)
	for k := range 12 {
		b.charger(10*time.Minute, 12.45-0.01*float64(k), -6)
	}
	assert.Empty(t, b.why(ampA), "it falls")
}

// Of feed and battery alone, which differ at rest, the motor's terminal tells which is wrong. Until
// it has, nobody is accused.
func TestTheMotorTellsWhichTapIsWrong(t *testing.T) {
	for _, c := range []struct {
		volts, feedV float64
		tap, feed    string
	}{{13.75, 12.6, "tap", ""}, {11.55, 12.6, "tap", ""}, {12.6, 11.5, "", "feed-low"}, {12.6, 13.7, "", "feed-low"}} {
		b := newBench(t, 1)
		b.in.Battery[0].VoltageV, b.in.FeedV = good(c.volts), good(c.feedV)
		b.hold(3*time.Hour, time.Minute)
		assert.Empty(t, b.why(voltA)+b.why(unit.Feed), "%+v", c)
		rest := b.in.FeedV
		for range 3 {
			b.in.FeedV, b.in.MotorV = good(c.feedV-0.5), good(11.8)
			b.lifts(0.5, -100)
			b.in.FeedV, b.in.MotorV = rest, good(0)
		}
		b.hold(3*time.Hour, time.Minute)
		assert.Equal(t, c.tap, b.why(voltA), "%+v", c)
		assert.Equal(t, c.feed, b.why(unit.Feed), "%+v", c)
	}
}

// Before the first lifts a single battery's tap that differs from the feed's terminal says nothing of
// the battery, and nothing of a drop between them; taps that have agreed do.
func TestASingleTapIsComparedWithTheFeeds(t *testing.T) {
	b := newBench(t, 1)
	b.step(time.Second)
	assert.True(t, b.c.DropKnown(), "they agree")
	assert.False(t, b.c.PostsDisagree())

	b = newBench(t, 1)
	b.in.Battery[0].VoltageV, b.in.FeedV, b.in.WakeLine = good(11.5), good(13.5), unit.ContactOn
	b.in.Battery[0].CurrentA = good(20)
	b.hold(time.Minute, time.Second)
	assert.False(t, b.c.DropKnown(), "a charge shows no agreement")
	assert.False(t, b.c.PostsDisagree())
	b.in.FeedV, b.in.WakeLine, b.in.Battery[0].CurrentA = good(12.6), unit.ContactOff, good(0)
	b.hold(time.Minute, time.Second)
	assert.False(t, b.c.DropKnown())
	assert.True(t, b.c.PostsDisagree())
	b.in.FeedV = good(0.1)
	b.hold(time.Minute, time.Second)
	assert.True(t, b.c.PostsDisagree(), "an open breaker shows nothing")
	b.in.FeedV = good(11.5)
	b.hold(time.Minute, time.Second)
	assert.True(t, b.c.DropKnown())
	assert.False(t, b.c.PostsDisagree())
	assert.True(t, newBench(t, 2).c.DropKnown(), "beside others it is compared with theirs")
}

// What a single battery's post may be above the motor's terminal in a run: two taps of 1 % below it, and
// what leads and contactor can drop above.
func TestHowFarAPostIsFromTheMotor(t *testing.T) {
	for _, tt := range []struct {
		overV float64
		known bool
	}{{-0.3, false}, {-0.2, true}, {0.3, true}, {0.85, true}, {0.95, false}} {
		b := newBench(t, 1)
		b.in.FeedV = good(10.9) // its tap differs, so that the two never agree
		b.step(time.Minute)
		for range 3 {
			b.f.Running, b.f.RunFor = true, 0
			b.in.MotorV, b.in.Battery[0].VoltageV = good(11), good(11+tt.overV)
			for range 6 {
				b.f.RunFor += time.Second
				b.step(time.Second)
			}
			b.f.Running, b.f.RunFor, b.f.EverRan, b.f.RanTo = false, 0, true, b.in.At.Mono
			b.in.MotorV, b.in.Battery[0].VoltageV = good(0), good(12.6)
			b.step(time.Minute)
		}
		assert.Equal(t, tt.known, b.c.DropKnown(), "%g V above", tt.overV)
	}
}
