package motor_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/rules/motor"
	"liftbank/rules/unit"
)

const ms = time.Millisecond

func good(v float64) unit.Reading { return unit.Reading{Value: v, Quality: unit.Good} }

func contact(on, read bool) unit.Contact {
	switch {
	case !read:
		return unit.ContactUnknown
	case on:
		return unit.ContactOn
	}
	return unit.ContactOff
}

// play runs the detector over a bank current that is amps while one of the runs is on, sampled as
// the board does: every restEvery until a sample shows the motor (or an edge wakes it), then every
// 6 ms until two seconds after.
func play(wired bool, runs [][2]time.Duration, until, restEvery time.Duration, amps float64) *motor.Detector {
	d := motor.New(settings)
	on := func(t time.Duration) bool {
		for _, r := range runs {
			if t >= r[0] && t < r[1] {
				return true
			}
		}
		return false
	}
	next := func(t time.Duration) (at time.Duration, level bool) {
		at = until + 1
		for _, r := range runs {
			for i, x := range r {
				if x > t && x < at {
					at, level = x, i == 0
				}
			}
		}
		return at, level
	}
	fastUntil := time.Duration(-1)
	for t := time.Duration(0); t < until; {
		step := restEvery
		if t < fastUntil {
			step = 6 * ms
		}
		to := t + step
		if at, level := next(t); wired && at <= to {
			to = at
			d.Edge(level, at)
			fastUntil = at + 2*time.Second
		}
		t = to
		a := 0.2
		if on(t) {
			a, fastUntil = -amps, t+2*time.Second
		}
		d.Step(&motor.Input{At: t, CurrentA: good(a), VoltageV: good(12.4), Command: contact(on(t), wired)})
	}
	return d
}

var settings = motor.Settings{MinA: 30, CycleRuns: 2}

// Any schedule of runs of at least 0.3 s (coil wired) or 1.2 s (current alone), at least a second
// apart, is counted exactly, whatever the phase of the slow scan.
func TestEveryRunIsCountedOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		wired := rapid.Bool().Draw(t, "wired")
		shortest := 1200
		if wired {
			shortest = 300
		}
		at := time.Duration(0)
		var runs [][2]time.Duration
		var total time.Duration
		for range rapid.IntRange(1, 12).Draw(t, "runs") {
			at += time.Duration(rapid.IntRange(1000, 9000).Draw(t, "gap ms")) * ms
			length := time.Duration(rapid.IntRange(shortest, 14000).Draw(t, "length ms")) * ms
			runs = append(runs, [2]time.Duration{at, at + length})
			at, total = at+length, total+length
		}
		d := play(wired, runs, at+5*time.Second, time.Second, 120)
		require.EqualValues(t, len(runs), d.Runs())
		slack := time.Duration(len(runs)) * time.Second // from current alone, a start is seen up to one slow scan late
		if wired {
			slack = time.Duration(len(runs)) * ms
		}
		require.InDelta(t, total.Seconds(), d.Time().Seconds(), slack.Seconds())
	})
}

func TestNotARun(t *testing.T) {
	none := func(name string, readings ...motor.Input) {
		t.Helper()
		d := motor.New(settings)
		for i := range readings {
			d.Step(&readings[i])
		}
		assert.Zero(t, d.Runs(), name)
	}
	at := func(t time.Duration, a float64) motor.Input { return motor.Input{At: t, CurrentA: good(a)} }
	none("one reading alone", at(0, 0), at(6*ms, -300), at(12*ms, 0), at(100*ms, 0), at(200*ms, 0))
	none("lights", at(0, -25), at(time.Second, -25), at(2*time.Second, 0), at(3*time.Second, 0))
	none("charging", at(0, 120), at(time.Second, 120), at(2*time.Second, 0))
}

// Without the coil, readings a minute apart that show the motor are of two runs as well as of one:
// nobody knows, so neither is a run of a minute. At four seconds they are one.
func TestReadingsFarApartAreNotOneRun(t *testing.T) {
	d := motor.New(settings)
	for k := range 30 {
		a := -120.0
		if k%5 == 4 {
			a = 0
		}
		_, ended := d.Step(&motor.Input{At: time.Duration(k) * time.Minute, CurrentA: good(a)})
		assert.False(t, ended)
	}
	assert.Zero(t, d.Runs())
	for k := range 6 {
		a := -120.0
		if k > 3 {
			a = 0
		}
		d.Step(&motor.Input{At: time.Hour + time.Duration(k)*4*time.Second, CurrentA: good(a)})
	}
	assert.EqualValues(t, 1, d.Runs())
	assert.Equal(t, 16*time.Second, d.Last().Duration)

	wired := motor.New(settings)
	wired.Edge(true, 0)
	for k := range 3 {
		wired.Step(&motor.Input{At: time.Duration(k) * time.Minute, CurrentA: good(-120), Command: contact(true, true)})
	}
	wired.Edge(false, 2*time.Minute)
	assert.Equal(t, 2*time.Minute, wired.Last().Duration, "the coil was on all the time")
}

func TestABouncingContactorIsOneRun(t *testing.T) {
	runs := [][2]time.Duration{{2000 * ms, 2010 * ms}, {2030 * ms, 6000 * ms}}
	d := play(false, runs, 10*time.Second, 20*ms, 120)
	assert.EqualValues(t, 1, d.Runs())
}

func TestCoilThatCanNoLongerBeReadLeavesTheCurrent(t *testing.T) {
	d := motor.New(settings)
	step := func(at time.Duration, a float64, on, ok bool) {
		d.Step(&motor.Input{At: at, CurrentA: good(a), Command: contact(on, ok)})
	}
	step(0, 0, false, true)
	step(time.Second, -120, true, true)
	step(2*time.Second, -120, false, false)
	step(3*time.Second, 0, false, false)
	step(4*time.Second, 0, false, false)
	assert.EqualValues(t, 1, d.Runs())
	step(5*time.Second, -120, false, false)
	step(6*time.Second, -120, false, false)
	step(7*time.Second, 0, false, false)
	step(8*time.Second, 0, false, false)
	assert.EqualValues(t, 2, d.Runs())
	assert.False(t, d.Last().ByCommand)
}

func TestRunFigures(t *testing.T) {
	d := play(true, [][2]time.Duration{{1500 * ms, 11500 * ms}}, 20*time.Second, time.Second, 120)
	r := d.Last()
	assert.Equal(t, 10*time.Second, r.Duration)
	assert.InDelta(t, 120, r.MeanA, 1)
	assert.InDelta(t, 120.0*10/3600, r.DrawnAh, 0.003)
	assert.InDelta(t, 12.4, r.MinBankV, 1e-9)
}

// drop has a motor seen by current which falls to a level for so long, and comes back; it returns the
// runs counted then.
func drop(toShareOfMinA float64, length time.Duration) uint64 {
	d := motor.New(settings)
	at := time.Duration(0)
	hold := func(amps float64, span time.Duration) {
		for end := at + span; at < end; at += ms {
			d.Step(&motor.Input{At: at, CurrentA: good(-amps), VoltageV: good(12), Command: unit.ContactNotFitted})
		}
	}
	hold(0, 100*ms)
	hold(100, 500*ms)
	hold(toShareOfMinA*settings.MinA, length)
	hold(100, 500*ms)
	hold(0, 500*ms)
	return d.State().Runs
}

// A run ends with less than 0.6 of the least current, for 50 ms.
func TestWhatEndsARunSeenByCurrent(t *testing.T) {
	assert.EqualValues(t, 1, drop(0.65, 80*ms))
	assert.EqualValues(t, 2, drop(0.55, 80*ms))
	assert.EqualValues(t, 1, drop(0.5, 45*ms))
	assert.EqualValues(t, 2, drop(0.5, 56*ms))
}

// Without a command, readings 5 s apart are of one run, further apart of two.
func TestReadingsOfOneRun(t *testing.T) {
	for gap, want := range map[time.Duration]uint64{4500 * ms: 1, 5500 * ms: 2} {
		d := motor.New(settings)
		at := time.Duration(0)
		for _, a := range []float64{0, 100, 100, 100, 100, 100, 0, 0} {
			d.Step(&motor.Input{At: at, CurrentA: good(-a), VoltageV: good(12), Command: unit.ContactNotFitted})
			if at += 100 * ms; at == 300*ms {
				at += gap
			}
		}
		assert.Equal(t, want, d.State().Runs, "%v", gap)
	}
}

// Over 20 minutes between two readings of a commanded run are counted, more are not.
func TestChargeOverAGap(t *testing.T) {
	for gap, want := range map[time.Duration]float64{20 * time.Minute: 20, 21 * time.Minute: 0} {
		d := motor.New(settings)
		for _, at := range []time.Duration{0, gap} {
			d.Step(&motor.Input{At: at, CurrentA: good(-60), VoltageV: good(12), Command: unit.ContactOn})
		}
		d.Step(&motor.Input{At: gap + ms, CurrentA: good(0), VoltageV: good(12), Command: unit.ContactOff})
		assert.InDelta(t, want, d.Last().DrawnAh, 0.01, "%v", gap)
	}
}
