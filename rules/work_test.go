package rules_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/rules"
	"liftbank/rules/unit"
	"liftbank/rules/view"
)

// work begins work under way, for its usual time.
func (b *bench) work() {
	require.NoError(b.t, b.engine.BeginWork(view.ByVisit, "R. V.", rules.DefaultWork))
}

// service is what a service visit does to the readings: the disconnect opened and a link parted, a
// workshop's charger and a tester on, a command without its motor, a battery out of the box.
func (b *bench) service() {
	b.in.WakeLine = unit.ContactOn // the tractor's key, to measure
	b.in.Disconnect = unit.ContactOff
	b.hold(20*time.Minute, 5*time.Second)
	b.in.Battery[1] = rules.BatteryInput{VoltageV: good(0.1), CurrentA: good(0), TempC: good(25)}
	b.hold(20*time.Minute, 5*time.Second)
	b.in.Battery[0].VoltageV = good(15.6)
	b.in.Battery[0].TempC = good(61)
	b.hold(20*time.Minute, 5*time.Second)
	b.in.Battery[0] = rules.BatteryInput{VoltageV: good(25), CurrentA: good(-190), TempC: good(25)}
	b.hold(time.Minute, time.Second)
	b.in.Battery[0].VoltageV = good(-12)
	b.hold(time.Minute, time.Second)
	b.set(12.6, 0)
	b.in.MotorCommand = unit.ContactOn
	b.hold(10*time.Second, 100*time.Millisecond)
	b.in.MotorCommand = unit.ContactOff
	b.in.Disconnect, b.in.WakeLine = unit.ContactOn, unit.ContactOff
	b.hold(time.Minute, time.Second)
}

// workBench returns a bench without a tap at the motor.
func workBench(t testing.TB) *bench {
	b := newBench(t, twoFlooded())
	b.in.MotorV = rules.Reading{}
	return b
}

// kinds of the events so far, motor runs apart.
func (b *bench) told() (kinds []rules.EventKind) {
	for _, ev := range b.events {
		if ev.Kind != rules.RunEnded {
			kinds = append(kinds, ev.Kind)
		}
	}
	return kinds
}

func TestNothingIsFoundWhileWorkIsUnderWay(t *testing.T) {
	play := func(working bool) *bench {
		b := workBench(t)
		b.day(1)
		b.events = nil
		require.Empty(t, b.active())
		if working {
			b.work()
		}
		b.service()
		return b
	}
	b := play(false)
	var raised []string
	for _, ev := range b.events {
		if ev.Kind == rules.FindingRaised {
			raised = append(raised, b.out.Findings[ev.Finding].Def.Name)
		}
	}
	for _, name := range []string{"feed-lost", "sense-fault", "series-wired", "reversed"} {
		assert.Contains(t, raised, name, "without the switch it is what it looks like")
	}

	b = play(true)
	assert.Empty(t, b.told())
	assert.Empty(t, b.active())
	assert.True(t, b.out.Work.On)
	require.NoError(t, b.engine.EndWork())
	b.hold(12*time.Hour, 10*time.Second)
	assert.Empty(t, b.told(), "nor of what was seen before its end")
	assert.Equal(t, view.Work{}, b.out.Work)
}

// What was active before is neither cleared by what happens during work, nor told again.
func TestWorkLeavesFindingsAsTheyWere(t *testing.T) {
	b := newBench(t, twoFlooded())
	b.in.WakeLine = unit.ContactOn
	b.hold(10*time.Minute, time.Second)
	require.Equal(t, []string{"feed-lost"}, b.active())
	b.events = nil
	b.work()
	b.set(13.4, 40)
	b.in.FeedV = good(13.6)
	b.hold(3*time.Hour, 5*time.Second)
	assert.Equal(t, []string{"feed-lost"}, b.active())
	assert.Empty(t, b.told())
	require.NoError(t, b.engine.Findings().Acknowledge("feed-lost", "", "R. V.", b.in.At.Mono))
	b.step()
	assert.Equal(t, []rules.EventKind{rules.FindingChanged}, b.told(), "what people do to it goes through")
	require.NoError(t, b.engine.EndWork())
	b.hold(2*time.Minute, time.Second)
	assert.Empty(t, b.active(), "now it is looked at again")
}

// Once the work is over a condition must hold for its whole time, whatever was so before.
func TestHoldsStartAgainAfterWork(t *testing.T) {
	raisedAfter := func(work bool) time.Duration {
		b := newBench(t, twoFlooded())
		b.hold(time.Minute, time.Second)
		b.in.WakeLine = unit.ContactOn
		b.hold(4*time.Minute+30*time.Second, time.Second)
		from := b.in.At.Mono
		if work {
			b.work()
			b.hold(time.Hour, time.Second)
			require.NoError(t, b.engine.EndWork())
			from = b.in.At.Mono
		}
		b.hold(10*time.Minute, time.Second)
		require.Equal(t, []string{"feed-lost"}, b.active())
		return b.finding("feed-lost", "").RaisedAt - from
	}
	was, is := raisedAfter(false), raisedAfter(true)
	assert.Less(t, was, 45*time.Second)
	assert.InDelta(t, 3*time.Minute, is, float64(5*time.Second), "all of its hold")
}

func TestWorkEndsByItself(t *testing.T) {
	for _, restart := range []bool{false, true} {
		b := newBench(t, twoFlooded())
		b.hold(time.Minute, time.Second)
		b.work()
		b.hold(rules.DefaultWork-time.Minute, time.Minute)
		if restart {
			b.restart(twoFlooded())
		}
		b.step()
		require.True(t, b.out.Work.On)
		assert.Equal(t, "R. V.", b.out.Work.By)
		b.hold(time.Minute, time.Minute)
		require.False(t, b.out.Work.On)
		require.Len(t, b.told(), 1)
		last := b.events[len(b.events)-1]
		assert.Equal(t, rules.WorkEnded, last.Kind)
		assert.Equal(t, view.Work{By: "R. V.", Kind: view.ByVisit}, last.Work)
		assert.ErrorIs(t, b.engine.EndWork(), rules.ErrNoWork)
		b.in.WakeLine = unit.ContactOn
		b.hold(10*time.Minute, time.Second)
		assert.Equal(t, []string{"feed-lost"}, b.active())
	}
}

// The board was off for longer than the work: it is over when it is back.
func TestWorkEndsWhileTheBoardIsOff(t *testing.T) {
	b := newBench(t, twoFlooded())
	b.hold(time.Minute, time.Second)
	b.work()
	b.hold(time.Minute, time.Second)
	b.restart(twoFlooded())
	b.in.At.Mono += rules.DefaultWork
	b.step()
	assert.False(t, b.out.Work.On)
}

func TestWhoMayBeginWork(t *testing.T) {
	b := newBench(t, twoFlooded())
	b.hold(time.Minute, time.Second)
	begin := b.engine.BeginWork
	assert.ErrorIs(t, begin(view.BySwitch, "K.", rules.MinWork-time.Second), rules.ErrWorkTime)
	assert.ErrorIs(t, begin(view.BySwitch, "K.", rules.MaxWork+time.Second), rules.ErrWorkTime)
	for _, name := range []string{"", " ", "\xff", string(make([]rune, 65))} {
		assert.Error(t, begin(view.BySwitch, name, time.Hour), "%q", name)
	}
	assert.False(t, b.engine.State().Work.On)
	require.NoError(t, begin(view.BySwitch, string(slices.Repeat([]rune{'é'}, 64)), rules.MinWork))
	assert.ErrorIs(t, begin(view.BySwitch, "K.", time.Hour), rules.ErrWorkOn)
	since := b.out.Work.Since
	b.hold(10*time.Minute, time.Minute)
	require.NoError(t, begin(view.ByVisit, "R. V.", rules.MaxWork), "a visit takes it over")
	b.step()
	assert.Equal(t, since, b.out.Work.Since)
	assert.Equal(t, "R. V.", b.out.Work.By)
	assert.ErrorIs(t, begin(view.ByVisit, "K.", time.Hour), rules.ErrWorkOn)
	b.hold(rules.MaxWork-2*time.Minute, time.Minute)
	assert.True(t, b.out.Work.On)
	assert.Equal(t, 15*time.Minute, rules.MinWork)
	assert.Equal(t, 24*time.Hour, rules.MaxWork, "a day at the most")
	assert.Equal(t, 4*time.Hour, rules.DefaultWork, "half a working day")
}

// Runs count, whoever makes them; nothing is learned from them, nor from one that goes on when the
// work is over.
func TestRunsDuringWorkCountAndTeachNothing(t *testing.T) {
	b := workBench(t)
	b.day(1)
	b.day(2)
	judged, drawn, runs := b.out.Battery[0].RunsJudged, b.out.Battery[0].DrawnAh, b.out.Motor.Runs
	usual, mohm := b.engine.State().Pump.Usual, b.out.Battery[0].Resistance
	require.True(t, mohm.Known)
	b.work()
	for range 5 {
		b.hold(30*time.Second, time.Second)
		b.run(4*time.Second, 12.6, 11.0, 170)
	}
	assert.Equal(t, runs+5, b.out.Motor.Runs)
	assert.Equal(t, (runs+5)/2, b.out.Motor.LiftCycles)
	assert.Equal(t, (runs+5)/2, b.out.Motor.Since[view.Service].LiftCycles)
	assert.InDelta(t, drawn+5*4*85/3600.0, b.out.Battery[0].DrawnAh, 0.02)

	b.hold(30*time.Second, time.Second)
	start := b.in.At.Mono + 300*time.Millisecond // one that goes on
	b.in.At.Mono = start
	b.in.CommandEdges, b.in.MotorCommand = []rules.Edge{{On: true, At: start}}, unit.ContactOn
	b.set(11, -170)
	b.step()
	b.hold(time.Second, 6*time.Millisecond)
	require.NoError(t, b.engine.EndWork())
	b.hold(3*time.Second, 6*time.Millisecond)
	b.in.At.Mono += time.Millisecond
	b.in.CommandEdges, b.in.MotorCommand = []rules.Edge{{On: false, At: b.in.At.Mono}}, unit.ContactOff
	b.set(12.6, 0)
	b.step()
	b.hold(time.Minute, time.Second)
	assert.Equal(t, runs+6, b.out.Motor.Runs)
	assert.Equal(t, judged, b.out.Battery[0].RunsJudged)
	assert.Equal(t, usual, b.engine.State().Pump.Usual)
	assert.Equal(t, mohm, b.out.Battery[0].Resistance)

	b.run(4*time.Second, 12.6, 12.0, 110)
	b.hold(time.Minute, time.Second)
	assert.Equal(t, judged+1, b.out.Battery[0].RunsJudged, "the next run is one to learn from")
}

// A command that never ends is looked at again some minutes after the work.
func TestAMotorThatNeverStopsIsFoundAfterWork(t *testing.T) {
	b := workBench(t)
	b.day(1)
	b.work()
	start := b.in.At.Mono + time.Second
	b.in.At.Mono = start
	b.in.CommandEdges, b.in.MotorCommand = []rules.Edge{{On: true, At: start}}, unit.ContactOn
	b.set(11.8, -110)
	b.step()
	b.hold(time.Minute, 100*time.Millisecond)
	require.NoError(t, b.engine.EndWork())
	b.hold(4*time.Minute, 100*time.Millisecond)
	assert.Empty(t, b.active())
	b.hold(4*time.Minute, 100*time.Millisecond)
	assert.Contains(t, b.active(), "motor-overrun")
}

// A day on which somebody worked is no working day of the unit, and the row of days goes on.
func TestADayWithWorkIsNoWorkingDay(t *testing.T) {
	b := workBench(t)
	days := func(n int, work bool) {
		for range n {
			b.day(3)
			if work {
				b.work()
				b.hold(time.Hour, 20*time.Second)
				require.NoError(t, b.engine.EndWork())
			}
			next := b.in.At.Mono.Truncate(24*time.Hour) + 25*time.Hour
			b.hold(next-b.in.At.Mono, time.Minute)
		}
	}
	days(3, false)
	known := b.engine.State().Days.Known
	require.Positive(t, known)
	days(1, true)
	assert.Equal(t, known, b.engine.State().Days.Known)
	days(1, false)
	assert.Equal(t, known+1, b.engine.State().Days.Known)
}

// learned is all of a state but what work may change: charge, counters, and the instants of scans.
func learned(s *rules.State) any {
	type battery struct {
		Load, Label, Verdict, Said any
		Est                        []float64
		Full                       bool
		FullAt                     time.Duration
	}
	var all []battery
	for i := range s.Battery {
		m := &s.Battery[i]
		c := &m.Charge
		all = append(all, battery{
			m.Load, m.Label, m.Verdict, []any{m.Said, m.WaitsFor, m.Capability, m.Resistance, m.CapacityAh, m.RunsJudged, m.RestedV,
				m.RestedAt},
			append([]float64{c.CapAh, c.CapVar, c.ZeroA, c.TaperH, c.TaperVar, c.Blind.UsePct}, c.Filter.X[1:]...),
			c.EverFull, c.FullAt,
		})
	}
	count := s.Bank
	count.ChargedWh, count.DrawnWh, count.LastW, count.LastWKnown = 0, 0, 0, false
	return []any{all, count, s.Network, s.Pump, s.Output, s.Forecast, s.Days, s.Services, s.Channels, s.Zeros, s.Taps, s.Parked,
		s.Book, s.Findings, s.RestedV, s.CirculatingA, s.FeedPath}
}

// Whatever is read while work is under way, no finding changes and nothing is learned.
func TestAnyReadingsDuringWorkTeachNothing(t *testing.T) {
	before := workBench(t)
	before.day(1)
	before.day(2)
	before.in.WakeLine = unit.ContactOn
	before.hold(10*time.Minute, time.Second)
	require.Equal(t, []string{"feed-lost"}, before.active())
	saved := before.engine.State()
	reading := func(t *rapid.T, high float64) rules.Reading {
		return rules.Reading{
			Value:   rapid.OneOf(rapid.Float64Range(-high, high), rapid.Just(0.0), rapid.Just(12.6)).Draw(t, "value"),
			Quality: rules.Quality(rapid.SampledFrom([]int{1, 1, 1, 1, 0, 2, 3, 6, 8}).Draw(t, "quality")),
		}
	}
	rapid.Check(t, func(rt *rapid.T) {
		e, err := rules.New(twoFlooded())
		require.NoError(rt, err)
		require.NoError(rt, e.Restore(saved))
		in := before.in
		in.At.Mono += time.Second
		require.NoError(rt, e.BeginWork(view.ByVisit, "R. V.", rules.MaxWork))
		e.Step(&in)
		from := e.State()
		for range rapid.IntRange(1, 60).Draw(rt, "steps") {
			in.At.Mono += rapid.SampledFrom([]time.Duration{6 * time.Millisecond, time.Second, time.Minute, 20 * time.Minute}).
				Draw(rt, "dt")
			for i := range 2 {
				in.Battery[i] = rules.BatteryInput{
					VoltageV: reading(rt, 30), NegativeV: reading(rt, 3), CurrentA: reading(rt, 300), TempC: reading(rt, 90),
				}
			}
			in.FeedV, in.MotorV = reading(rt, 30), reading(rt, 30)
			in.WakeLine = rules.Contact(rapid.IntRange(0, 3).Draw(rt, "wake"))
			in.MotorCommand = rules.Contact(rapid.IntRange(0, 3).Draw(rt, "command"))
			in.Disconnect = rules.Contact(rapid.IntRange(0, 3).Draw(rt, "disconnect"))
			if rapid.IntRange(0, 9).Draw(rt, "restart") == 0 {
				next, err := rules.New(twoFlooded())
				require.NoError(rt, err)
				require.NoError(rt, next.Restore(e.State()))
				e = next
			}
			for _, ev := range e.Step(&in).Events {
				require.Equal(rt, rules.RunEnded, ev.Kind)
			}
			in.CommandEdges = nil
		}
		require.True(rt, e.State().Work.On)
		require.Equal(rt, learned(from), learned(e.State()))
	})
}

// A saved memory of work that can't be is refused, and the rest is taken over.
func TestWorkThatCannotBeIsRefused(t *testing.T) {
	b := newBench(t, twoFlooded())
	b.hold(time.Minute, time.Second)
	b.work()
	for _, spoil := range []func(*rules.Work){
		func(w *rules.Work) { w.Ends = w.Since - 1 },
		func(w *rules.Work) { w.Ends = w.Since + 49*time.Hour },
		func(w *rules.Work) { w.Since = -1 },
		func(w *rules.Work) { w.Kind = 2 },
	} {
		s := b.engine.State()
		spoil(&s.Work)
		e, err := rules.New(twoFlooded())
		require.NoError(t, err)
		require.ErrorContains(t, e.Restore(s), "work")
		assert.False(t, e.State().Work.On)
	}
}
