package power_test

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/rules/power"
	"liftbank/rules/unit"
)

const day = 24 * time.Hour

var usual = power.Settings{
	AwakeA: 0.06, RadioA: 0.12, AsleepA: 0.008, SavingAfter: 3 * day, SavingBelowPct: 50, SleepAfter: 10 * day, SleepBelowPct: 30,
	Wake: power.WakeTimer, Every: day,
}

func pct(value, sigma float64) unit.Estimate {
	return unit.Estimate{Value: value, Sigma: sigma, Known: true}
}

// board is a monitor with what it sees.
type board struct {
	*power.Monitor
	in power.Scan
}

func newBoard(s power.Settings) *board {
	return &board{Monitor: power.New(s), in: power.Scan{Charge: pct(90, 5), Rested: true}}
}

// scan lets dt pass and looks.
func (b *board) scan(dt time.Duration) power.State {
	b.in.Now += dt
	b.Pass(b.in.Now, true)
	b.Step(&b.in)
	return b.State()
}

// play scans every minute for a time.
func (b *board) play(length time.Duration) (s power.State) {
	for range int(length / time.Minute) {
		s = b.scan(time.Minute)
	}
	return s
}

func TestLevelsOfAParkedUnit(t *testing.T) {
	tests := []struct {
		name   string
		change func(s *power.Settings, in *power.Scan)
		after  time.Duration
		want   power.Level
		why    string
	}{
		{"just started", nil, time.Minute, power.Awake, "power.begun"},
		{"a night", nil, 12 * time.Hour, power.Awake, "power.plenty"},
		{"a long weekend, less an hour", nil, 3*day - time.Hour, power.Awake, "power.plenty"},
		{"a long weekend", nil, 3*day + time.Minute, power.Saving, "power.parked"},
		{"ten days", nil, 10*day + time.Hour, power.Asleep, "power.parked"},
		{"nothing can wake it", func(s *power.Settings, _ *power.Scan) { s.Wake = power.WakeNone }, 40 * day, power.Saving,
			"power.parked"},
		{"low", func(_ *power.Settings, in *power.Scan) { in.Charge = pct(42, 5) }, 2 * time.Hour, power.Saving, "power.low"},
		{"may be low", func(_ *power.Settings, in *power.Scan) { in.Charge = pct(42, 10) }, 12 * time.Hour, power.Awake,
			"power.plenty"},
		{"not known", func(_ *power.Settings, in *power.Scan) { in.Charge = unit.Estimate{} }, 12 * time.Hour, power.Awake,
			"power.plenty"},
		{"no limit", func(s *power.Settings, in *power.Scan) { s.SavingBelowPct, in.Charge = 0, pct(5, 1) }, 12 * time.Hour,
			power.Awake, "power.plenty"},
		{"very low", func(_ *power.Settings, in *power.Scan) { in.Charge = pct(22, 4) }, 2 * time.Hour, power.Asleep, "power.low"},
		{"very low, not parked for an hour", func(_ *power.Settings, in *power.Scan) { in.Charge = pct(22, 4) },
			55 * time.Minute, power.Saving, "power.low"},
		{"very low, and the wake line can't be read", func(_ *power.Settings, in *power.Scan) {
			in.Charge, in.InDoubt = pct(22, 4), true
		}, 12 * time.Hour, power.Saving, "power.low"},
		{"work", func(_ *power.Settings, in *power.Scan) { in.Work = true }, 40 * day, power.Awake, "power.work"},
		{"a page left open", func(_ *power.Settings, in *power.Scan) { in.Looked = true }, 40 * day, power.Awake, "power.looked"},
		{"wake line on", func(_ *power.Settings, in *power.Scan) { in.Active, in.Charge = true, pct(10, 1) }, 40 * day,
			power.Awake, "power.in-use"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			set := usual
			b := newBoard(set)
			if tt.change != nil {
				tt.change(&set, &b.in)
				b.Monitor = power.New(set)
			}
			got := b.play(tt.after)
			assert.Equal(t, tt.want, got.Level)
			assert.Equal(t, tt.why, got.Why.Key())
		})
	}
}

// A charge that wanders about a limit by its own uncertainty does not switch the level to and fro.
func TestAChargeAboutItsLimitDoesNotFlap(t *testing.T) {
	b := newBoard(usual)
	changes, last := 0, power.Awake
	for i := range 2 * 24 * 60 {
		b.in.Charge = pct(47+4*math.Sin(float64(i)/7), 1)
		if got := b.scan(time.Minute).Level; got != last {
			changes, last = changes+1, got
		}
		b.in.Active = i == 0
	}
	assert.Equal(t, power.Saving, last)
	assert.Equal(t, 1, changes)
	b.in.Charge = pct(57, 1)
	assert.Equal(t, power.Awake, b.play(time.Hour).Level, "charged past the sensors")
}

// However things come and go: never asleep while something is on, under way or looked at, nor for half
// an hour after; never without what wakes it; and no two changes down within half an hour.
func TestWhateverComes(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		set := usual
		set.Wake = power.Wake(rapid.IntRange(0, 2).Draw(rt, "wake"))
		set.SavingBelowPct = float64(rapid.IntRange(0, 95).Draw(rt, "saving below"))
		set.SleepBelowPct = set.SavingBelowPct * rapid.Float64Range(0, 1).Draw(rt, "sleep part")
		set.SavingAfter = time.Duration(rapid.IntRange(1, 100).Draw(rt, "saving after")) * time.Hour
		set.SleepAfter = set.SavingAfter + time.Duration(rapid.IntRange(1, 100).Draw(rt, "sleep after"))*time.Hour
		b := newBoard(set)
		last, used, down := power.Awake, time.Duration(0), -time.Hour
		drawn := 0.0
		for range rapid.IntRange(1, 300).Draw(rt, "scans") {
			b.in.Active, b.in.Work = rapid.IntRange(0, 9).Draw(rt, "active") == 0, rapid.IntRange(0, 19).Draw(rt, "work") == 0
			b.in.Looked = rapid.IntRange(0, 19).Draw(rt, "looked") == 0
			b.in.Rested, b.in.InDoubt = rapid.Bool().Draw(rt, "rested"), rapid.IntRange(0, 9).Draw(rt, "doubt") == 0
			b.in.Charge = pct(float64(rapid.IntRange(0, 100).Draw(rt, "charge")), float64(rapid.IntRange(1, 30).Draw(rt, "sigma")))
			b.in.Charge.Known = rapid.IntRange(0, 9).Draw(rt, "known") > 0
			got := b.scan(time.Duration(rapid.IntRange(1, 7200).Draw(rt, "seconds")) * time.Second)
			if b.in.Active || b.in.Work || b.in.Looked {
				used = b.in.Now
			}
			if got.Level != power.Awake && b.in.Now-used < 30*time.Minute {
				rt.Fatalf("%v %v after use", got.Level, b.in.Now-used)
			}
			if got.Level == power.Asleep && set.Wake == power.WakeNone {
				rt.Fatal("asleep without what wakes it")
			}
			if got.Level == power.Asleep && last != power.Asleep && b.in.InDoubt {
				rt.Fatal("fell asleep with a contact that can't be read")
			}
			if got.Level == power.Asleep && last == power.Awake {
				rt.Fatal("asleep without saving first")
			}
			if got.Level == power.Saving && last == power.Awake {
				if b.in.Now-down < 30*time.Minute {
					rt.Fatal("two changes down within half an hour")
				}
				down = b.in.Now
			}
			if got.DrawnAh < drawn || got.ParkedAh > got.DrawnAh+1e-9 {
				rt.Fatalf("drawn %g Ah after %g, parked %g", got.DrawnAh, drawn, got.ParkedAh)
			}
			last, drawn = got.Level, got.DrawnAh
		}
	})
}

// restart saves and restores as a file does.
func (b *board) restart(t *testing.T) {
	t.Helper()
	text, err := json.Marshal(b.State())
	require.NoError(t, err)
	var s power.State
	require.NoError(t, json.Unmarshal(text, &s))
	m := power.New(*b.Settings())
	require.NoError(t, m.Restore(s))
	b.Monitor, b.in.Rested = m, false
}

// Ampere hours by hand: ten days and a bit with the radio on by the hour from the third, then a day
// asleep at 8 mA.
func TestWhatIsDrawnIsCounted(t *testing.T) {
	b := newBoard(usual)
	for b.State().Level != power.Asleep {
		b.play(time.Minute)
	}
	s := b.State()
	awake, saving := 72.0, (b.in.Now - 3*day).Hours()
	assert.InDelta(t, 0.18*awake+0.07*saving, s.DrawnAh, 0.02)
	assert.Equal(t, day, b.Sleep())
	b.restart(t)
	assert.Equal(t, day, b.Pass(b.in.Now+day, true))
	b.in.Now += day
	got := b.State()
	assert.InDelta(t, 24*0.008, got.DrawnAh-s.DrawnAh, 1e-9)
	assert.InDelta(t, day.Seconds(), got.AsleepS, 1e-9)
	assert.EqualValues(t, 1, got.Nights)
	assert.Equal(t, power.Saving, got.Level)
	assert.Less(t, got.MeanA, s.MeanA, "the balance follows")

	// Woken, it stays up until rests can be judged, and sleeps again.
	up := b.in.Now
	b.scan(time.Minute)
	assert.Equal(t, "power.woken", b.State().Why.Key())
	b.play(time.Hour)
	assert.Equal(t, power.Saving, b.State().Level)
	b.in.Rested = true
	for b.State().Level != power.Asleep {
		b.play(time.Minute)
	}
	assert.InDelta(t, 72, (b.in.Now - up).Minutes(), 3)
}

// Rests that never become usable do not keep it up.
func TestWithoutRestsItSleepsAllTheSame(t *testing.T) {
	b := newBoard(usual)
	b.in.Rested = false
	assert.Equal(t, power.Asleep, b.play(10*day+3*time.Hour).Level)
}

// A gap of a board that was not told to sleep counts as awake: it was cut off, and what it had drawn
// nobody knows.
func TestAGapWithoutSleepIsNoSleep(t *testing.T) {
	b := newBoard(usual)
	b.play(day)
	was := b.State()
	b.restart(t)
	assert.Zero(t, b.Pass(b.in.Now+5*time.Hour, true))
	assert.InDelta(t, 5*0.18, b.State().DrawnAh-was.DrawnAh, 1e-9)
	assert.Zero(t, b.State().AsleepS)
}

// A clock that isn't set after the wake: the sleep is counted once it is, however late; and if it never
// is, as long as it was planned.
func TestASleepWithAClockThatIsNotSet(t *testing.T) {
	for _, late := range []bool{true, false} {
		b := newBoard(usual)
		b.play(11 * day)
		b.Sleep()
		was := b.State()
		b.restart(t)
		for range 30 {
			b.in.Now += time.Minute
			assert.Zero(t, b.Pass(b.in.Now, false))
			b.Step(&b.in)
		}
		assert.Zero(t, b.State().AsleepS)
		if late { // the engine's timeline jumps
			b.in.Now += 20 * time.Hour
			assert.Equal(t, 20*time.Hour, b.Pass(b.in.Now, true))
			assert.InDelta(t, 20*0.008+0.5*0.07, b.State().DrawnAh-was.DrawnAh, 1e-3)
			b.in.Now += 30 * time.Minute
			assert.Zero(t, b.Pass(b.in.Now, true), "once")
			continue
		}
		b.Sleep()
		b.restart(t)
		assert.InDelta(t, day.Seconds(), b.State().AsleepS, 1e-9)
	}
}

// A system that did not switch off is asked again six hours later, not at once.
func TestASleepThatDidNotCome(t *testing.T) {
	b := newBoard(usual)
	b.play(11 * day)
	b.Sleep()
	b.Stay()
	s := b.play(5*time.Hour + 58*time.Minute)
	assert.Equal(t, power.Saving, s.Level)
	assert.Equal(t, "power.not-taken", s.Why.Key())
	assert.Equal(t, power.Asleep, b.play(30*time.Minute).Level)
	b.Sleep()
	b.in.Active = true
	b.scan(time.Second)
	b.restart(t)
	assert.Zero(t, b.Pass(b.in.Now+5*time.Hour, true), "it was called off")
}

// Days by hand: 40 Ah at 0.18 A for three days and 0.07 A for seven, beside 10 mA of self-discharge,
// leave 40-13.68-13.44 Ah; asleep at 8 mA and an hour of 0.07 A a day, 20.6 mA in all.
func TestHowLongABankStands(t *testing.T) {
	bank := power.Bank{UsableAh: 40, CapacityAh: 200, Charge: pct(95, 2), OthersA: 0.01}
	left := 40 - 72*0.19 - 7*24*0.08
	asleep := 0.01 + 0.008 + (0.07-0.008)/24

	set := usual
	b := newBoard(set)
	b.scan(0)
	got := b.Outlook(&bank)
	assert.InDelta(t, 10+left/asleep/24, got.Days, 0.5)
	assert.InDelta(t, 40/0.01/24, got.Without, 1e-9)

	set.Wake = power.WakeNone
	b = newBoard(set)
	b.scan(0)
	assert.InDelta(t, 3+(40-72*0.19)/0.08/24, b.Outlook(&bank).Days, 0.5)

	bank.UsableAh = 0
	assert.Zero(t, b.Outlook(&bank).Days)
	bank.OthersA, bank.UsableAh = 0, 1e9
	assert.InDelta(t, 365, b.Outlook(&bank).Without, 0)
}

// More on the bank never lets it stand longer, and a monitor never helps.
func TestOutlooksAreInOrder(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		set := usual
		set.Wake = power.Wake(rapid.IntRange(0, 2).Draw(rt, "wake"))
		b := newBoard(set)
		b.scan(0)
		bank := power.Bank{
			UsableAh: rapid.Float64Range(0, 200).Draw(rt, "usable"), CapacityAh: 200,
			Charge: pct(rapid.Float64Range(0, 100).Draw(rt, "charge"), 3), OthersA: rapid.Float64Range(0, 1).Draw(rt, "others"),
		}
		got := b.Outlook(&bank)
		more := bank
		more.OthersA += 0.05
		worse := b.Outlook(&more)
		if got.Days > got.Without+1e-9 || worse.Without > got.Without {
			rt.Fatalf("%+v %+v", got, worse)
		}
	})
}

func TestAMemoryThatCannotBeIsRefused(t *testing.T) {
	for name, spoil := range map[string]func(*power.State){
		"level":    func(s *power.State) { s.Level = 3 },
		"negative": func(s *power.State) { s.DrawnAh = -1 },
		"number":   func(s *power.State) { s.MeanA = math.NaN() },
		"time":     func(s *power.State) { s.For = -1 },
	} {
		b := newBoard(usual)
		b.play(time.Hour)
		s := b.State()
		spoil(&s)
		was := b.State()
		require.Error(t, b.Restore(s), name)
		assert.Equal(t, was, b.State(), name)
	}
}
