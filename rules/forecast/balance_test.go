package forecast_test

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/forecast"
	"liftbank/rules/leadacid"
)

// diary plays days of duty: a feed of feedA for feedH hours, motor runs of motorAh in all, and a drain all day.
type diary struct {
	b  *forecast.Balance
	at time.Duration
}

func newDiary() *diary { return &diary{b: forecast.NewBalance(leadacid.AGM, 200)} }

const dayStep = 10 * time.Second

func (d *diary) day(feedA, feedH, motorAh, drainA float64) {
	motorSteps := int(math.Round(motorAh / 120 * 360)) // of 10 s at 120 A
	for i := range 8640 {
		r := forecast.BalanceReading{At: d.at, VoltageV: 12.8, CurrentA: -drainA, TempC: 25, OK: true}
		switch hour := float64(i) / 360; {
		case hour >= 6 && hour < 6+feedH:
			r.Feeding, r.CurrentA = true, feedA
		case hour >= 18 && i-18*360 < motorSteps:
			r.Running, r.CurrentA = true, -120
		}
		d.b.Step(&r)
		d.at += dayStep
	}
}

func bankAt(ah float64) forecast.BalanceKnown {
	return forecast.BalanceKnown{ChargeAh: ah, ChargeSigma: 4, OK: true, ThresholdAh: 140}
}

// Arithmetic: 20 A for an hour stores 19.7 Ah at 98.5 %; 30 Ah of lifts and 0.5 A of drain in 23 h leave 22 Ah a day missing. From 184 Ah
// the threshold of 140 is two days away; 22 Ah are 1.1 hours of feed.
func TestBalanceNegative(t *testing.T) {
	d := newDiary()
	for day := range 4 {
		assert.False(t, d.b.Outlook(bankAt(184)).NetAh.Known, "day %d", day)
		d.day(20, 1, 30, 0.5)
	}
	d.day(20, 1, 30, 0.5)
	a := d.b.Outlook(bankAt(184))
	require.True(t, a.NetAh.Known && a.Days.Known && a.ExtraHours.Known)
	assert.InDelta(t, 19.7-30-0.5*22.75, a.NetAh.Value, 1)
	assert.InDelta(t, 44/21.7, a.Days.Value, 0.1)
	assert.InDelta(t, 21.7/19.7, a.ExtraHours.Value, 0.07)
	assert.Greater(t, a.NetAh.Sigma, 0.05*24*0.99, "the sensors' zeros are never known better")
	assert.Zero(t, d.b.Outlook(bankAt(120)).Days.Value, "under it already")
	unknown := d.b.Outlook(forecast.BalanceKnown{})
	assert.False(t, unknown.Days.Known)
	assert.True(t, unknown.ExtraHours.Known)
}

func TestBalanceHolds(t *testing.T) {
	d := newDiary()
	for range 5 {
		d.day(20, 1.6, 30, 0.02) // 31.5 Ah in, 30.4 out
	}
	a := d.b.Outlook(bankAt(184))
	assert.True(t, a.NetAh.Known)
	assert.False(t, a.Days.Known)
	assert.Contains(t, a.Days.WaitsFor, "holds")
}

// A week with two days of rest: whole weeks are taken, or each Monday would look like ruin.
func TestBalanceTakesWholeWeeks(t *testing.T) {
	d := newDiary()
	for i := range 11 {
		if i%7 >= 5 {
			d.day(0, 0, 0, 0.05)
		} else {
			d.day(20, 2, 30, 0.05)
		}
	}
	a := d.b.Outlook(bankAt(184))
	assert.Equal(t, 7, a.DaysSeen)
	want := (5*(2*19.7-30-0.05*22.25) - 2*0.05*24) / 7
	assert.InDelta(t, want, a.NetAh.Value, 0.8)
}

// A day with the readings missing is not a day without work.
func TestBalanceLeavesLostDaysOut(t *testing.T) {
	d := newDiary()
	for range 4 {
		d.day(20, 1, 30, 0.5)
	}
	d.at += 60 * time.Hour
	before := d.b.Outlook(bankAt(184))
	d.day(20, 1, 30, 0.5)
	d.day(20, 1, 30, 0.5)
	after := d.b.Outlook(bankAt(184))
	assert.InDelta(t, before.NetAh.Value, after.NetAh.Value, 0.2*math.Abs(before.NetAh.Value))
	d.at += 400 * 24 * time.Hour
	d.day(20, 1, 30, 0.5)
	assert.Less(t, d.b.Outlook(bankAt(184)).DaysSeen, 3, "a year without readings leaves nothing")
}

func TestBalanceRestartChangesNothing(t *testing.T) {
	play := func(restart bool) forecast.BalanceState {
		d := newDiary()
		for i := range 5 {
			d.day(20, 1, 30, 0.5)
			if restart && i > 1 {
				data, err := json.Marshal(d.b.State())
				require.NoError(t, err)
				var s forecast.BalanceState
				require.NoError(t, json.Unmarshal(data, &s))
				d.b = newDiary().b
				require.NoError(t, d.b.Restore(s))
			}
		}
		return d.b.State()
	}
	assert.Equal(t, play(false), play(true))

	b := newDiary().b
	for _, spoil := range []func(*forecast.BalanceState){
		func(s *forecast.BalanceState) { s.Days[3].StoredAh = math.NaN() },
		func(s *forecast.BalanceState) { s.Count = 15 },
		func(s *forecast.BalanceState) { s.Today.FeedHours = -1 },
		func(s *forecast.BalanceState) { s.Last.At = s.From + 25*time.Hour },
	} {
		s := play(false)
		spoil(&s)
		assert.Error(t, b.Restore(s))
	}
	assert.Equal(t, forecast.BalanceState{}, b.State())
}
