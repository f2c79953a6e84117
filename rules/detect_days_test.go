package rules

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/finding"
	"liftbank/rules/leadacid"
	"liftbank/rules/network"
)

// judgeTest gives an engine whose estimates a test sets by hand.
func judgeTest(t *testing.T, batteries int) *Engine {
	t.Helper()
	cfg := Config{MotorMinA: 30, LiftCycleRuns: 2, HasCommand: true, Thresholds: DefaultThresholds()}
	for i := range batteries {
		cfg.Batteries = append(cfg.Batteries, BatteryConfig{ID: string(rune('a' + i)), Chemistry: leadacid.Flooded, RatedAh: 100, RatedCCA: 950})
		cfg.NegativeTap[i] = true
	}
	e, err := New(cfg)
	require.NoError(t, err)
	for i := range e.out.Battery {
		e.out.Battery[i].In = BatteryInput{VoltageV: Reading{12.5, Good}, CurrentA: Reading{0, Good}, TempC: Reading{25, Good}}
	}
	e.out.Bank.CurrentA = Reading{0, Good}
	return e
}

func (e *Engine) standing(name string) (subjects []string) {
	for i := range e.book.Records {
		if r := &e.book.Records[i]; r.Def.Name == name && r.Active() {
			subjects = append(subjects, r.Subject)
		}
	}
	return subjects
}

func TestLinksAndPosts(t *testing.T) {
	e := judgeTest(t, 3)
	set := func(value, sigma float64) {
		for k := range e.out.Links {
			e.out.Links[k].Mohm = Estimate{0.5, 0.1, true}
		}
		e.out.Links[1].Mohm = Estimate{value, sigma, true}
		e.last += 5 * time.Second
		e.judgeLinks()
	}
	set(1.6, 0.2)
	assert.Empty(t, e.standing("link-resistive"), "within its uncertainty of the limit")
	set(2.0, 0.2)
	assert.Empty(t, e.standing("link-resistive"), "within three of its uncertainty")
	set(5.49, 2.27)
	assert.Empty(t, e.standing("link-resistive"), "a sound one after two runs")
	set(5.65, 1.93)
	assert.Empty(t, e.standing("link-resistive"), "a sound one by charge alone")
	set(30, 12)
	assert.NotEmpty(t, e.standing("link-resistive"), "off: how far is not known")
	set(1.0, 0.1)
	set(2.2, 0.2)
	assert.Equal(t, []string{"positive link b-c"}, e.standing("link-resistive"))
	set(1.2, 0.1)
	assert.NotEmpty(t, e.standing("link-resistive"), "inside the hysteresis")
	set(1.0, 0.1)
	assert.Empty(t, e.standing("link-resistive"))
	set(200, 5)
	rec := &e.book.Records[e.slots.link[1]]
	assert.Contains(t, rec.Causes()[0], finding.LinkResistive.Causes[finding.LinkResistiveOff])
	e.out.Links[1].Mohm.Known = false
	e.judgeLinks()
	assert.NotEmpty(t, rec.Because)
	assert.True(t, rec.Active(), "as it was")
}

// countedAs gives what the count of a day comes to that agrees with a fall of the charge, for a bank of 200 Ah.
func countedAs(fallPct float64) (movedAh float64) { return standbyA*24 - 2*fallPct }

func TestBalance(t *testing.T) {
	play := func(soc ...float64) *Engine {
		e := judgeTest(t, 2)
		d := &e.det.Day
		for _, s := range soc {
			e.last += 24 * time.Hour
			copy(d.SoC[1:], d.SoC[:balanceDays-1])
			copy(d.MovedOn[1:], d.MovedOn[:balanceDays-1])
			d.MovedOn[0] = countedAs(d.SoC[0] - s)
			d.SoC[0], d.Known = s, min(d.Known+1, balanceDays)
			d.FeedH[0], d.FeedH[1], d.FeedH[2] = 1, 1, 1
			d.WakeH = d.FeedH
			d.InAh[0], d.InAh[1], d.InAh[2] = 20, 20, 20
			e.judgeBalance()
		}
		return e
	}
	e := play(98, 92, 86, 80)
	require.Equal(t, []string{""}, e.standing("balance-negative"))
	b := e.out.Balance
	assert.InDelta(t, -12, b.AhPerDay, 1e-9, "6 % of 200 Ah a day")
	assert.InDelta(t, 0.6, b.ExtraChargeHours, 1e-9, "12 Ah at 20 A")
	// 12.4 V at 25 °C is near 69 % (Battery Council table, straight between 12.24 V at 50 and 12.45 V at 75 %).
	assert.InDelta(t, (80-69.3)/6, b.FallsUnderDays, 0.3)
	rec := &e.book.Records[e.slots.balance]
	assert.Contains(t, rec.Causes()[0], finding.BalanceNegative.Causes[finding.BalanceNegativeIdle])
	assert.InDelta(t, 0.6, rec.Evidence()[3].Value, 1e-9)
	e.det.Day.InAh = [balanceDays]float64{0.5, 0.5, 0.5}
	e.judgeBalance()
	assert.Contains(t, rec.Evidence()[3].Text, "more hours than a day has left", "24 h at half an ampere")
	assert.Contains(t, rec.Causes()[0], finding.BalanceNegative.Causes[finding.BalanceNegativeFeed])
	e.det.Day.InAh, e.det.Day.FeedH[0] = [balanceDays]float64{}, 25 // a day is longer where the clock was set
	e.judgeBalance()
	assert.Contains(t, rec.Evidence()[3].Text, "not known")
	assert.Empty(t, play(98, 92, 86).standing("balance-negative"), "three midnights are no trend yet")
	assert.Empty(t, play(100, 98, 95, 91).standing("balance-negative"), "still nearly full")
	assert.Empty(t, play(80, 80, 79, 78.5).standing("balance-negative"), "within what the estimate wanders")
	assert.Empty(t, play(98, 92, 86, 80, 88, 93).standing("balance-negative"), "days that gained")

	e = play(98, 92, 86)
	e.det.Day.WakeH, e.det.Day.FeedH = [balanceDays]float64{}, [balanceDays]float64{}
	copy(e.det.Day.SoC[1:], e.det.Day.SoC[:3])
	copy(e.det.Day.MovedOn[1:], e.det.Day.MovedOn[:3])
	e.det.Day.SoC[0], e.det.Day.Known = 80, balanceDays
	e.judgeBalance()
	assert.Contains(t, e.book.Records[e.slots.balance].Causes()[0], finding.BalanceNegative.Causes[finding.BalanceNegativeWake])
}

// The charge as estimated goes its way where nothing holds it; what was counted in and out must not speak against a loss.
func TestBalanceAsksTheCount(t *testing.T) {
	for name, c := range map[string]struct {
		fall, movedAh float64 // in percent and in ampere hours, over three days
		borneOut      float64 // worked out by hand: 3.6 Ah of standby, known to as much, against a charge known to 2.1 %
		raised        bool
	}{
		"as much is missing by the count":             {6, -8.4, 6, true},
		"more is missing: not told more than it fell": {6, -30, 6, true},
		"lifts took what the feed brought":            {6, 0, 3.6, false},
		"more came in than went out":                  {6, 6, 1.8, false},
		"so much is gone that something drains it":    {18, 0, 8.7, true},
	} {
		e := judgeTest(t, 2)
		d := &e.det.Day
		for k := range balanceDays {
			d.SoC[k], d.FeedH[k], d.WakeH[k], d.InAh[k], d.MovedOn[k] = 80+c.fall/3*float64(k), 1, 1, 10, c.movedAh/3
		}
		d.Known = balanceDays
		e.judgeBalance()
		assert.InDelta(t, c.borneOut, e.out.Balance.BorneOutPct, 0.2, name)
		assert.InDelta(t, -2*c.fall/3, e.out.Balance.AhPerDay, 1e-9, "%s: what is said is what the charge fell by", name)
		assert.Equal(t, c.raised, len(e.standing("balance-negative")) > 0, name)
	}
}

// A working day counts from its own start: what parked days and their long rest change is not the duty's. A night not known to 4 % breaks the row.
func TestBalanceIsOfWorkingDaysAlone(t *testing.T) {
	play := func(sigma float64, days ...[2]float64) *Engine { // charge at the start and at the end of each working day
		e := judgeTest(t, 2)
		for _, d := range days {
			e.out.Bank.SoCPct = Estimate{d[0], 2, true}
			e.beginDay(0)
			e.last += 24 * time.Hour
			e.out.Bank.SoCPct = Estimate{d[1], sigma, true}
			e.det.Day.MovedAh = countedAs(d[0] - d[1])
			e.pushDay()
			e.judgeBalance()
		}
		return e
	}
	assert.Empty(t, play(2, [2]float64{94, 93.8}, [2]float64{93.8, 94.1}, [2]float64{94.1, 93}, [2]float64{88.9, 89.8}).standing("balance-negative"),
		"four percent less after a weekend, and the days gain")
	e := play(2, [2]float64{94, 93}, [2]float64{93, 91}, [2]float64{91, 89}, [2]float64{88, 86})
	assert.NotEmpty(t, e.standing("balance-negative"), "two percent a day, and a weekend")
	assert.InDelta(t, -2*2.0, e.out.Balance.AhPerDay, 1e-9, "2 % of 200 Ah")
	assert.NotEmpty(t, play(3.8, [2]float64{94, 93}, [2]float64{93, 91}, [2]float64{91, 89}, [2]float64{89, 87}).standing("balance-negative"))
	e = play(4.2, [2]float64{94, 93}, [2]float64{93, 91}, [2]float64{91, 89}, [2]float64{88, 86})
	assert.Empty(t, e.standing("balance-negative"))
	assert.Equal(t, balanceWaits, e.book.Records[e.slots.balance].Because)
}

// Until a full charge was seen, a tap at the low end of its class is not to be told from a low bank.
func TestBankLowWantsMoreOfTapsNotProven(t *testing.T) {
	for _, c := range []struct {
		v         float64
		full, low bool
	}{{12.36, false, false}, {12.36, true, true}, {12.31, false, true}, {12.41, true, false}} {
		e := judgeTest(t, 2)
		for range 3 {
			e.last += time.Hour
			e.out.Bank.Rested, e.out.Bank.RestedV, e.out.Bank.FullKnown = true, Estimate{c.v, 0.01, true}, c.full
			e.judgeBankLow()
		}
		assert.Equal(t, c.low, e.standing("bank-low") != nil, "%+v", c)
	}
}

func TestUnevenShare(t *testing.T) {
	e := judgeTest(t, 2)
	play := func(a, b float64) []string {
		e.det.Day.RunAs = [MaxBatteries]float64{a * 3600, b * 3600}
		e.judgeUneven()
		return e.standing("share-uneven")
	}
	assert.Empty(t, play(2, 2.15))
	assert.Empty(t, play(0.3, 0.6), "too little drawn")
	assert.Empty(t, play(2, 2.5), "the first such day")
	assert.Empty(t, play(2, 2.1))
	assert.Empty(t, play(2, 2.5))
	assert.Empty(t, play(0.3, 0.6), "too little drawn: no day that counts")
	assert.Equal(t, []string{"b"}, play(2, 2.5))
	assert.Equal(t, []string{"b"}, play(2, 2.3), "inside the hysteresis")
	e.out.Bank.LoadLeads = network.Leads{Arrangement: network.SamePost, Positive: 1, Negative: 1}
	play(2, 2.6)
	assert.Contains(t, e.book.Records[e.slots.uneven[1]].Causes()[0], finding.ShareUneven.Causes[finding.ShareUnevenLeads])
	assert.Empty(t, play(2, 2))
	e.det.Day.Spoiled = true
	assert.Empty(t, play(0, 4), "a current that was not believed")
	assert.NotEmpty(t, e.book.Records[e.slots.uneven[0]].Because)
}

func TestParkedDrain(t *testing.T) {
	play := func(days, perDayPct float64) []string {
		e := judgeTest(t, 2)
		e.det.Quiet = Quiet{On: true}
		for e.last = 0; e.last < time.Duration(days*24)*time.Hour; e.last += time.Hour {
			e.out.Bank.SoCPct = Estimate{100 - perDayPct*e.last.Hours()/24, 2, true}
			e.judgeParked()
		}
		return e.standing("parked-drain")
	}
	assert.Empty(t, play(2, 6), "not long enough")
	assert.Empty(t, play(3.5, 6), "the first day is surface charge")
	assert.NotEmpty(t, play(5, 6))
	assert.Empty(t, play(14, 1.2), "a quarter in three weeks")
	assert.Empty(t, play(30, 0.2), "the board, and self-discharge")
}

// A charge worked out to 98 % give or take 3.8 may have been full; to give or take 2 it has, to give or take 8 it means little, and one to
// 95 % give or take 3 has not. To 95.5 % give or take 1.8 it may have been: 97 % is within that.
func TestFullByWhatIsWorkedOut(t *testing.T) {
	for _, c := range []struct {
		pct, sigma  float64
		full, maybe bool
	}{{98, 3.8, false, true}, {98, 2, true, true}, {98, 8, false, false}, {95, 3, false, false}, {95.5, 1.8, false, true}, {95.1, 1.8, false, false},
		{96.5, 2.2, false, false}} {
		e := judgeTest(t, 2)
		e.startA, e.last = 0, 8*24*time.Hour
		for i := range e.out.Battery {
			e.out.Battery[i].SoCPct = Estimate{c.pct, c.sigma, true}
		}
		e.watchFull()
		since, ever := e.sinceFull()
		assert.Equal(t, c.full, ever, "%+v", c)
		assert.Equal(t, c.full, since == 0, "%+v", c)
		assert.Equal(t, c.maybe, e.maybeFullWithin(time.Hour), "%+v", c)
		e.last += 2 * time.Hour
		assert.False(t, e.maybeFullWithin(time.Hour), "%+v", c)
	}
}

// Whether there was a full charge is not known to a few percent: nothing is said of such a bank, and a finding that stands is left standing.
func TestMaybeFullIsNoUndercharge(t *testing.T) {
	e := judgeTest(t, 2)
	e.startA = 0
	judge := func(day int, pct, sigma float64) []string {
		e.last = time.Duration(day) * 24 * time.Hour
		for i := range e.out.Battery {
			e.out.Battery[i].SoCPct = Estimate{pct, sigma, true}
		}
		e.out.Bank.SoCPct = Estimate{pct, sigma, true}
		e.judgeUndercharged()
		return e.standing("bank-undercharged")
	}
	assert.Empty(t, judge(6, 97.5, 3.8))
	assert.Empty(t, judge(12, 95, 3.8), "perhaps full six days ago")
	assert.NotEmpty(t, judge(14, 95, 3.8))
	assert.NotEmpty(t, judge(15, 97.5, 3.8))
	assert.Empty(t, judge(16, 97.5, 2.8))
}

// A new battery has not been watched for a week, whatever the old one did.
func TestANewBatteryIsNotOverdue(t *testing.T) {
	e := judgeTest(t, 2)
	at := func(day int) []string {
		e.last = time.Duration(day) * 24 * time.Hour
		e.judgeUndercharged()
		return e.standing("bank-undercharged")
	}
	full := func() {
		for i := range e.out.Battery {
			e.out.Battery[i].SoCPct = Estimate{99, 1, true}
		}
	}
	full()
	assert.Empty(t, at(26))
	for i := range e.out.Battery {
		e.out.Battery[i].SoCPct = Estimate{}
	}
	assert.Empty(t, at(30))
	e.det.Low.FullAt[1] = e.last // the neighbour is full
	require.True(t, e.ForgetBattery(0))
	for i := range e.out.Battery {
		e.out.Battery[i].In = BatteryInput{VoltageV: Reading{12.5, Good}, CurrentA: Reading{0, Good}}
	}
	assert.Empty(t, at(34))
	assert.NotEmpty(t, at(38))
	full()
	assert.Empty(t, at(39))
}

// The loads of one stop are one load: that three cold stops happened to lift more the colder it was does not tell how the oil drags.
func TestOneStopsLoadIsNoTrend(t *testing.T) {
	var m MotorMemory
	at := time.Duration(0)
	for range 2 {
		for _, stop := range []struct{ tempC, amps float64 }{{-6, 125}, {-3, 115}, {0, 105}} {
			at += 4 * time.Hour
			for range 6 {
				at += time.Minute
				m.take(at, stop.amps, oilDrag(stop.tempC)-1, 0)
			}
		}
	}
	assert.InDelta(t, 100, m.usual(oilDrag(20)-1), 8, "what it says of a warm day: the loads' mean, less some drag")
}
