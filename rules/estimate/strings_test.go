package estimate_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/estimate"
	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// upper drives the estimator of an upper battery, whose own voltage two taps of 1 % make, of which the mean of
// its string knows one.
type upper struct {
	b     *estimate.Battery
	at    time.Duration
	tempC float64
}

func newUpper(tempC float64) *upper {
	tap := unit.DefaultClass(unit.BatteryVoltage)
	var classes unit.Classes
	for i := range 2 {
		classes[unit.ChannelOf(unit.BatteryVoltage, i)] = tap
	}
	unit.Series.BringClasses(&classes, 2)
	p := estimate.Params{Chemistry: leadacid.AGM, RatedAh: 100, Voltage: classes.Of(unit.BatteryVoltage, 1), String: tap}
	return &upper{b: estimate.New(p), tempC: tempC}
}

// goesOn keeps voltages and current; a mean of nothing is not known.
func (u *upper) goesOn(span time.Duration, own, mean, amps float64) {
	facts := estimate.Facts{Idle: amps == 0}
	if mean != 0 {
		facts.StringV = unit.Reading{Value: mean, Quality: unit.Good}
	}
	for end := u.at + span; u.at < end; {
		u.at += time.Minute
		u.b.Step(u.at, readings(own, amps, u.tempC), facts)
	}
}

// In the heat two taps can make an upper battery that rests seem held in float, with no current: as full. Its
// string's mean shows that nothing holds it; where something does, it is full all the same.
func TestAnUpperBatteryAtRestIsNotHeld(t *testing.T) {
	for _, tt := range []struct {
		name      string
		own, mean float64
		full      bool
	}{
		{"rests, taps 0.25 V too high", 13.06, 12.80, false},
		{"rests, and the string's tap is 1 % too high, too", 13.06, 12.92, false},
		{"held in float, as settings are compensated", 13.25, 13.1, true},
		{"held in float, taps 0.15 V too low", 13.06, 13.1, true},
		{"no mean", 13.06, 0, true},
	} {
		u := newUpper(39)
		u.goesOn(6*time.Hour, tt.own, tt.mean, 0)
		_, ever := u.b.Full()
		assert.Equal(t, tt.full, ever, tt.name)
	}
	// Held by the string, but not itself: the lower one takes the charge.
	u := newUpper(25)
	u.goesOn(6*time.Hour, 12.9, 14.2, 0.2)
	_, ever := u.b.Full()
	assert.False(t, ever)
	// The lower one has a tap of its own, which is believed: a charger may be on it alone.
	u.b = estimate.New(estimate.Params{Chemistry: leadacid.AGM, RatedAh: 100})
	u.goesOn(6*time.Hour, 13.8, 13.2, 0.2)
	_, ever = u.b.Full()
	assert.True(t, ever)
}

// What stands above a full battery's rested voltage is a charge's, but not where it is its taps': an upper battery
// that rests between taps 0.3 V apart is said to be no fuller for it.
func TestAnUpperBatterysTapsAreNoSurfaceCharge(t *testing.T) {
	full := leadacid.AGM.RestedVFromSoC(100)
	said := func(mean float64) unit.Estimate {
		u := newUpper(25)
		for range 6 { // six rests between short loads
			u.goesOn(4*time.Hour, full+0.3, mean, 0)
			u.goesOn(10*time.Minute, full-0.3, mean-0.3, -5)
		}
		soc := u.b.SoC()
		require.True(t, soc.Known)
		return soc
	}
	its, taps := said(full+0.13), said(full+0.07)
	assert.Greater(t, taps.Sigma, 1.5*its.Sigma, "%+v, with charge %+v", taps, its)
	assert.Less(t, taps.Value, its.Value)
	assert.Greater(t, its.Value, 90.0)
}

// In frost two full gel blocks of one string were held at 15.6 and 14.0 V by 1.5 A, while 95 and 96 % charged: by its
// own low voltage the lower of the two would miss a quarter of its charge. It may, and it may not: its doubt takes in
// what it would miss at the mean of its string, however often it is read, with rests in between. The other is as sure
// as one in no string.
func TestABatteryHeldBelowItsStringsMean(t *testing.T) {
	const mean = 14.8
	for _, tt := range []struct{ amps, missesAtMean float64 }{
		// 1.1 h of a taper at 14.4 V, 3.3 times as long in the frost, by the voltage above 12.8 V at 25 °C
		{1.5, 7.9}, {3.5, 18},
	} {
		after := func(own, mean float64, charges int) unit.Estimate {
			u := newUpper(-11)
			for range charges {
				u.goesOn(time.Hour, own, mean, tt.amps)
				u.goesOn(20*time.Minute, 12.6, 12.6, -3*tt.amps)
				u.goesOn(8*time.Hour, 12.55, 12.55, 0)
				u.goesOn(10*time.Minute, 12.5, 12.5, -5)
			}
			return u.b.SoC()
		}
		for _, charges := range []int{1, 3, 9, 30} {
			trails, alone := after(14.2, mean, charges), after(14.2, 0, charges)
			assert.InDelta(t, 100-tt.missesAtMean, trails.Value, 2*trails.Sigma, "%g A, %d charges", tt.amps, charges)
			assert.Greater(t, trails.Sigma, 1.15*alone.Sigma, "%g A, %d charges", tt.amps, charges)
			assert.Equal(t, after(15.6, 0, charges), after(15.6, mean, charges), "%d charges", charges)
		}
	}
	// Nor do charges without a rest between them make it surer.
	row := func(charges int) float64 {
		u := newUpper(-11)
		for range charges {
			u.goesOn(time.Hour, 14.2, mean, 1.5)
			u.goesOn(20*time.Minute, 12.6, 12.6, -4.5)
		}
		return u.b.SoC().Sigma
	}
	assert.Greater(t, row(30), 0.9*row(1))
}

// The same of a charge that is not held yet: by their own voltages the two would be 20 points apart.
func TestABatteryChargedBelowItsStringsMean(t *testing.T) {
	said := func(mean float64) unit.Estimate {
		u := newUpper(25)
		u.goesOn(time.Hour, 12.9, mean, 8)
		soc, sigma := u.b.State().Filter.X[0], math.Sqrt(u.b.State().Filter.P[0][0])
		return unit.Estimate{Value: soc, Sigma: sigma, Known: true}
	}
	alone := said(0)
	assert.Equal(t, alone, said(12.6))
	assert.Greater(t, said(13.2).Sigma, 1.1*alone.Sigma)
}

// What a charge leaves above a full battery's rested voltage is no sign of its end in frost, where a gel block of a
// string stood 0.13 V above it an hour after a short charge, 87 % charged at -10 °C. In the warm it is one.
func TestWhatAChargeLeavesInFrostIsNotItsEnd(t *testing.T) {
	full := leadacid.AGM.RestedVFromSoC(100)
	said := func(tempC, aboveV float64) unit.Estimate {
		u := newUpper(tempC)
		shift, _ := leadacid.RestedVAtReference(0, tempC)
		v := full - shift
		for range 6 {
			u.goesOn(10*time.Minute, v+1, v+1, 8)
			u.goesOn(2*time.Hour, v+aboveV, v+aboveV, 0)
			u.goesOn(time.Minute, v-0.5, v-0.5, -80)
		}
		return u.b.SoC()
	}
	for _, tt := range []struct {
		tempC, aboveV float64
		end           bool
	}{{-20, 0.4, false}, {-10, 0.3, false}, {-10, 0.4, true}, {0, 0.2, false}, {0, 0.3, true}, {10, 0.2, true}, {25, 0.2, true}} {
		soc := said(tt.tempC, tt.aboveV)
		assert.Equal(t, tt.end, soc.Known && soc.Value-soc.Sigma > 95, "%+v: %+v", tt, soc)
		assert.Equal(t, !tt.end, soc.Sigma > 8, "%+v: %+v", tt, soc)
	}
}

// At -13 °C two blocks of one string, 98.9 and 99.5 % charged, were held at 13.8 and 15.45 V by 0.3 A of 75 Ah, and
// others lower: by its own voltage the first is not held at all. Its string is, and takes next to nothing: it may be
// full. That is all: no charge is seen to its end. In the warm its own voltage counts.
func TestInFrostABatteryMayBeFullWithItsString(t *testing.T) {
	for _, tt := range []struct {
		name                  string
		tempC, own, mean, amp float64
		tail                  bool
	}{
		{"frost", -13, 13.5, 14.3, 0.2, true},
		{"frost, more current", -13, 13.5, 14.3, 0.9, false},
		{"frost, in absorption", -13, 13.5, 15.5, 0.9, true},
		{"frost, its string not held", -13, 13.3, 13.6, 0.2, false},
		{"frost, no mean", -13, 13.5, 0, 0.3, false},
		{"warm", 25, 12.98, 13.8, 0.2, false},
		{"cool, hardly above", 5, 13.2, 13.4, 0.2, false},
		{"warm, held itself", 25, 13.4, 13.8, 0.2, true},
		{"heat, taps 0.25 V too high", 39, 13.06, 12.8, 0, false},
	} {
		u := newUpper(tt.tempC)
		u.goesOn(29*time.Minute, tt.own, tt.mean, tt.amp)
		early := u.b.AtTailCurrent()
		u.goesOn(20*time.Minute, tt.own, tt.mean, tt.amp)
		assert.Equal(t, tt.tail, u.b.AtTailCurrent(), tt.name)
		assert.Equal(t, tt.tail && tt.mean > 15, early, tt.name)
		_, ever := u.b.Full()
		assert.Equal(t, tt.tail && tt.tempC > 0, ever, tt.name)
		if !ever {
			assert.InDelta(t, 30, math.Sqrt(u.b.State().Filter.P[0][0]), 0.5, "%s: it tells no charge", tt.name)
		}
		u.goesOn(time.Minute, tt.own-2, tt.mean-2, -1)
		assert.False(t, u.b.AtTailCurrent(), tt.name)
	}

	// Nobody knows since when the string has been held that is first seen so.
	u := newUpper(-13)
	u.goesOn(time.Minute, 12.6, 12.6, 0)
	u.at += 15 * time.Minute
	u.goesOn(4*time.Minute, 13.5, 15.5, 0.2)
	assert.False(t, u.b.AtTailCurrent())
	// Held itself before and after, it was not held itself in between: its charge's end is half an hour from there.
	u = newUpper(-13)
	u.goesOn(25*time.Minute, 14.0, 14.3, 0.1)
	u.goesOn(10*time.Minute, 13.5, 14.3, 0.1)
	u.goesOn(10*time.Minute, 14.0, 14.3, 0.1)
	_, ever := u.b.Full()
	assert.False(t, ever)
	u.goesOn(25*time.Minute, 14.0, 14.3, 0.1)
	_, ever = u.b.Full()
	assert.True(t, ever)
}
