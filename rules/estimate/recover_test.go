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

// discharge draws amps for span from a battery that follows the estimator's own loaded curve from
// socPct on: what is tried here is how it recovers, not whether the curve is right.
func (r *rig) discharge(span, dt time.Duration, c *leadacid.Chemistry, ah, amps, socPct float64) float64 {
	for end := r.at + span; r.at < end; {
		r.at += dt
		socPct -= 100 * amps * dt.Hours() / ah
		perHour := amps / ah
		left, _ := c.LeftPct(perHour, 26.7)
		growth, _, knee, _ := c.LoadedV(socPct, left)
		v := c.RestedVFromSoC(socPct) - leadacid.LoadedDropV(perHour)*growth - knee
		r.b.Step(r.at, readings(v, -amps, 26.7), estimate.Facts{})
	}
	return socPct
}

// A battery is changed for another one: what was known, and known surely, does not fit any more.
func TestASwappedBatteryIsNoticed(t *testing.T) {
	r := newRig(leadacid.Flooded, 100)
	r.hold(8*time.Hour, time.Minute, 14.4, 15)
	r.hold(2*time.Hour, time.Minute, 14.4, 0.4)
	r.hold(12*time.Hour, time.Minute, 12.66, 0)
	before, sigma, _ := known(r.b.SoC())
	require.Greater(t, before, 97.0)
	require.Less(t, sigma, 2.0)
	r.at += 15 * time.Minute // at work on it
	r.hold(14*time.Hour, time.Minute, 12.24, 0)
	after, sigma, ok := known(r.b.SoC())
	require.True(t, ok)
	assert.InDelta(t, 50, after, 1.96*sigma, "± %g", sigma)
	assert.InDelta(t, 50, after, 12)
}

// Switched on in a discharge: within 10 % after an hour, within 5 % after four (asked for measured
// curves; here the curve is the right one, so nothing but the way to it is tried).
func TestSwitchedOnInADischarge(t *testing.T) {
	for _, start := range []float64{90, 70, 50, 35} {
		r := newRig(leadacid.AGM, 100)
		z := r.discharge(time.Hour, time.Minute, leadacid.AGM, 100, 5, start)
		assert.InDelta(t, z, must(r.b), 10, "from %g %%", start)
		z = r.discharge(3*time.Hour, time.Minute, leadacid.AGM, 100, 5, z)
		assert.InDelta(t, z, must(r.b), 5, "from %g %%", start)
	}
}

// Recorded data has rows at 1.5 V, rows out of order, times twice, and numbers that are none: they
// neither move what is said nor what is learned.
func TestOddRowsMoveNothing(t *testing.T) {
	play := func(odd bool) (pct, sigma float64) {
		r := newRig(leadacid.AGM, 17)
		r.hold(12*time.Hour, time.Minute, 12.7, 0)
		z := must(r.b)
		for k := range 6 {
			z = r.discharge(time.Hour, time.Minute, leadacid.AGM, 17, 1.5, z)
			if !odd {
				continue
			}
			step := func(at time.Duration, v, a float64) {
				row := readings(v, a, 0)
				row.TempC = unit.Reading{}
				r.b.Step(at, row, estimate.Facts{})
			}
			step(r.at-time.Duration(k)*time.Hour, 14, 60) // late, or the same instant again
			step(r.at+time.Second, 1.5, -1.5)
			step(r.at+2*time.Second, math.NaN(), math.Inf(1))
		}
		pct, sigma, _ = known(r.b.SoC())
		return pct, sigma
	}
	pct, sigma := play(false)
	oddPct, oddSigma := play(true)
	assert.InDelta(t, pct, oddPct, 1)
	assert.InDelta(t, sigma, oddSigma, 1)
}

// A load's current is logged for an hour before the load is connected: the voltage does not answer,
// so the charge is not taken as gone for long.
func TestACurrentWithoutItsVoltageIsFoundOut(t *testing.T) {
	r := newRig(leadacid.AGM, 17)
	r.hold(12*time.Hour, time.Minute, 12.80, 0)
	before := must(r.b)
	r.hold(90*time.Minute, time.Minute, 12.80, -3) // 26 % that never flowed
	assert.InDelta(t, before, must(r.b), 20)
	r.hold(14*time.Hour, time.Minute, 12.80, 0)
	after, sigma, ok := known(r.b.SoC())
	require.True(t, ok)
	assert.InDelta(t, before, after, max(6, 1.5*sigma), "± %g", sigma)
}

// A day without rows: anything may have happened. What the battery shows afterwards is believed.
func TestAGapIsRecoveredFrom(t *testing.T) {
	r := newRig(leadacid.Flooded, 100)
	r.hold(24*time.Hour, time.Minute, 12.65, 0)
	r.at += 30 * time.Hour
	r.hold(time.Minute, time.Second, 12.1, -20)
	_, sigma, ok := known(r.b.SoC())
	assert.False(t, ok, "± %g", sigma)
	r.hold(12*time.Hour, time.Minute, 12.24, 0)
	pct, sigma, ok := known(r.b.SoC())
	require.True(t, ok)
	assert.InDelta(t, 50, pct, max(1.96*sigma, 6))
}

// The power comes back in mid-charge, before anything says that a feed is on: one scan after hours
// says nothing of the current sensor's zero, nor that the charge was at its end for all that time.
func TestAGapEndsWhatWasWatched(t *testing.T) {
	r := newRig(leadacid.Gel, 75)
	step := func(v, a float64, idle bool) {
		r.at += 10 * time.Second
		r.b.Step(r.at, readings(v, a, 12), estimate.Facts{Idle: idle})
	}
	for range 12 * 360 {
		step(12.9, -0.2, true)
	}
	before, _, _ := known(r.b.ZeroA())
	require.InDelta(t, -0.17, before, 0.03)
	r.at += 4 * time.Hour
	step(14.6, 0.7, true)
	after, _, _ := known(r.b.ZeroA())
	assert.Equal(t, before, after)

	for range 2 {
		step(14.6, 2.5, false)
		r.at += 4 * time.Hour
	}
	step(14.6, 2.5, false)
	_, ever := r.b.Full()
	assert.False(t, ever, "three scans, hours apart")
}

func BenchmarkStepAndAsk(b *testing.B) {
	for name, in := range map[string]*unit.Battery{
		"rest":   readings(12.6, -0.02, 20),
		"load":   readings(12.1, -8, 20),
		"charge": readings(13.4, 12, 20),
		"taper":  readings(14.4, 2, 20),
	} {
		b.Run(name, func(b *testing.B) {
			e := estimate.New(estimate.Params{Chemistry: leadacid.Flooded, RatedAh: 100})
			at, facts := time.Duration(0), estimate.Facts{Idle: name == "rest"}
			b.ReportAllocs()
			for b.Loop() {
				at += time.Second
				e.Step(at, in, facts)
				known(e.SoC())
			}
		})
	}
}

// A sensor of a worse class leaves more open, by the same readings.
func TestAWorseClassIsLessSure(t *testing.T) {
	play := func(change func(*estimate.Params)) *estimate.Battery {
		p := estimate.Params{
			Chemistry: leadacid.Flooded, RatedAh: 100,
			Voltage: unit.DefaultClass(unit.BatteryVoltage), Current: unit.DefaultClass(unit.BatteryCurrent),
		}
		change(&p)
		r := &rig{b: estimate.New(p), tempC: 26.7}
		r.hold(20*time.Hour, time.Minute, 12.65, 0)
		return r.b
	}
	drawn := func(b *estimate.Battery) float64 {
		for at := 20 * time.Hour; at < 26*time.Hour; at += time.Minute {
			b.Step(at+time.Minute, readings(12.3, -5, 26.7), estimate.Facts{})
		}
		return b.SoC().Sigma
	}
	usual := play(func(*estimate.Params) {})
	tap := play(func(p *estimate.Params) { p.Voltage.Zero = 0.05 })
	assert.Greater(t, tap.RestedV().Sigma, 1.5*usual.RestedV().Sigma)
	hall := play(func(p *estimate.Params) { p.Current.Zero = 1 })
	assert.Greater(t, hall.ZeroA().Sigma, usual.ZeroA().Sigma)
	shunt := play(func(p *estimate.Params) { p.Current.Zero = 0.02 })
	assert.Less(t, shunt.ZeroA().Sigma, usual.ZeroA().Sigma)
	at := drawn(usual)
	assert.Greater(t, drawn(hall), at)
	assert.Less(t, drawn(shunt), at)
	assert.Greater(t, drawn(play(func(p *estimate.Params) { p.Current.Gain = 0.05 })), at)

	// A tap that may read lower takes a lower float for the end of a charge.
	full := func(zero float64) bool {
		r := &rig{b: estimate.New(estimate.Params{
			Chemistry: leadacid.Flooded, RatedAh: 60, Voltage: unit.SensorClass{Zero: zero, Gain: 0.01, Noise: 0.002},
		}), tempC: 25}
		r.hold(2*time.Hour, 10*time.Second, 13.25, 0.1)
		_, ever := r.b.Full()
		return ever
	}
	assert.False(t, full(0.01))
	assert.True(t, full(0.10))
}

// One row of a low voltage with a discharge, amid sound ones, moves the charge by 2 % at the most, and
// leaves no trace in the capacity after a discharge.
func TestOneOddRowMovesTheChargeByLittle(t *testing.T) {
	for _, odd := range []struct{ volts, amps float64 }{
		{10.5, -10}, {10.5, -30}, {12.6, -190}, {14.4, 0}, {12.0, 0}, {13.2, 190},
	} {
		for _, dt := range []time.Duration{time.Second, 10 * time.Second, time.Minute, 10 * time.Minute} {
			r := newRig(leadacid.Flooded, 100)
			r.hold(8*time.Hour, time.Minute, 14.4, 15)
			r.hold(2*time.Hour, time.Minute, 14.4, 0.6)
			z := r.discharge(7*time.Hour, time.Minute, leadacid.Flooded, 100, 5, 99)
			r.hold(6*time.Hour, time.Minute, leadacid.Flooded.RestedVFromSoC(z), 0)
			v := leadacid.Flooded.RestedVFromSoC(z)
			r.hold(3*dt, dt, v, 0)
			before := must(r.b)
			r.hold(dt, dt, odd.volts, odd.amps)
			assert.InDelta(t, before, must(r.b), 2, "%v, %v", odd, dt)
			r.hold(10*dt, dt, v, 0)
			assert.InDelta(t, before, must(r.b), 3, "%v, %v: afterwards, the rest having begun again", odd, dt)
			assert.InDelta(t, 100, r.b.State().CapAh, 12, "%v, %v", odd, dt)
		}
	}
}

// In a motor run the voltage is the run's.
func TestARunIsNoEmptyEnd(t *testing.T) {
	play := func(running bool) float64 {
		r := newRig(leadacid.Flooded, 100)
		r.hold(12*time.Hour, time.Minute, 12.45, 0)
		for range 7 * 60 {
			r.at += time.Second
			r.b.Step(r.at, readings(10.6, -6, r.tempC), estimate.Facts{Running: running})
		}
		return must(r.b)
	}
	assert.Less(t, play(false), 40.0)
	assert.Greater(t, play(true), 68.0)
}

// A divider of 1 % resistors reads a twelve-volt block off by up to 0.12 V: as long as nothing but
// rests is known, that is 15 % of charge.
func TestATapsErrorIsPartOfTheDoubt(t *testing.T) {
	b := estimate.New(estimate.Params{Chemistry: leadacid.Flooded, RatedAh: 100})
	r := &rig{b: b, tempC: 26.7}
	r.hold(4*24*time.Hour, time.Minute, 12.45*1.008, 0)
	pct, sigma, ok := known(b.SoC())
	require.True(t, ok)
	assert.InDelta(t, 75, pct, 2*sigma, "however often it is read")
}

// A current sensor dies with the bank in use: the doubt grows by what is used on a usual day, until
// nothing is said; a long rest says what its voltage says; and the current of the battery beside it
// serves in place of its own.
func TestADeadCurrentSensorIsNoCertainty(t *testing.T) {
	type scene struct{ idle, neighbor bool }
	play := func(c scene) (pct, sigma float64, ok bool, truth float64) {
		r := newRig(leadacid.Flooded, 100)
		day := func(dead bool) {
			step := func(span time.Duration, v, a float64, idle bool) {
				for end := r.at + span; r.at < end; {
					r.at += time.Minute
					in := readings(v, a, r.tempC)
					facts := estimate.Facts{Idle: idle && c.idle}
					if c.neighbor {
						facts.NeighborA = unit.Reading{Value: 1.1 * a, Quality: unit.Good}
					}
					if dead {
						in.CurrentA.Quality = unit.NoAnswer
					}
					r.b.Step(r.at, in, facts)
				}
			}
			step(2*time.Hour, 12.2, -5, false)
			if !dead { // the feed is lost when the sensor dies
				step(40*time.Minute, 13.9, 15, false)
				step(time.Hour, 14.4, 0.5, false)
			} else {
				truth -= 10
			}
			step(20*time.Hour, leadacid.Flooded.RestedVFromSoC(truth), 0, true)
		}
		truth = 100
		for range 10 {
			day(false)
		}
		before, _, _ := known(r.b.SoC())
		require.InDelta(t, 100, before, 2)
		for range 4 {
			day(true)
		}
		pct, sigma, ok = known(r.b.SoC())
		return pct, sigma, ok, truth
	}
	_, sigma, ok, _ := play(scene{})
	assert.False(t, ok, "± %g", sigma)
	for _, c := range []scene{{idle: true}, {neighbor: true}} {
		pct, sigma, ok, truth := play(c)
		assert.True(t, ok, "%v", c)
		assert.InDelta(t, truth, pct, 2*sigma, "%v", c)
		assert.Less(t, sigma, 16.0, "%v", c)
	}
}

// Twice a block's voltage is that of two in series, and no sign of a charge held to its end (published
// settings of chargers end at 15.5 V at 25 °C, 1.3 V more at -20 °C).
func TestTheVoltageOfTwoBlocksIsNoCharge(t *testing.T) {
	r := newRig(leadacid.Flooded, 100)
	r.hold(12*time.Hour, time.Minute, 25.2, 0)
	_, ever := r.b.Full()
	assert.False(t, ever)
	assert.False(t, r.b.SoC().Known)
}
