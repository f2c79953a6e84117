package daily_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/daily"
	"liftbank/rules/unit"
)

// counter is a book with the scans it is told every minute.
type counter struct {
	b    daily.Book
	scan daily.Scan
	over []daily.Over
	at   []time.Duration // when a day ended
}

func (c *counter) hold(span time.Duration) {
	for range span / time.Minute {
		c.scan.At.Mono += time.Minute
		if !c.scan.At.Wall.IsZero() {
			c.scan.At.Wall = c.scan.At.Wall.Add(time.Minute)
		}
		over, ended := c.b.Step(&c.scan)
		if ended {
			c.b.Next(&c.scan, &over)
			c.over, c.at = append(c.over, over), append(c.at, c.scan.At.Mono)
		}
	}
}

func TestDaysWithoutAClockAreCountedFromTheStart(t *testing.T) {
	var c counter
	c.hold(49 * time.Hour)
	assert.Equal(t, []time.Duration{24 * time.Hour, 48 * time.Hour}, c.at)
	c = counter{}
	c.scan.At.Wall = time.Date(2025, 3, 1, 20, 0, 0, 0, time.UTC) // not trusted
	c.hold(25 * time.Hour)
	assert.Equal(t, []time.Duration{24 * time.Hour}, c.at)
}

// A day that began less than 12 h before midnight goes on to the next.
func TestDaysEndAtMidnight(t *testing.T) {
	for _, k := range []struct {
		start string
		ends  []time.Duration
	}{
		{"11:30", []time.Duration{12*time.Hour + 30*time.Minute, 36*time.Hour + 30*time.Minute}},
		{"12:30", []time.Duration{35*time.Hour + 30*time.Minute}},
		{"14:00", []time.Duration{34 * time.Hour}},
	} {
		var c counter
		start, err := time.Parse("15:04", k.start)
		require.NoError(t, err)
		c.scan.At.Wall, c.scan.At.WallTrusted = time.Date(2025, 3, 1, start.Hour(), start.Minute(), 0, 0,
			time.UTC), true
		c.hold(37 * time.Hour)
		assert.Equal(t, k.ends, c.at, k.start)
	}
}

// A clock that is set, to tomorrow or to years ago, makes no day of an hour, and loses nothing of
// what was counted.
func TestAClockThatIsSet(t *testing.T) {
	for _, by := range []time.Duration{30 * time.Hour, -9 * 365 * 24 * time.Hour} {
		var c counter
		c.hold(5 * time.Hour)
		c.b.Ran(&[unit.MaxBatteries]float64{7, 5}, false)
		c.scan.At.Wall, c.scan.At.WallTrusted = time.Date(2025, 3, 1, 15, 0, 0, 0, time.UTC), true
		c.hold(time.Hour)
		assert.Empty(t, c.at)
		c.scan.At.Wall = c.scan.At.Wall.Add(by)
		c.hold(time.Hour)
		assert.Empty(t, c.at, "%v", by)
		c.hold(26 * time.Hour)
		require.Len(t, c.over, 1, "%v", by)
		assert.InDelta(t, 7, c.over[0].RunAs[0], 0)
	}
}

func TestWhatIsCountedInADay(t *testing.T) {
	var c counter
	c.scan = daily.Scan{Charge: unit.Estimate{Value: 95, Sigma: 2, Known: true}, Runs: 10, FeedTime: time.Hour,
		WakeTime: time.Hour, ChargedAh: 50}
	c.hold(time.Minute)
	c.b.Ran(&[unit.MaxBatteries]float64{700, 500}, false)
	c.b.Ran(&[unit.MaxBatteries]float64{70, 50}, false)
	c.b.Moved(-6)
	c.b.Moved(2)
	c.scan.Runs, c.scan.FeedTime, c.scan.WakeTime, c.scan.ChargedAh = 14, 4*time.Hour, 6*time.Hour, 80
	c.scan.Charge.Value = 90
	c.hold(24 * time.Hour)
	require.Len(t, c.over, 1)
	assert.Equal(t, daily.Over{Worked: true, RunAs: [unit.MaxBatteries]float64{770, 550}, Days: 1}, c.over[0])
	b := &c.b
	assert.Equal(t, 1, b.Known)
	assert.InDelta(t, 90, b.Charge[0], 0)
	assert.InDelta(t, 3, b.FeedH[0], 1e-9)
	assert.InDelta(t, 5, b.WakeH[0], 1e-9)
	assert.InDelta(t, 30, b.InAh[0], 1e-9)
	assert.InDelta(t, -4, b.DayNetAh[0], 1e-9)
	assert.Zero(t, b.NetAh)

	c.hold(24 * time.Hour)
	require.Len(t, c.over, 2)
	assert.Equal(t, daily.Over{Days: 1}, c.over[1], "a parked day")
	assert.Equal(t, 1, b.Known)

	// A current that was missing, in a run or beside one, spoils the day and breaks the row.
	c.b.Ran(&[unit.MaxBatteries]float64{}, true)
	c.scan.Runs++
	c.hold(24 * time.Hour)
	assert.True(t, c.over[2].Worked && c.over[2].Incomplete)
	assert.Zero(t, b.Known)
	c.scan.Runs++
	c.scan.Unread = true
	c.hold(time.Minute)
	c.scan.Unread = false
	c.hold(24 * time.Hour)
	assert.True(t, c.over[3].Incomplete)
	c.scan.Runs++
	c.hold(24 * time.Hour)
	assert.Equal(t, 1, b.Known)
	b.Forget()
	assert.Zero(t, b.Known)
}

// A row of days has four midnights, and begins with a charge known to 10 %.
func TestARowOfDays(t *testing.T) {
	var c counter
	day := func(sigma float64) int {
		c.scan.Charge = unit.Estimate{Value: 90, Sigma: sigma, Known: true}
		c.scan.Runs++
		c.hold(24 * time.Hour)
		return c.b.Known
	}
	c.scan.Charge = unit.Estimate{Value: 90, Sigma: 2, Known: true}
	c.hold(time.Minute)
	var known []int
	for range 6 {
		known = append(known, day(2))
	}
	assert.Equal(t, []int{1, 2, 3, 4, 4, 4}, known)
	assert.Equal(t, 4, day(9.9))
	assert.Equal(t, 0, day(10.1))
	assert.Equal(t, 1, day(9.9), "the first of a row needs no start")
	c.scan.Charge.Known = false
	c.scan.Runs++
	c.hold(24 * time.Hour)
	assert.Equal(t, 0, c.b.Known)
}

// By hand, for a bank of 100 Ah that fell by 12 % in three days. The count: 72 h of standby, 3.6 ±
// 3.6 Ah, and what the feed brought, known to 3 % and to the sensors' zeros. The charge: two
// midnights that wander by 1.5 % each, or its own uncertainty.
func TestConfirmedFall(t *testing.T) {
	for name, c := range map[string]struct {
		in, feedH, net, sigma float64
		zeros                 []float64
		want                  float64
	}{
		"nothing on":                    {0, 0, 0, 1, nil, (12*12.96 + 3.6*4.5) / (12.96 + 4.5)},
		"6 Ah missing":                  {0, 0, -6, 1, nil, (12*12.96 + 9.6*4.5) / (12.96 + 4.5)},
		"60 Ah brought":                 {60, 0, 0, 1, nil, (12*16.2 + 3.6*4.5) / (16.2 + 4.5)},
		"two zeros of 0.3 A for 6 h":    {0, 6, 0, 1, []float64{0.3, 0.3}, (12*19.44 + 3.6*4.5) / (19.44 + 4.5)},
		"a charge known to 6 %":         {0, 0, 0, 6, nil, (12*12.96 + 3.6*36) / (12.96 + 36)},
		"as much missing as it fell by": {0, 0, -8.4, 1, nil, 12},
		"more":                          {0, 0, -20, 1, nil, 12},
	} {
		b := daily.Book{Memory: daily.Memory{Known: daily.Midnights, Charge: [daily.Midnights]float64{78, 82, 86, 90}}}
		for k := range daily.Midnights - 1 {
			b.InAh[k], b.FeedH[k], b.DayNetAh[k] = c.in/3, c.feedH/3, c.net/3
		}
		got := b.Balance(&daily.Bank{OwnDrawA: 0.015, CapacityAh: 100, LowPct: 70,
			Charge: unit.Estimate{Value: 78, Sigma: c.sigma, Known: true}, ZeroSigmaA: c.zeros})
		assert.InDelta(t, c.want, got.ConfirmedFallPct, 1e-9, name)
		assert.InDelta(t, -4, got.AhPerDay, 1e-9, name)
		assert.InDelta(t, math.Sqrt2*1.5/3, got.Sigma, 1e-9, "%s: two midnights over three days", name)
		assert.InDelta(t, 2, got.FallsBelowDays, 1e-9, name)
	}
	// As many percent of a bank of 200 Ah are twice as many Ah: the count is known twice as well.
	b := daily.Book{Memory: daily.Memory{Known: daily.Midnights, Charge: [daily.Midnights]float64{78, 82, 86, 90}}}
	got := b.Balance(&daily.Bank{OwnDrawA: 0.015, CapacityAh: 200, Charge: unit.Estimate{Sigma: 1}})
	assert.InDelta(t, (12*12.96/4+1.8*4.5)/(12.96/4+4.5), got.ConfirmedFallPct, 1e-9)
	assert.InDelta(t, 2*math.Sqrt2*1.5/3, got.Sigma, 1e-9)
}

// A rate of charge is worked out from more than 0.1 h and 1 Ah of it.
func TestExtraHours(t *testing.T) {
	for _, c := range []struct{ feedH, in, want float64 }{
		{6, 60, 0.4}, {0.101, 1.01, 0.4}, {0.099, 1.01, 0}, {0.101, 0.99, 0}, {0, 0, 0},
	} {
		b := daily.Book{Memory: daily.Memory{Known: daily.Midnights, Charge: [daily.Midnights]float64{78, 82, 86, 90}}}
		b.FeedH[0], b.InAh[1] = c.feedH, c.in
		b.FeedH[3], b.InAh[3] = 9, 90 // of the day before the first midnight: it does not count
		got := b.Balance(&daily.Bank{OwnDrawA: 0.015, CapacityAh: 100})
		assert.InDelta(t, c.want, got.ExtraChargeHours, 1e-9, "%+v", c)
	}
}

func TestCheckRefusesWhatCannotBe(t *testing.T) {
	edge := daily.Memory{
		Known: 4, NetAh: -9.9e14, From: 100, ChargedAh: 9.9e14, RunAs: [unit.MaxBatteries]float64{9.9e14, 0, 0, 0},
		Charge: [daily.Midnights]float64{-9.9e14, 9.9e14}, FeedH: [daily.Midnights]float64{9.9e14},
		WakeH: [daily.Midnights]float64{9.9e14},
		InAh:  [daily.Midnights]float64{9.9e14}, DayNetAh: [daily.Midnights]float64{-9.9e14, 9.9e14},
	}
	require.NoError(t, edge.Check())
	edge.NetAh = 9.9e14
	require.NoError(t, edge.Check())
	for what, change := range map[string]func(m *daily.Memory){
		"known": func(m *daily.Memory) { m.Known = 5 }, "known below": func(m *daily.Memory) { m.Known = -1 },
		"charge":       func(m *daily.Memory) { m.Charge[3] = 1.1e15 },
		"charge below": func(m *daily.Memory) { m.Charge[3] = -1.1e15 },
		"no charge":    func(m *daily.Memory) { m.Charge[3] = math.NaN() },
		"feed":         func(m *daily.Memory) { m.FeedH[1] = 1.1e15 },
		"feed below":   func(m *daily.Memory) { m.FeedH[1] = -1 },
		"wake":         func(m *daily.Memory) { m.WakeH[1] = 1.1e15 },
		"wake below":   func(m *daily.Memory) { m.WakeH[1] = -1 },
		"in":           func(m *daily.Memory) { m.InAh[1] = 1.1e15 },
		"in below":     func(m *daily.Memory) { m.InAh[1] = -1 },
		"day":          func(m *daily.Memory) { m.DayNetAh[1] = 1.1e15 },
		"day below":    func(m *daily.Memory) { m.DayNetAh[1] = -1.1e15 },
		"net":          func(m *daily.Memory) { m.NetAh = 1.1e15 }, "net below": func(m *daily.Memory) { m.NetAh = -1.1e15 },
		"from": func(m *daily.Memory) { m.From = 101 }, "from below": func(m *daily.Memory) { m.From = -1 },
		"drawn": func(m *daily.Memory) { m.RunAs[2] = 1.1e15 }, "drawn below": func(m *daily.Memory) { m.RunAs[2] = -1 },
		"charged":       func(m *daily.Memory) { m.ChargedAh = 1.1e15 },
		"charged below": func(m *daily.Memory) { m.ChargedAh = -1 },
	} {
		bad := edge
		change(&bad)
		assert.Error(t, bad.Check(), what)
	}
}
