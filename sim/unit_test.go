package sim

import (
	"encoding/binary"
	"flag"
	"fmt"
	"hash/fnv"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/cmd/outside"
	"liftbank/cmd/scenariofile"
	"liftbank/cmd/slowtest"
	"liftbank/sim/bank"
	"liftbank/sim/scenario"
)

const hour, day = time.Hour, 24 * time.Hour

func unit(t require.TestingT, name string, change func(*scenario.Scenario)) *Unit {
	sc, err := scenariofile.Load(name)
	require.NoError(t, err)
	if change != nil {
		change(&sc)
	}
	u, err := New(sc, 0)
	require.NoError(t, err)
	return u
}

// truthOf returns a condition, or a zero one that never was.
func truthOf(u *Unit, finding, subject string) Condition {
	for _, c := range u.Truth().Conditions {
		if c.Finding == finding && c.Subject == subject {
			return c
		}
	}
	return Condition{First: -1}
}

// A healthy day in numbers that a technician would accept.
func TestHealthyDay(t *testing.T) {
	u := unit(t, "healthy-day", nil)
	start := u.SoCPct(0)
	var running, charging []Signals
	for at := time.Duration(0); at < day; at += 20 * time.Millisecond {
		u.AdvanceTo(at)
		s := u.Signals()
		switch {
		case s.MotorCommand && u.count.thisRun > time.Second && !u.motor.OnRelief():
			running = append(running, *s)
		case s.FeedA > 0 && u.story.wakeS > 300:
			charging = append(charging, *s)
		}
	}
	assert.Equal(t, u.count.commands, u.count.runs)
	assert.InDelta(t, 10*3, u.count.runs, 15)
	assert.Greater(t, u.SoCPct(0), start-1.0, "the day ends charged")
	assert.Greater(t, u.SoCPct(0), 95.0)

	sumA, sumV := 0.0, 0.0
	for _, s := range running {
		v := s.Battery[0].PositiveV
		require.True(t, v > 11.5 && v < 13.1, "under load: %v V at %v A", v, s.MotorA)
		require.True(t, s.MotorA > 85 && s.MotorA < 140, "%v A", s.MotorA)
		require.InDelta(t, s.MotorA, -s.Battery[0].CurrentA-s.Battery[1].CurrentA, 0.1)
		require.InDelta(t, s.Battery[0].CurrentA, s.Battery[1].CurrentA, 1,
			"like batteries, diagonal leads: even shares")
		require.True(t, v-s.MotorV > 0.1 && v-s.MotorV < 0.5, "%v V lost to the motor", v-s.MotorV)
		sumA += s.MotorA
		sumV += v
	}
	assert.InDelta(t, 112, sumA/float64(len(running)), 10)
	assert.InDelta(t, 12.4, sumV/float64(len(running)), 0.3, "two 950 A batteries of 3.4 mΩ, 55 A from each")
	for _, s := range charging {
		require.True(t, s.FeedV > 13.3 && s.FeedV < 14.8, "feed at %v V", s.FeedV)
	}
	rested := u.Signals().Battery[0] // nothing on since the afternoon, a little surface charge left
	assert.InDelta(t, 12.75, rested.PositiveV-rested.NegativeV, 0.2)
	assert.Less(t, math.Abs(rested.CurrentA), 0.05)
}

func TestRunHasInrush(t *testing.T) {
	u := unit(t, "healthy-day", nil)
	for {
		at, ok := u.NextEdge(day)
		require.True(t, ok)
		if u.AdvanceTo(at); u.Signals().MotorCommand {
			break
		}
	}
	first := u.Signals().MotorA
	assert.Greater(t, first, 300.0)
	u.AdvanceTo(u.Now() + 100*time.Millisecond)
	later := u.Signals().MotorA
	assert.Less(t, later, 0.75*first)
	u.AdvanceTo(u.Now() + 400*time.Millisecond)
	assert.Less(t, u.Signals().MotorA, 140.0)
}

// State at a time does not depend on how it was reached.
func TestAdvanceInOneGoOrMany(t *testing.T) {
	names := []string{"healthy-day", "series-wired", "breaker-trips", "link-resistive", "charge-breaker-open"}
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom(names).Draw(t, "scenario")
		seed := rapid.Uint64Range(1, 1e6).Draw(t, "seed")
		with := func(sc *scenario.Scenario) { sc.Seed = seed }
		stepped, whole := unit(t, name, with), unit(t, name, with)
		for stepped.Now() < 3*hour {
			scale := rapid.SampledFrom([]time.Duration{time.Millisecond, time.Second, time.Minute,
				20 * time.Minute}).Draw(t, "scale")
			to := stepped.Now() + time.Duration(rapid.Int64Range(0, int64(scale)).Draw(t, "step"))
			if rapid.Bool().Draw(t, "look ahead") {
				stepped.NextEdge(to + hour)
			}
			stepped.AdvanceTo(to)
			stepped.AdvanceTo(to - time.Minute) // before Now: nothing
			stepped.AdvanceTo(min(3*hour, to+17*time.Minute))
		}
		whole.AdvanceTo(stepped.Now())
		if *stepped.Signals() != *whole.Signals() {
			t.Fatalf("signals differ at %v:\n%+v\n%+v", whole.Now(), *stepped.Signals(), *whole.Signals())
		}
		for k := range whole.Batteries() {
			if *stepped.bank.Battery(k) != *whole.bank.Battery(k) {
				t.Fatalf("battery %d differs at %v", k, whole.Now())
			}
		}
	})
}

// NextEdge names exactly the instants at which a contact changes.
func TestNextEdgeIsExact(t *testing.T) {
	contacts := func(u *Unit) [3]bool {
		s := u.Signals()
		return [3]bool{s.WakeLine, s.MotorCommand, s.DisconnectClosed}
	}
	with := func(sc *scenario.Scenario) {
		sc.Days = 5
		sc.Faults = []scenario.Fault{
			{Kind: "disconnect-open", At: 2*hour + 123*time.Millisecond, For: 3 * hour},
			{Kind: "disconnect-open", At: 4 * hour, For: 3 * hour},
			{Kind: "wake-broken", At: 26 * hour, For: 5 * hour},
			{Kind: "drain", At: 30 * hour, Amp: 1},
		}
	}
	u, shadow := unit(t, "healthy-day", with), unit(t, "healthy-day", with)
	edges, length := 0, 4*day
	if slowtest.UnderRace {
		length = 30 * hour
	}
	for u.Now() < length {
		limit := u.Now() + 10*hour
		at, ok := u.NextEdge(limit)
		if !ok {
			at = limit + time.Nanosecond
		}
		require.Greater(t, at, u.Now())
		before := contacts(u)
		for shadow.Now() < at-time.Nanosecond {
			shadow.AdvanceTo(min(at-time.Nanosecond, shadow.nextTick()))
			require.Equal(t, before, contacts(shadow), "changed at %v, next edge was %v", shadow.Now(), at)
		}
		u.AdvanceTo(at)
		shadow.AdvanceTo(at)
		if ok {
			edges++
			require.NotEqual(t, before, contacts(u), "nothing changed at %v", at)
		}
	}
	assert.Greater(t, edges, int(length/hour)*2)
	assert.Equal(t, contacts(u), contacts(shadow))
}

// Ticks: whole seconds at rest, 5 ms from a motor's start until a second after its stop.
func TestTicks(t *testing.T) {
	u := unit(t, "healthy-day", nil)
	lastStop := -hour
	for u.Now() < 4*hour {
		busy := u.Signals().MotorCommand
		at := u.nextTick()
		step := at - u.Now()
		u.AdvanceTo(at)
		if busy || u.Now()-lastStop < time.Second {
			require.LessOrEqual(t, step, 5*time.Millisecond, "at %v", at)
		} else if step != time.Second && !u.Signals().MotorCommand {
			require.True(t, at%time.Second == 0 || u.story.restedS(u) >= 0, "at %v", at)
			require.Less(t, step, time.Second)
		}
		if busy && !u.Signals().MotorCommand {
			lastStop = at
		}
	}
}

// What a bank without a feed loses is what was drawn from it.
func TestChargeIsConserved(t *testing.T) {
	u := unit(t, "converter-dead", func(sc *scenario.Scenario) { sc.Faults[0].At = 0 })
	held := func() (ah float64) {
		for k := range u.Batteries() {
			ah += u.SoCPct(k) / 100 * u.bank.Battery(k).CapacityAh()
		}
		return ah
	}
	before, drawn := held(), 0.0
	for u.Now() < 2*day {
		at := u.nextTick()
		drawn += (u.Signals().MotorA + u.drainA) * (at - u.Now()).Hours()
		u.AdvanceTo(at)
	}
	require.Greater(t, drawn, 10.0)
	selfDischarge := 0.10 * 200 * 2 / 30 // at most 10 % a month at these temperatures
	assert.InDelta(t, drawn, before-held(), 0.005*drawn+selfDischarge)
	assert.Greater(t, before-held(), drawn*0.999)
}

// Whatever is wrong, values stay numbers within what copper and lead allow.
func TestNothingRunsAway(t *testing.T) {
	length := 14 * hour
	if !slowtest.LongAsked() {
		length = 150 * time.Minute
	}
	for _, e := range scenariofile.Names() {
		t.Run(e.Name, func(t *testing.T) {
			u := unit(t, e.Name, func(sc *scenario.Scenario) {
				for i := range sc.Faults {
					sc.Faults[i].At = min(sc.Faults[i].At, hour+time.Duration(i)*10*time.Minute)
				}
			})
			for at := time.Duration(0); at < min(length, u.sc.Length()); at += 7 * time.Second {
				u.AdvanceTo(at)
				s := u.Signals()
				values := []float64{s.FeedV, s.FeedA, s.MotorV, s.MotorA, s.AmbientC}
				for _, b := range s.Battery {
					values = append(values, b.PositiveV, b.NegativeV, b.CurrentA, b.TempC)
				}
				for _, v := range values {
					require.False(t, math.IsNaN(v) || math.Abs(v) > 1500, "at %v: %+v", at, s)
				}
				for k := range u.Batteries() {
					require.True(t, u.SoCPct(k) >= 0 && u.SoCPct(k) <= 100.01, "SoC %v", u.SoCPct(k))
				}
			}
		})
	}
}

func TestFeedLostTruth(t *testing.T) {
	u := unit(t, "feed-lost", nil)
	u.AdvanceTo(3 * hour)
	assert.Negative(t, truthOf(u, "feed-lost", "").First)
	u.AdvanceTo(5 * hour)
	c := truthOf(u, "feed-lost", "")
	assert.True(t, c.Active && c.Cause)
	from, to := u.sc.Faults[0].At, u.sc.Faults[0].At+hour // the next drive, if it came out at a stop
	assert.True(t, c.Since >= from && c.Since < to, "%v", c.Since)
	assert.False(t, u.Signals().FeedA > 0)
	assert.InDelta(t, u.Signals().Battery[0].PositiveV, u.Signals().FeedV, 0.05,
		"a dead converter's output shows the bank")
}

func TestChargeBreakerOpenShowsTheConverter(t *testing.T) {
	u := unit(t, "charge-breaker-open", nil)
	for !u.Signals().WakeLine || u.story.wakeS < 60 || u.Now() < 28*hour {
		u.AdvanceTo(u.Now() + time.Second)
	}
	assert.InDelta(t, 14.4+0.024*(25-u.Signals().Battery[0].TempC), u.Signals().FeedV, 0.05)
	assert.Zero(t, u.Signals().FeedA)
	assert.True(t, truthOf(u, "feed-lost", "").Active)
	u.AdvanceTo(u.sc.Length())
	assert.False(t, truthOf(u, "feed-lost", "").Active, "closed again")
}

func TestSeriesWiredTruth(t *testing.T) {
	u := unit(t, "series-wired", nil)
	s := u.Signals()
	assert.InDelta(t, 25.3, s.Battery[1].PositiveV-s.Battery[0].NegativeV, 0.6)
	assert.InDelta(t, 12.65, s.Battery[0].PositiveV, 0.3)
	assert.InDelta(t, s.Battery[0].PositiveV, s.Battery[1].NegativeV, 0.01)
	c := truthOf(u, "series-wired", "")
	assert.True(t, c.Active && c.Cause)
	assert.Zero(t, c.Since)
}

func TestContactorStuckRunsOn(t *testing.T) {
	u := unit(t, "motor-stuck", nil)
	u.AdvanceTo(25*hour + 40*time.Minute)
	require.False(t, u.Signals().MotorCommand)
	assert.Greater(t, u.Signals().MotorA, 100.0)
	assert.True(t, truthOf(u, "motor-stuck", "").Active)
	u.AdvanceTo(25*hour + 46*time.Minute)
	assert.Zero(t, u.Signals().MotorA)
	assert.False(t, truthOf(u, "motor-stuck", "").Active)
}

func TestDisconnectOpensTheMotorCircuitOnly(t *testing.T) {
	u := unit(t, "disconnect-open", nil)
	u.AdvanceTo(day + hour/2)
	assert.False(t, u.Signals().DisconnectClosed)
	for at, ok := u.NextEdge(2 * day); ok && !u.Signals().MotorCommand; at, ok = u.NextEdge(2 * day) {
		u.AdvanceTo(at)
	}
	require.True(t, u.Signals().MotorCommand)
	u.AdvanceTo(u.Now() + 200*time.Millisecond)
	assert.Zero(t, u.Signals().MotorA)
	assert.False(t, truthOf(u, "motor-dead", "").Active, "too early to say")
	u.AdvanceTo(u.Now() + 200*time.Millisecond)
	assert.True(t, truthOf(u, "motor-dead", "").Active)
	assert.Greater(t, u.Truth().MotorCommands, u.Truth().MotorRuns)
}

// A root cause is told from what it brings about.
func TestCauseAndConsequence(t *testing.T) {
	slowtest.SkipUnderRace(t)
	u := unit(t, "converter-dead", nil)
	u.AdvanceTo(12 * day)
	assert.True(t, truthOf(u, "feed-lost", "").Cause)
	undercharged := truthOf(u, "bank-undercharged", "")
	assert.True(t, undercharged.Active)
	assert.False(t, undercharged.Cause)

	weak := unit(t, "post-resistive", nil)
	weak.AdvanceTo(4 * day)
	assert.True(t, truthOf(weak, "link-resistive", "positive-post-b").Cause)
	uneven := truthOf(weak, "share-uneven", "a")
	assert.True(t, uneven.Active)
	assert.False(t, uneven.Cause)
	assert.Negative(t, truthOf(weak, "share-uneven", "b").First, "b works less, not more")

	leads := unit(t, "same-post-year", nil)
	leads.AdvanceTo(4 * day)
	assert.True(t, truthOf(leads, "share-uneven", "a").Cause, "nothing but the leads explains it")
}

func TestSensorFaultsAreTrueOnTime(t *testing.T) {
	u := unit(t, "chip-silent", nil)
	u.AdvanceTo(u.sc.Length())
	chip, bus := truthOf(u, "sense-fault", "chip-1"), truthOf(u, "sense-fault", "bus")
	assert.Equal(t, 27*hour, chip.First)
	assert.Equal(t, 29*hour, chip.Since)
	assert.False(t, chip.Active)
	assert.Equal(t, 51*hour, bus.First)
	assert.True(t, bus.Cause)
}

// Motor runs are counted exactly, the shortest included.
func TestRunsAreCounted(t *testing.T) {
	u := unit(t, "healthy-month", func(sc *scenario.Scenario) {
		sc.Duty.Nudge = [2]time.Duration{300 * time.Millisecond, 300 * time.Millisecond}
	})
	presses, held, pressed := uint64(0), time.Duration(0), time.Duration(0)
	for {
		at, ok := u.NextEdge(2 * day)
		if !ok {
			break
		}
		before := u.Signals().MotorCommand
		u.AdvanceTo(at)
		switch now := u.Signals().MotorCommand; {
		case now && !before:
			presses, pressed = presses+1, at
		case before && !now:
			held += at - pressed
		}
	}
	truth := u.Truth()
	assert.Greater(t, presses, uint64(30))
	assert.Equal(t, presses, truth.MotorRuns)
	assert.Equal(t, presses, truth.MotorCommands)
	assert.Equal(t, held, truth.MotorRunTime)
}

// A run of any length takes no memory: nothing is allocated once it is under way.
func TestMemoryIsFlat(t *testing.T) {
	u := unit(t, "healthy-month", func(sc *scenario.Scenario) { sc.Days = 4000 })
	at := 3 * day
	u.AdvanceTo(at)
	per := testing.AllocsPerRun(4, func() {
		at += day
		u.AdvanceTo(at)
		u.NextEdge(at + hour)
	})
	assert.LessOrEqual(t, per, 1.0, "allocations a day")
}

// fingerprint is a hash over every bit of the signals of some days.
func fingerprint(t *testing.T, days int) string {
	h := fnv.New64a()
	for _, name := range []string{"healthy-day", "link-resistive", "feed-weak-cable"} {
		u := unit(t, name, nil)
		for at := time.Duration(0); at < time.Duration(days)*day; at += 61 * time.Second {
			u.AdvanceTo(at)
			require.NoError(t, binary.Write(h, binary.LittleEndian, u.Signals()))
		}
		for k := range u.Batteries() {
			require.NoError(t, binary.Write(h, binary.LittleEndian, u.SoCPct(k)))
		}
	}
	return fmt.Sprintf("%016x", h.Sum64())
}

var fingerprintDays = flag.Int("fingerprint_days", 1, "length of TestFingerprint, for a comparison of machines")

func TestFingerprint(t *testing.T) {
	t.Log("fingerprint", fingerprint(t, *fingerprintDays))
}

// The same days on arm64, bit for bit, run by an emulator where there is one.
func TestSameOnArm64(t *testing.T) {
	slowtest.Long(t)
	qemu := outside.Program(t, "qemu-aarch64-static", "qemu-user-static")
	program := filepath.Join(t.TempDir(), "sim.test")
	build := exec.Command("go", "test", "-c", "-o", program, ".")
	build.Env = append(os.Environ(), "GOARCH=arm64", "CGO_ENABLED=0")
	out, err := build.CombinedOutput()
	require.NoError(t, err, "%s", out)
	out, err = exec.Command(qemu, program, "-test.v", "-test.run=^TestFingerprint$").CombinedOutput()
	require.NoError(t, err, "%s", out)
	assert.True(t, strings.Contains(string(out), "fingerprint "+fingerprint(t, 1)), "here %s, there:\n%s",
		fingerprint(t, 1), out)
}

func TestNewRefuses(t *testing.T) {
	sc := scenario.Default()
	_, err := New(sc, 0)
	require.Error(t, err, "only a parsed scenario has its wiring filled in")
	sc, err = scenariofile.Load("healthy-day")
	require.NoError(t, err)
	sc.Bank.Batteries[0].RatedAh = -1
	_, err = New(sc, 0)
	require.Error(t, err)
	assert.Contains(t, err.Error(), "sim: battery a: ")
}

func TestSeedOverrides(t *testing.T) {
	sc, err := scenariofile.Load("healthy-day")
	require.NoError(t, err)
	own, err := New(sc, 0)
	require.NoError(t, err)
	other, err := New(sc, 99)
	require.NoError(t, err)
	a, _ := own.NextEdge(day)
	b, _ := other.NextEdge(day)
	assert.Equal(t, a, b, "both leave at six")
	own.AdvanceTo(2 * hour)
	other.AdvanceTo(2 * hour)
	assert.NotEqual(t, *own.Signals(), *other.Signals())
	assert.Equal(t, bank.MaxBatteries, MaxBatteries)
}

// What a drain takes on parked days is not the duty's doing: on its working days this unit gains.
func TestParkedDaysAreNotTheDutysBalance(t *testing.T) {
	slowtest.SkipUnderRace(t)
	u := unit(t, "healthy-day", func(sc *scenario.Scenario) {
		sc.Days = 9
		sc.Duty.Drive = [2]time.Duration{10 * time.Minute, 12 * time.Minute}
		sc.Faults = []scenario.Fault{{Kind: "drain", At: 5 * day, For: 2 * day, Amp: 2.5}} // Saturday and Sunday
	})
	u.AdvanceTo(3*day - 5*hour)
	before := bankSoCPct(u)
	u.AdvanceTo(8*day - 4*hour) // Monday's midnight has passed: it starts at five
	after := bankSoCPct(u)
	require.Equal(t, storyDays, u.story.known)
	assert.Less(t, after, min(before-balanceFall, balanceUnder), "from Wednesday to Monday it fell")
	assert.Negative(t, truthOf(u, "balance-negative", "").First)
}

// A duty that takes more than it brings is one, from the fourth midnight on.
func TestABalanceThatIsNegative(t *testing.T) {
	slowtest.SkipUnderRace(t)
	u := unit(t, "balance-negative", nil)
	u.AdvanceTo(4*day - 6*hour)
	assert.Negative(t, truthOf(u, "balance-negative", "").First)
	u.AdvanceTo(5 * day)
	c := truthOf(u, "balance-negative", "")
	assert.True(t, c.Active && c.Cause)
}
