package tap_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/rules/tap"
	"liftbank/rules/unit"
)

// pair is a string of two whose taps err, and which is shown to a learner.
type pair struct {
	l            *tap.Strings
	at           time.Duration
	gainA, gainB float64 // of the taps at the middle and at the top
}

func newPair(gainA, gainB float64) *pair {
	return &pair{l: tap.NewStrings(unit.Series, 2, unit.DefaultClasses()), gainA: gainA, gainB: gainB}
}

func (p *pair) step(dt time.Duration, a, b, amps float64, more func(*tap.StringsScan)) {
	p.at += dt
	in := tap.StringsScan{Now: p.at}
	in.OwnV[0] = good(a * p.gainA)
	in.OwnV[1] = good((a+b)*p.gainB - a*p.gainA)
	in.V25, in.A[0] = in.OwnV, good(amps)
	if more != nil {
		more(&in)
	}
	p.l.Step(&in)
}

func (p *pair) rest(hours, a, b float64, full bool) {
	for k := range int(hours * 60) {
		p.step(time.Minute, a, b, -0.05, func(in *tap.StringsScan) {
			in.RestFor, in.Full[0] = time.Duration(k)*time.Minute+time.Second, full
		})
	}
}

// Two dividers at the ends of 1 % make half a volt between two full batteries; the first full rest tells, and
// what the batteries differ by from then on is theirs.
func TestTapsOfAStringAreLearnedOnce(t *testing.T) {
	p := newPair(1.01, 0.99)
	assert.False(t, p.l.RestV(0).Known)
	p.rest(3, 12.4, 12.4, false)
	d := p.l.RestV(0)
	require.True(t, d.Known)
	assert.InDelta(t, 24.8*0.99-2*12.4*1.01, d.Value, 1e-9, "nobody knows yet whose it is")
	assert.InDelta(t, 0.207, d.Sigma, 0.005, "two gains of 1 %, at one and two batteries' volts, and two zeros")
	p.rest(8, 12.7, 12.7, true)
	d = p.l.RestV(0)
	assert.InDelta(t, 0, d.Value, 0.035)
	assert.InDelta(t, 0.05, d.Sigma, 0.005, "as far as two full batteries differ")
	base := p.l.TapsV(0, 12.7)
	for day := range 40 { // a battery that falls behind by 5 mV a day, full again each day for all that is known
		p.rest(8, 12.7-0.005*float64(day), 12.7, true)
	}
	assert.InDelta(t, 0.195, p.l.RestV(0).Value, 0.035, "what grows is never taken for the taps'")
	assert.Equal(t, base, p.l.TapsV(0, 12.7))
	assert.InDelta(t, base.Value*14.4/12.7, p.l.TapsV(0, 14.4).Value, 1e-9, "gains go with the voltage")
}

// With taps that a meter was put to, what a full rest shows is mostly the batteries'.
func TestCalibratedTapsOfAString(t *testing.T) {
	p := newPair(1, 1)
	p.l.Recalibrated(0, true)
	assert.InDelta(t, 0.207, p.l.TapsV(0, 12.6).Sigma, 0.005, "one of the two is not enough")
	p.l.Recalibrated(1, true)
	assert.InDelta(t, 0.03, p.l.TapsV(0, 12.6).Sigma, 1e-9)
	p.rest(8, 12.6, 12.7, true)
	d := p.l.RestV(0)
	assert.InDelta(t, 0.1*0.7353, d.Value, 0.001, "0.05² over 0.03² + 0.05²")
	assert.Less(t, d.Sigma, 0.03)
	p.l.Recalibrated(0, false)
	assert.False(t, p.l.RestV(0).Known, "the tap reads otherwise now")
}

func TestDifferencesOfAString(t *testing.T) {
	p := newPair(1, 1)
	for range 600 {
		p.step(time.Second, 14.1, 14.9, 1, func(in *tap.StringsScan) { in.Held[0] = true })
	}
	assert.InDelta(t, 0.8, p.l.HeldV(0).Value, 1e-9)
	for range 900 { // the other one rises: the average follows
		p.step(time.Second, 13.9, 15.1, 1, func(in *tap.StringsScan) { in.Held[0] = true })
	}
	assert.InDelta(t, 1.2, p.l.HeldV(0).Value, 0.03)
	p.step(time.Minute, 13, 13, -60, nil)
	assert.InDelta(t, 1.2, p.l.HeldV(0).Value, 0.03, "what was held last stays")
	assert.False(t, p.l.RunV(0).Known)
	for k := range 200 {
		p.step(20*time.Millisecond, 12.1, 11.8, -65, func(in *tap.StringsScan) {
			in.Running, in.RunFor = true, time.Duration(k)*20*time.Millisecond
			if in.RunFor < time.Second { // the inrush is another matter
				in.OwnV[0] = good(7)
			}
		})
	}
	assert.InDelta(t, -0.3, p.l.RunV(0).Value, 1e-9)
	assert.False(t, p.l.RestV(0).Known, "it has not rested")
	p.l.Replaced(1)
	assert.False(t, p.l.RunV(0).Known || p.l.HeldV(0).Known, "of a battery that is gone")
}

// What is saved goes on as if nothing had been; what can't be is refused and changes nothing.
func TestStringsRestore(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		straight := newPair(rapid.Float64Range(0.99, 1.01).Draw(t, "middle"), rapid.Float64Range(0.99, 1.01).Draw(t, "top"))
		stopped := newPair(straight.gainA, straight.gainB)
		for range rapid.IntRange(1, 6).Draw(t, "parts") {
			hours, full := rapid.Float64Range(0, 6).Draw(t, "hours"), rapid.Bool().Draw(t, "full")
			a, b := rapid.Float64Range(12, 13).Draw(t, "a"), rapid.Float64Range(12, 13).Draw(t, "b")
			straight.rest(hours, a, b, full)
			stopped.rest(hours, a, b, full)
			next := tap.NewStrings(unit.Series, 2, unit.DefaultClasses())
			require.NoError(t, next.RestoreStrings(stopped.l.StringsState))
			stopped.l = next
			assert.Equal(t, straight.l.RestV(0), stopped.l.RestV(0))
		}
	})
	l := tap.NewStrings(unit.Series, 2, unit.DefaultClasses())
	for what, change := range map[string]func(*tap.StringDiffs){
		"base":     func(d *tap.StringDiffs) { d.Base = 1.1 },
		"averages": func(d *tap.StringDiffs) { d.Averages = math.NaN() },
		"seconds":  func(d *tap.StringDiffs) { d.Held.Seconds = -1 },
		"volts":    func(d *tap.StringDiffs) { d.Run.V = math.Inf(-1) },
	} {
		var m tap.StringsState
		change(&m.String[1])
		require.Error(t, l.RestoreStrings(m), what)
		assert.Equal(t, tap.StringsState{}, l.StringsState, what)
	}
	none := tap.NewStrings(unit.Parallel, 4, unit.DefaultClasses())
	none.Step(&tap.StringsScan{Now: time.Hour})
	none.Recalibrated(3, true)
	none.Replaced(3)
	assert.Equal(t, tap.StringsState{}, none.StringsState)
}
