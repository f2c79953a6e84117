package rules_test

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules"
	"liftbank/rules/feed"
	"liftbank/rules/finding"
	"liftbank/rules/leadacid"
	"liftbank/rules/loadtest"
	"liftbank/rules/unit"
)

// twoFlooded is a bank of two 100 Ah flooded batteries with everything wired.
func twoFlooded() rules.Config {
	b := rules.BatteryConfig{ID: "a", Chemistry: leadacid.Flooded, RatedAh: 100, RatedCCA: 950}
	c := b
	c.ID = "b"
	return rules.Config{
		Batteries:  []rules.BatteryConfig{b, c},
		HasCommand: true, NegativeTap: [rules.MaxBatteries]bool{true, true},
	}
}

// bench is a hand-driven unit: it keeps an input that cases change, and steps the engine through
// time.
type bench struct {
	t      testing.TB
	engine *rules.Engine
	in     rules.Input
	out    *rules.Output
	events []rules.Event
}

func newBench(t testing.TB, cfg rules.Config) *bench {
	e, err := rules.New(cfg)
	require.NoError(t, err)
	b := &bench{t: t, engine: e}
	b.in.WakeLine, b.in.MotorCommand, b.in.Disconnect = unit.ContactOff, unit.ContactOff, unit.ContactOn
	b.in.At.WallTrusted = true
	b.set(12.65, 0)
	b.in.FeedV, b.in.MotorV = good(12.65), good(0)
	return b
}

func good(v float64) rules.Reading { return rules.Reading{Value: v, Quality: unit.Good} }

// set gives both batteries a voltage and half the bank's current each. The charge breaker is
// closed: the feed's terminal stands with them until a case says otherwise.
func (b *bench) set(v, bankA float64) {
	if b.in.FeedV.OK() {
		b.in.FeedV = good(v)
	}
	for i := range 2 {
		b.in.Battery[i] = rules.BatteryInput{VoltageV: good(v), CurrentA: good(bankA / 2), TempC: good(25)}
	}
}

// hold steps every dt for span.
func (b *bench) hold(span, dt time.Duration) {
	for end := b.in.At.Mono + span; b.in.At.Mono < end; {
		b.in.At.Mono += dt
		b.step()
	}
}

func (b *bench) step() {
	b.out = b.engine.Step(&b.in)
	b.events = append(b.events, b.out.Events...)
	b.in.CommandEdges = nil
}

func (b *bench) finding(name, subject string) *finding.Record {
	for i := range b.out.Findings {
		if r := &b.out.Findings[i]; r.Def.Name == name && r.Subject == subject {
			return r
		}
	}
	require.Fail(b.t, "no such finding", "%s %s", name, subject)
	return nil
}

func (b *bench) active() (names []string) {
	for i := range b.out.Findings {
		if r := &b.out.Findings[i]; r.Active() {
			names = append(names, r.Def.Name+r.Subject)
		}
	}
	return names
}

// run plays one motor run of the given length, with the coil's edges.
func (b *bench) run(length time.Duration, restV, loadV, bankA float64) {
	start := b.in.At.Mono + 300*time.Millisecond
	b.in.At.Mono = start
	b.in.CommandEdges, b.in.MotorCommand = []rules.Edge{{On: true, At: start}}, unit.ContactOn
	b.set(loadV, -bankA)
	b.step()
	b.hold(length-10*time.Millisecond, 6*time.Millisecond)
	stop := start + length
	b.in.At.Mono = max(stop, b.in.At.Mono+time.Millisecond)
	b.in.CommandEdges, b.in.MotorCommand = []rules.Edge{{On: false, At: stop}}, unit.ContactOff
	b.set(restV, 0)
	b.step()
}

func TestFeedLostIsFoundWithinItsTimeAndClearsOnlyOnAFeed(t *testing.T) {
	b := newBench(t, twoFlooded())
	b.set(12.5, -0.2)
	b.in.FeedV = good(12.5)
	b.hold(time.Hour, time.Second)
	assert.Empty(t, b.active(), "no wake line, nothing to find")

	b.in.WakeLine = unit.ContactOn
	on := b.in.At.Mono
	b.hold(4*time.Minute, time.Second)
	assert.Empty(t, b.active(), "the converter still has time")
	b.hold(2*time.Minute, time.Second)
	require.Equal(t, []string{"feed-lost"}, b.active())
	lost := b.finding("feed-lost", "")
	assert.Equal(t, 5*time.Minute, (lost.Since - on).Round(10*time.Second))
	assert.Equal(t, "feed voltage", lost.Evidence[0].What.English)
	assert.InDelta(t, 12.5, lost.Evidence[0].Value, 1e-9)

	b.in.WakeLine = unit.ContactOff
	b.hold(10*time.Hour, time.Second)
	assert.Contains(t, b.active(), "feed-lost", "parked, it is still not mended")

	b.in.WakeLine = unit.ContactOn
	b.set(13.4, 40)
	b.in.FeedV = good(13.6)
	b.hold(2*time.Minute, time.Second)
	assert.NotContains(t, b.active(), "feed-lost")
	assert.Equal(t, feed.Present, b.out.Feed.Status)
}

func TestMissingSensorsSilenceInsteadOfAccusing(t *testing.T) {
	b := newBench(t, twoFlooded())
	b.in.WakeLine = unit.ContactNotFitted
	b.hold(time.Hour, time.Second)
	assert.Empty(t, b.active())
	assert.Equal(t, "the wake line is not wired to the monitor", b.finding("feed-lost", "").Because.Said())

	b = newBench(t, twoFlooded())
	b.in.WakeLine = unit.ContactOn
	b.in.FeedV = rules.Reading{Quality: unit.NoAnswer}
	b.hold(time.Hour, time.Second)
	assert.Equal(t, []string{"sense-faultfeed voltage"}, b.active())
	assert.NotEmpty(t, b.finding("feed-lost", "").Because.Said())
}

// An open sense wire reads about 0 V on a post while the other battery reads 12.6 V.
func TestOpenSenseWireIsAFaultOfTheChannelAlone(t *testing.T) {
	b := newBench(t, twoFlooded())
	b.hold(time.Hour, time.Second)
	b.in.Battery[1].VoltageV = good(0.01)
	b.hold(24*time.Hour, time.Second)
	assert.Equal(t, []string{"sense-faultbattery b voltage"}, b.active())
	assert.InDelta(t, 12.65, b.out.Bank.VoltageV.Value, 0.01, "the bank is told by the battery that can be read")
	assert.False(t, b.out.Battery[1].In.VoltageV.OK())
	for range 30 {
		start := b.in.At.Mono + time.Second
		b.in.At.Mono = start
		b.in.CommandEdges, b.in.MotorCommand = []rules.Edge{{On: true, At: start}}, unit.ContactOn
		b.set(12.1, -120)
		b.in.Battery[1].VoltageV = good(0.01)
		b.step()
		b.hold(3*time.Second, 6*time.Millisecond)
		b.in.CommandEdges, b.in.MotorCommand = []rules.Edge{{At: b.in.At.Mono}}, unit.ContactOff
		b.set(12.6, 0)
		b.in.Battery[1].VoltageV = good(0.01)
		b.hold(20*time.Second, time.Second)
	}
	assert.Equal(t, loadtest.Unknown, b.out.Battery[1].Verdict, "a wire off is no dead battery")
	assert.False(t, b.out.Battery[1].CrankingA.Known)
}

func TestStuckChannelShowsByNotAnsweringToRuns(t *testing.T) {
	b := newBench(t, twoFlooded())
	b.hold(time.Minute, time.Second)
	stuck := good(12.61)
	for range 4 {
		b.in.Battery[0].VoltageV = stuck
		b.hold(20*time.Second, time.Second)
		start := b.in.At.Mono + time.Second
		b.in.At.Mono = start
		b.in.CommandEdges, b.in.MotorCommand = []rules.Edge{{On: true, At: start}}, unit.ContactOn
		b.set(12.1, -120)
		b.in.Battery[0].VoltageV = stuck
		b.step()
		b.hold(3*time.Second, 6*time.Millisecond)
		b.in.MotorCommand = unit.ContactOff
		b.set(12.6, 0)
		b.in.Battery[0].VoltageV = stuck
		b.step()
	}
	b.hold(time.Minute, time.Second)
	assert.Contains(t, b.active(), "sense-faultbattery a voltage")
	assert.NotContains(t, b.active(), "sense-faultbattery b voltage")
}

// Common practice, no source: over 18 V on a 12 V bank means batteries in series. A battery with a
// dead cell gives next to nothing in a run: an ampere is an answer, a tenth is none.
func TestALittleCurrentIsAnAnswer(t *testing.T) {
	for step, deaf := range map[float64]bool{1.1: false, 0.1: true} {
		b := newBench(t, twoFlooded())
		for range 4 {
			b.set(12.6, 0)
			b.in.Battery[1].CurrentA = good(0.6)
			b.hold(time.Minute, time.Second)
			b.in.CommandEdges, b.in.MotorCommand = []rules.Edge{{On: true, At: b.in.At.Mono + time.Millisecond}}, unit.ContactOn
			b.set(11.4, -240)
			b.in.Battery[1].CurrentA = good(0.6 - step)
			b.hold(2*time.Second, 6*time.Millisecond)
			b.in.CommandEdges, b.in.MotorCommand = []rules.Edge{{At: b.in.At.Mono}}, unit.ContactOff
			b.set(12.6, 0)
			b.in.Battery[1].CurrentA = good(0.6)
			b.hold(time.Second, 6*time.Millisecond)
		}
		b.hold(5*time.Minute, time.Second)
		assert.Equal(t, deaf, b.finding("sense-fault", "battery b current").Active(), "step of %g A", step)
	}
}

func TestSeriesWiringIsFoundWithinTenSeconds(t *testing.T) {
	b := newBench(t, twoFlooded())
	b.hold(time.Minute, time.Second)
	b.in.Battery[1].VoltageV = good(25.2)
	b.hold(5*time.Second, time.Second)
	assert.Contains(t, b.active(), "series-wired")
	assert.Equal(t, finding.Urgent, b.finding("series-wired", "").Def.Severity)

	b = newBench(t, twoFlooded())
	b.in.Battery[1].VoltageV = rules.Reading{Value: 20.5, Quality: unit.Saturated}
	b.hold(5*time.Second, time.Second)
	assert.Contains(t, b.active(), "series-wired", "a channel at its end hides a higher voltage still")
}

// Common practice, no source: a bank under 12.4 V rested is charged before anything else.
func TestBankLowNeedsARestAndClearsWithHysteresis(t *testing.T) {
	b := newBench(t, twoFlooded())
	b.set(12.0, -20)
	b.hold(time.Hour, time.Second)
	assert.Empty(t, b.active(), "a loaded voltage says nothing")
	b.set(12.30, 0)
	b.hold(10*time.Minute, time.Second)
	assert.Empty(t, b.active(), "not rested yet")
	b.hold(3*time.Hour, time.Second)
	assert.Equal(t, []string{"bank-low"}, b.active())
	b.set(12.42, 0)
	b.hold(2*time.Hour, time.Second)
	assert.Equal(t, []string{"bank-low"}, b.active(), "inside the hysteresis")
	b.set(12.55, 0)
	b.hold(2*time.Hour, time.Second)
	assert.Empty(t, b.active())
}

func TestBankUnderchargedAfterAWeekWithoutAFullCharge(t *testing.T) {
	b := newBench(t, twoFlooded())
	b.set(12.5, 0)
	b.hold(6*24*time.Hour, time.Minute)
	assert.Empty(t, b.active())
	b.hold(25*time.Hour, time.Minute)
	assert.Equal(t, []string{"bank-undercharged"}, b.active())
	b.set(14.4, 2)
	b.in.FeedV = good(14.5)
	b.hold(time.Hour, time.Second)
	assert.Empty(t, b.active(), "charged to its end")
	assert.True(t, b.out.Bank.FullKnown)
}

// A start with a trusted clock that is a year ahead looks like a year without power, and the next
// one, with the right clock, like none. What lasts for days is counted while somebody watches: the
// year raises nothing, and nothing is forgotten.
func TestAYearThatOnlyTheClockKnowsOfAgesNothing(t *testing.T) {
	const day = 24 * time.Hour
	off := func(b *bench, span time.Duration) {
		saved, err := json.Marshal(b.engine.State())
		require.NoError(t, err)
		s := &rules.State{}
		require.NoError(t, json.Unmarshal(saved, s))
		b.engine, err = rules.New(twoFlooded())
		require.NoError(t, err)
		require.NoError(t, b.engine.Restore(s))
		b.in.At.Mono += span
		b.step()
	}
	full := func(b *bench) {
		b.set(14.4, 2)
		b.in.FeedV = good(14.5)
		b.hold(time.Hour, time.Second)
		b.set(12.3, 0)
	}
	low := func(b *bench) { // to 40 % or less
		full(b)
		b.set(11.9, -12)
		b.hold(12*time.Hour, 10*time.Second)
		b.set(11.9, 0)
		b.hold(time.Hour, time.Minute)
	}
	raised := func(b *bench) bool { return b.finding("bank-undercharged", "").Active() }
	for name, before := range map[string]func(b *bench){
		"never full": func(b *bench) { b.set(12.5, 0) }, "full at first": full, "short of charge": low,
	} {
		t.Run(name, func(t *testing.T) {
			plain, b := newBench(t, twoFlooded()), newBench(t, twoFlooded())
			for _, x := range []*bench{plain, b} {
				before(x)
				x.hold(day, time.Minute)
			}
			require.Equal(t, plain.active(), b.active())
			off(b, 365*day)
			for hours := range 30 * 24 {
				if hours == 1 {
					off(b, time.Second)
				}
				plain.hold(time.Hour, time.Minute)
				b.hold(time.Hour, time.Minute)
				if raised(b) {
					require.True(t, raised(plain), "%d h after it", hours)
					return
				}
			}
			assert.Equal(t, "short of charge", name, "what was known of the charge is lost: nothing else is")
		})
	}
}

// Drives of eight minutes, shorter than any charge's end. Published absorption 14.4 V at 25 °C,
// more in the cold; what a bank takes at it, and what its rested voltage then is: common practice,
// no source.
func TestShortDrivesOfAFullBankAreNoUndercharge(t *testing.T) {
	for _, c := range []struct {
		about          string
		tempC          float64
		chargeV, bankA float64
		restV          float64
		full, want     bool
	}{
		{"warm and full", 25, 14.4, 2, 12.75, true, false},
		{"short of charge", 25, 14.4, 20, 12.45, false, true},
	} {
		t.Run(c.about, func(t *testing.T) {
			b := newBench(t, twoFlooded())
			set := func(v, bankA float64) {
				b.set(v, bankA)
				for i := range 2 {
					b.in.Battery[i].TempC = good(c.tempC)
				}
			}
			for range 8 {
				for range 6 {
					b.in.WakeLine = unit.ContactOn
					set(c.chargeV, c.bankA)
					b.hold(8*time.Minute, 10*time.Second)
					b.in.WakeLine = unit.ContactOff
					set(c.restV-0.5, -40)
					b.hold(time.Duration(c.bankA/40*8*float64(time.Minute)), 10*time.Second)
					set(c.restV+0.1, 0)
					b.hold(20*time.Minute, 10*time.Second)
				}
				set(c.restV, 0)
				b.hold(20*time.Hour, time.Minute)
			}
			assert.Equal(
				t,
				c.want,
				b.finding("bank-undercharged", "").Active(),
				"%.1f ± %.1f %%",
				b.out.Bank.SoCPct.Value,
				b.out.Bank.SoCPct.Sigma,
			)
			assert.Equal(t, c.full, b.out.Bank.FullKnown)
		})
	}
}

func TestRunsAreCountedHoweverShort(t *testing.T) {
	b := newBench(t, twoFlooded())
	b.hold(10*time.Second, time.Second)
	for range 25 {
		b.run(300*time.Millisecond, 12.6, 12.1, 120)
		b.hold(2*time.Second, time.Second)
	}
	assert.EqualValues(t, 25, b.out.Motor.Runs)
	assert.EqualValues(t, 12, b.out.Motor.LiftCycles)
	assert.InDelta(t, 25*0.3, b.out.Motor.RunTime.Seconds(), 0.01)
	last := b.out.Motor.Last
	assert.Equal(t, 300*time.Millisecond, last.Duration)
	assert.InDelta(t, 120, last.PeakA, 1e-9)
	// (12.65 - 12.10) V over 60 A each is 9.2 mΩ for the first run, (12.60 - 12.10)/60 = 8.3 mΩ after.
	r := b.out.Battery[0].Resistance
	require.True(t, r.Known)
	require.False(t, b.out.Battery[0].SoCPct.Known, "so the step is brought to full from 80 %")
	assert.InDelta(t, 8.37, r.Value*leadacid.ResistanceFactor(25, 80), 0.15)
}

// The drop of the negative link between the board's ground and a battery's negative post is no part
// of the battery.
func TestResistanceIsBetweenTheBatterysOwnPosts(t *testing.T) {
	b := newBench(t, twoFlooded())
	const linkV = 0.030 // 0.5 mΩ at 60 A
	b.in.Battery[1].NegativeV = good(0)
	b.hold(10*time.Second, time.Second)
	for range 5 {
		b.in.Battery[1].NegativeV = good(0)
		b.hold(2*time.Second, time.Second)
		start := b.in.At.Mono + time.Second
		b.in.At.Mono = start
		b.in.CommandEdges, b.in.MotorCommand = []rules.Edge{{On: true, At: start}}, unit.ContactOn
		b.set(12.41, -120) // 0.24 V over 60 A: 4 mΩ
		b.in.Battery[1].VoltageV, b.in.Battery[1].NegativeV = good(12.41+linkV), good(linkV)
		b.step()
		b.hold(time.Second, 6*time.Millisecond)
		assert.InDelta(t, 12.41, b.out.Battery[1].In.VoltageV.Value, 1e-9)
		b.in.MotorCommand = unit.ContactOff
		b.set(12.65, 0)
		b.in.Battery[1].NegativeV = good(0)
		b.step()
	}
	x, y := b.out.Battery[0].Resistance, b.out.Battery[1].Resistance
	require.True(t, x.Known && y.Known)
	assert.InDelta(t, x.Value, y.Value, 1e-9)
}

// Swapped taps make one battery as much too strong as they make another too weak: the weak one is not
// accused while its neighbor seems stronger than any battery is.
func TestAWeakBatteryBesideOneThatIsTooStrongIsNotAccused(t *testing.T) {
	verdict := func(ohmA, ohmB float64) (rules.BatteryState, []string) {
		b := newBench(t, twoFlooded())
		for range 30 {
			b.set(12.65, -0.1)
			b.hold(10*time.Minute, 5*time.Second)
			b.in.At.Mono += time.Second
			b.in.CommandEdges, b.in.MotorCommand = []rules.Edge{{On: true, At: b.in.At.Mono}}, unit.ContactOn
			b.set(12.65, -120)
			b.in.Battery[0].VoltageV, b.in.Battery[1].VoltageV = good(12.65-60*ohmA), good(12.65-60*ohmB)
			b.step()
			b.hold(4*time.Second, 10*time.Millisecond)
			b.in.CommandEdges, b.in.MotorCommand = []rules.Edge{{At: b.in.At.Mono}}, unit.ContactOff
			b.set(12.65, -0.1)
			b.step()
			b.hold(time.Second, 10*time.Millisecond)
		}
		return b.out.Battery[1], b.active()
	}
	tired, found := verdict(0.0036, 0.0055)
	assert.Equal(t, loadtest.Tired, tired.Verdict, "%+v", tired.CrankingA)
	assert.Contains(t, found, "battery-tiredb")
	held, found := verdict(0.0022, 0.0055)
	assert.Equal(t, loadtest.Unknown, held.Verdict, "%+v", held.CrankingA)
	assert.Equal(t, "waits.taps", held.WaitsFor.ID)
	assert.NotContains(t, found, "battery-tiredb")
}

func TestEdgesAloneCountARunBetweenTwoScans(t *testing.T) {
	b := newBench(t, twoFlooded())
	b.hold(10*time.Second, time.Second)
	at := b.in.At.Mono
	b.in.CommandEdges = []rules.Edge{{On: true, At: at + 100*time.Millisecond}, {On: false, At: at + 400*time.Millisecond}}
	b.in.At.Mono += time.Second
	b.step()
	assert.EqualValues(t, 1, b.out.Motor.Runs)
	assert.Equal(t, 300*time.Millisecond, b.out.Motor.Last.Duration)
	require.Len(t, b.events, 1)
	assert.Equal(t, rules.RunEnded, b.events[0].Kind)
}

func TestACommandWithoutCurrentIsNoRun(t *testing.T) {
	b := newBench(t, twoFlooded())
	b.hold(10*time.Second, time.Second)
	b.run(2*time.Second, 12.6, 12.6, 0.2)
	b.hold(2*time.Second, time.Second)
	assert.Zero(t, b.out.Motor.Runs)
	assert.EqualValues(t, 1, b.out.Motor.DeadCommands)
}

// Renaming and swapping batteries swaps the results and nothing else.
func TestSwappedBatteriesSwapResults(t *testing.T) {
	play := func(first, second int) *rules.Output {
		b := newBench(t, twoFlooded())
		volts, amps := [2]float64{12.60, 12.58}, [2]float64{-3, -5}
		for range 3600 {
			b.in.At.Mono += time.Second
			for i, k := range []int{first, second} {
				b.in.Battery[i] = rules.BatteryInput{VoltageV: good(volts[k]), CurrentA: good(amps[k]), TempC: good(20)}
			}
			b.step()
		}
		return b.out
	}
	x, y := play(0, 1), play(1, 0)
	assert.Equal(t, x.Battery[0].SoCPct, y.Battery[1].SoCPct)
	assert.Equal(t, x.Battery[1].DrawnAh, y.Battery[0].DrawnAh)
	assert.Equal(t, x.Bank.DrawnAh, y.Bank.DrawnAh)
}

func TestAnyNumberFromASensorGivesNoNaN(t *testing.T) {
	nasty := []float64{0, 1e308, -1e308, 12.6, 1e-300, -250}
	b := newBench(t, twoFlooded())
	for i := range 4000 {
		b.in.At.Mono += time.Duration(i%7) * 300 * time.Millisecond
		for j := range 2 {
			b.in.Battery[j] = rules.BatteryInput{
				VoltageV: good(nasty[(i+j)%6]),
				CurrentA: good(nasty[(i/6+j)%6]),
				TempC:    good(nasty[(i/36)%6]),
			}
		}
		b.in.MotorCommand = rules.Contact(i % 4)
		b.step()
		for j := range 2 {
			s := b.out.Battery[j].SoCPct
			require.False(t, s.Value != s.Value || s.Sigma != s.Sigma, "step %d", i)
			require.True(t, s.Value >= 0 && s.Value <= 100 && s.Sigma >= 0, "step %d: %+v", i, s)
		}
	}
}

func BenchmarkScanTwoBatteries(b *testing.B) {
	u := newBench(b, twoFlooded())
	u.hold(time.Minute, time.Second)
	b.ReportAllocs()
	for b.Loop() {
		u.in.At.Mono += time.Second
		u.engine.Step(&u.in)
	}
}

func BenchmarkRunScanTwoBatteries(b *testing.B) {
	u := newBench(b, twoFlooded())
	u.hold(time.Minute, time.Second)
	u.in.MotorCommand = unit.ContactOn
	u.set(12.0, -120)
	b.ReportAllocs()
	for b.Loop() {
		u.in.At.Mono += 6 * time.Millisecond
		u.engine.Step(&u.in)
	}
}

// What moves while anything is on is counted for the day; what a current sensor shows of a bank at
// rest may be nothing but its zero.
func TestADaysCountLeavesOutRest(t *testing.T) {
	b := newBench(t, twoFlooded())
	b.set(12.7, 0)
	b.hold(10*time.Minute, 10*time.Second)
	moved := func() float64 { return b.engine.State().Days.NetAh }
	before := moved()
	b.set(12.7, -0.2)
	b.hold(time.Hour, 10*time.Second)
	assert.InDelta(t, before, moved(), 1e-9)
	b.run(30*time.Second, 12.7, 12, 120)
	b.set(12.7, 0)
	b.hold(time.Minute, 10*time.Second)
	assert.InDelta(t, before-1, moved(), 0.01, "120 A for 30 s")
	before = moved()
	b.in.WakeLine = unit.ContactOn
	b.set(13.4, 20)
	b.hold(30*time.Minute, 10*time.Second)
	assert.InDelta(t, before+10*0.97, moved(), 0.1, "20 A for half an hour, as much of it stored as Stevens and Corey "+
		"(1996) found")
}

// Between two scans at rest nothing flowed until the motor began: its first current is not taken
// for the whole time, whether it can be read or goes beyond the sensor's range.
func TestARunsEnergyCountsFromItsStart(t *testing.T) {
	for _, quality := range []rules.Quality{unit.Good, unit.Saturated} {
		b := newBench(t, twoFlooded())
		b.hold(time.Minute, 10*time.Second)
		before := b.out.Bank.DrawnWh
		b.in.At.Mono += 9 * time.Second
		b.in.CommandEdges, b.in.MotorCommand = []rules.Edge{{On: true, At: b.in.At.Mono}}, unit.ContactOn
		b.set(12, -100)
		b.in.Battery[0].CurrentA.Quality, b.in.Battery[1].CurrentA.Quality = quality, quality
		b.step()
		b.set(12, -100)
		b.hold(time.Second, 5*time.Millisecond)
		assert.InDelta(t, 12*100*1.0/3600, b.out.Bank.DrawnWh-before, 0.02, "%v", quality)
		assert.InDelta(t, 50*1.0/3600, b.out.Battery[0].DrawnAh, 0.001, "%v", quality)
	}
}
