package daily_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/daily"
	"liftbank/rules/unit"
)

// bank is one of 200 Ah that rests at 12.4 V with 69.3 % (Battery Council table, straight between
// 12.24 V at 50 % and 12.45 V at 75 %).
func bank() *daily.Bank {
	return &daily.Bank{
		OwnDrawA:   0.015,
		CapacityAh: 200,
		LowPct:     69.3,
		Charge:     unit.Estimate{Value: 80, Sigma: 2, Known: true},
		ZeroSigmaA: []float64{0.15, 0.15},
	}
}

// counted returns what the count of a day comes to that agrees with a fall of the charge, for a
// bank of 200 Ah with 0.05 A of standby.
func counted(fallPct float64) (netAh float64) { return 0.05*24 - 2*fallPct }

// days returns a book after working days with these charges at their ends, newest last.
func days(charge ...float64) *daily.Book {
	var b daily.Book
	for k := range min(len(charge), daily.Midnights) {
		b.Charge[k] = charge[len(charge)-1-k]
		if k > 0 {
			b.DayNetAh[k-1] = counted(b.Charge[k] - b.Charge[k-1])
		}
		b.FeedH[k], b.WakeH[k], b.InAh[k] = 1, 1, 20
	}
	b.Known = min(len(charge), daily.Midnights)
	return &b
}

func TestBalanceWorkedByHand(t *testing.T) {
	b := days(98, 92, 86, 80).Balance(bank())
	assert.True(t, b.Known)
	assert.InDelta(t, -12, b.AhPerDay, 1e-9, "6 % of 200 Ah per day")
	assert.InDelta(t, 0.6, b.ExtraChargeHours, 1e-9, "12 Ah at 20 A")
	assert.InDelta(t, (80-69.3)/6, b.FallsBelowDays, 1e-9)
	assert.InDelta(t, 18, b.ConfirmedFallPct, 0.2, "the count says the same")

	b = days(98, 92, 86).Balance(bank())
	assert.False(t, b.Known, "three midnights are no trend")
	assert.Same(t, daily.Waits, b.Why)

	b = days(70, 75, 80, 85).Balance(bank())
	assert.InDelta(t, 10, b.AhPerDay, 1e-9)
	assert.Zero(t, b.FallsBelowDays)
	assert.Zero(t, b.ExtraChargeHours)

	d := days(98, 92, 86, 80)
	d.InAh = [daily.Midnights]float64{}
	assert.Zero(t, d.Balance(bank()).ExtraChargeHours, "no charge seen")
}

// The estimated charge wanders where nothing corrects it; what was counted must not contradict a
// loss.
func TestBalanceAsksTheCount(t *testing.T) {
	for name, c := range map[string]struct {
		fall, netAh float64 // %, and Ah in all, over three days
		confirmed   float64 // by hand: 3.6 Ah of standby, known to as much, against a charge known to 2.1 %
	}{
		"as much is missing by the count":          {6, -8.4, 6},
		"more is missing: not more than it fell":   {6, -30, 6},
		"lifts took what the feed brought":         {6, 0, 3.6},
		"more came in than went out":               {6, 6, 1.8},
		"so much is gone that something drains it": {18, 0, 8.9},
	} {
		var b daily.Book
		for k := range daily.Midnights {
			b.Charge[k], b.FeedH[k], b.WakeH[k], b.InAh[k], b.DayNetAh[k] = 80+c.fall/3*float64(k), 1, 1, 10, c.netAh/3
		}
		b.Known = daily.Midnights
		got := b.Balance(bank())
		assert.InDelta(t, c.confirmed, got.ConfirmedFallPct, 0.2, name)
		assert.InDelta(t, 1.4, got.FallSigmaPct, 0.1, "%s: both together, 1.9 and 2.1 %%", name)
		assert.InDelta(t, -2*c.fall/3, got.AhPerDay, 1e-9, "%s: what is said is by how much the charge fell", name)
	}
}

// What was learned of a parked bank takes the place of what such banks usually give, where it is known
// better. 3.6 Ah of 50 mA over three days are 1.8 % of 200 Ah; of 10 mA, 0.36 %; the lifts took what
// the feed brought, and a charge known to 2.1 % fell by 6 %: by hand, weighted by the variances.
func TestBalanceUsesWhatAParkedBankGives(t *testing.T) {
	for name, c := range map[string]struct {
		parked    unit.Estimate
		confirmed float64
	}{
		"not known":            {unit.Estimate{}, 3.6},
		"no better":            {unit.Estimate{Value: 0.01, Sigma: 0.06, Known: true}, 3.6},
		"known, and next to 0": {unit.Estimate{Value: 0.01, Sigma: 0.01, Known: true}, 0.6},
		"known, and a lamp":    {unit.Estimate{Value: 0.25, Sigma: 0.01, Known: true}, 6},
	} {
		var b daily.Book
		for k := range daily.Midnights {
			b.Charge[k], b.FeedH[k], b.WakeH[k], b.InAh[k] = 80+2*float64(k), 1, 1, 10
		}
		b.Known = daily.Midnights
		with := bank()
		with.ParkedA = c.parked
		assert.InDelta(t, c.confirmed, b.Balance(with).ConfirmedFallPct, 0.3, name)
	}
}

// A working day counts from its own start: what parked days and their long rest change is not the
// duty's. A night that is not known to 10 % breaks the row.
func TestBalanceIsOfWorkingDaysAlone(t *testing.T) {
	play := func(sigma float64, days ...[2]float64) daily.Balance { // charge at the start and the end of each
		var b daily.Book
		now, runs := time.Duration(0), uint64(0)
		for _, d := range days {
			begin := daily.Scan{
				At:     unit.Moment{Mono: now},
				Charge: unit.Estimate{Value: d[0], Sigma: 2, Known: true},
				Runs:   runs,
			}
			b.Begun = false
			b.Step(&begin)
			b.Moved(counted(d[0] - d[1]))
			now += 24 * time.Hour
			runs++
			end := daily.Scan{
				At:     unit.Moment{Mono: now},
				Charge: unit.Estimate{Value: d[1], Sigma: sigma, Known: true},
				Runs:   runs,
			}
			over, ended := b.Step(&end)
			assert.True(t, ended && over.Worked)
			b.Next(&end, &over)
		}
		return b.Balance(bank())
	}
	weekend := play(2, [2]float64{94, 93.8}, [2]float64{93.8, 94.1}, [2]float64{94.1, 93}, [2]float64{88.9, 89.8})
	assert.Less(t, weekend.ConfirmedFallPct, 0.5, "four percent less after a weekend, and the days gain")
	b := play(2, [2]float64{94, 93}, [2]float64{93, 91}, [2]float64{91, 89}, [2]float64{88, 86})
	assert.InDelta(t, -2*2.0, b.AhPerDay, 1e-9, "2 % of 200 Ah per day, and a weekend")
	assert.True(t, play(9.8, [2]float64{94, 93}, [2]float64{93, 91}, [2]float64{91, 89}, [2]float64{89, 87}).Known)
	assert.False(t, play(10.2, [2]float64{94, 93}, [2]float64{93, 91}, [2]float64{91, 89}, [2]float64{88, 86}).Known)
}
