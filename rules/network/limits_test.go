package network_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/network"
	"liftbank/rules/unit"
)

// two returns two sound batteries, leads diagonal, exact sensors.
func two() *work {
	w := newWork(2, ladder(2, 0.5))
	w.loadNeg, w.feedNeg = 1, 1
	return w
}

func (w *work) learned() float64 { return w.m.State().Run[network.Positive][0].Count }

// A run of fewer amperes than a sensor's zero is a hundredth of says nothing of a link.
func TestHowLargeARunMustBe(t *testing.T) {
	for amps, want := range map[float64]float64{17: 0, 23: 1, 120: 1} {
		w := two()
		w.run(amps)
		assert.Equal(t, want, w.learned(), "%g A", amps)
	}
}

// What is compared with a run must be of the same hour: over four minutes the rested voltages of
// unlike batteries move by more than links drop.
func TestARunIsComparedWithTheMomentBefore(t *testing.T) {
	learned := func(gap time.Duration) float64 { // between the last reading before a run and the run's last
		w := two()
		w.rest(30, 0)
		w.at += gap - 4*time.Second
		w.c.inA = -120
		for f := time.Duration(0); f < 4*time.Second; f += 20 * time.Millisecond {
			w.step(true, false, f)
			w.at += 20 * time.Millisecond
		}
		w.rest(1, 0)
		return w.learned()
	}
	assert.Equal(t, 1.0, learned(220*time.Second))
	assert.Zero(t, learned(260*time.Second))
}

// One reading is no mean: of the moment before it takes two, of a run five.
func TestHowManyReadingsARunNeeds(t *testing.T) {
	learned := func(before, in int) float64 {
		w := two()
		w.rest(before, 0)
		w.c.inA = -120
		for k := range in {
			w.at += 20 * time.Millisecond
			w.step(true, false, time.Second+time.Duration(k)*20*time.Millisecond)
		}
		w.rest(1, 0)
		return w.learned()
	}
	assert.Zero(t, learned(1, 20))
	assert.Equal(t, 1.0, learned(2, 20))
	assert.Zero(t, learned(5, 4))
	assert.Equal(t, 1.0, learned(5, 5))
}

// The inrush of a motor, two to four times its current, has decayed after a quarter of a second; a
// motor that coasts has stopped three seconds after a run. What is read meanwhile changes nothing.
func TestWhatIsLeftOutAroundARun(t *testing.T) {
	with := func(spoil func(*seen)) network.State {
		w := two()
		w.run(100)
		w.spoil = spoil
		w.run(100)
		return w.m.State()
	}
	drop := func(s network.State) float64 { return s.Run[network.Positive][0].Mean.DropMohm }
	want := drop(with(nil))
	inrush := func(from, to time.Duration) func(*seen) {
		return func(r *seen) {
			if r.Running && r.RunFor >= from && r.RunFor < to {
				r.Battery[1].VoltageV.Value += 0.1
			}
		}
	}
	assert.Equal(t, want, drop(with(inrush(0, 240*time.Millisecond))))
	assert.NotEqual(t, want, drop(with(inrush(260*time.Millisecond, 300*time.Millisecond))))

	after := func(span time.Duration) int {
		w := two()
		w.run(100)
		w.c.inA = -100
		for f := time.Duration(0); f < time.Second; f += 20 * time.Millisecond {
			w.step(true, false, f)
			w.at += 20 * time.Millisecond
		}
		w.c.inA = 0
		for end := w.at + span; w.at < end; w.at += 200 * time.Millisecond {
			w.step(false, false, 0)
		}
		p := w.m.State().Pending
		return p.Base.Scans + p.Before.Scans
	}
	assert.Zero(t, after(2700*time.Millisecond))
	assert.Positive(t, after(3600*time.Millisecond))
}

// A scan reads one channel after the other: the one in which something was switched on is half
// before and half after, and is taken for neither. What a bank's voltage moves by itself is less.
func TestAScanInWhichSomethingIsSwitched(t *testing.T) {
	base := func(volts, amps float64) int {
		w := two()
		w.rest(5, 0)
		w.spoil = func(r *seen) {
			r.Battery[0].VoltageV.Value += volts
			r.Battery[0].CurrentA.Value += amps
		}
		w.rest(1, 0)
		return w.m.State().Pending.Base.Scans
	}
	assert.Equal(t, 6, base(0.13, 0))
	assert.Zero(t, base(0.17, 0))
	assert.Equal(t, 6, base(0, 3.5))
	assert.Zero(t, base(0, 4.5))
}

// Readings of one state are taken together: what moves by a few hundredths of a volt or tenths of an
// ampere is one.
func TestWhatIsOneState(t *testing.T) {
	scans := func(volts, amps float64) int {
		w := two()
		w.rest(8, 0)
		w.spoil = func(r *seen) {
			r.Battery[0].VoltageV.Value += volts
			r.Battery[0].CurrentA.Value += amps
		}
		w.rest(9, 0)
		return w.m.State().Pending.Stretch.Scans
	}
	assert.Equal(t, 16, scans(0.044, 0))
	assert.Equal(t, 8, scans(0.056, 0))
	assert.Equal(t, 16, scans(0, 0.85))
	assert.Equal(t, 8, scans(0, 1.15))
}

// A battery of 12 V has some milliohms. What shows less than half a sound one's or as much as a
// shorted cell's string has in its voltage, does not move with its current at all, or dips with none,
// is a channel at fault, and teaches nothing.
func TestReadingsOfNoBatteryTeachNothing(t *testing.T) {
	for _, tt := range []struct {
		name    string
		ohmMohm float64
		draw    float64
		spoil   func(*seen)
		learns  bool
	}{
		{"0.5 mΩ", 0.5, 120, nil, false},
		{"0.7 mΩ", 0.7, 120, nil, true},
		{"a worn block", 25, 120, nil, true},
		{"130 mΩ", 130, 200, nil, true}, // carries 7 A: too little to judge by
		{"a current that stands at 1.6 A, a dip of 0.25 V", 4.5, 120, func(r *seen) {
			if r.Running {
				r.Battery[1].CurrentA.Value = -1.6
			} else {
				r.Battery[1].CurrentA.Value = 0
			}
		}, false},
		{"a current that reads a fiftieth", 4.5, 120, func(r *seen) {
			if r.Running {
				r.Battery[1].CurrentA.Value = -2.4
			}
		}, true},
		{"a dip of 0.17 V without a current", 4.5, 120, func(r *seen) { dips(r, 0.17) }, false},
		{"a dip of 0.13 V without a current", 4.5, 120, func(r *seen) { dips(r, 0.13) }, true},
		{"9 A and 1.2 V: 133 mΩ", 4.5, 120, func(r *seen) { shows(r, 9, 1.2) }, true},
		{"9 A and 1.6 V: 178 mΩ", 4.5, 120, func(r *seen) { shows(r, 9, 1.6) }, false},
		{"9.5 A and 1 mV", 4.5, 120, func(r *seen) { shows(r, 9.5, 0.001) }, false},
		{"7 A and 1 mV", 4.5, 120, func(r *seen) { shows(r, 7, 0.001) }, true},
	} {
		c := ladder(2, 0.5)
		c.ohmMohm[1] = tt.ohmMohm
		w := newWork(2, c)
		w.spoil = tt.spoil
		w.run(tt.draw)
		assert.Equal(t, tt.learns, w.learned() > 0, tt.name)
	}
}

// dips has battery 1 dip in a run while its sensor shows nothing.
func dips(r *seen, volts float64) { shows(r, 0, volts) }

// shows has battery 1 give some amperes in a run and dip by some volts.
func shows(r *seen, amps, volts float64) {
	b := &r.Battery[1]
	b.CurrentA.Value, b.VoltageV.Value, b.NegativeV.Value = 0, 12.6, 0
	if r.Running {
		b.CurrentA.Value, b.VoltageV.Value = -amps, 12.6-volts
	}
}

// A run that lies beside the others by what taps and lifts scatter is one of them; by more it waits
// for a second one that says the same.
func TestARunBesideTheOthers(t *testing.T) {
	waits := func(moreMohm float64) bool {
		w := two()
		w.run(120)
		w.spoil = func(r *seen) {
			if r.Running {
				r.Battery[1].VoltageV.Value += moreMohm * 0.120
			}
		}
		w.run(120)
		return w.m.State().Run[network.Positive][0].HaveOutlier
	}
	assert.False(t, waits(0.22))
	assert.True(t, waits(0.28))
}

// A failed reading or two leave what many runs taught; a channel that is gone for ten seconds may
// hide anything.
func TestHowLongAReadingMayBeMissing(t *testing.T) {
	w := two()
	w.day()
	w.spoil = func(r *seen) { r.Battery[1].VoltageV.Quality = unit.NoAnswer }
	w.rest(9, 0)
	_, _, ok := known(w.m.Link(0, network.Positive))
	assert.True(t, ok)
	w.rest(3, 0)
	_, _, ok = known(w.m.Link(0, network.Positive))
	assert.False(t, ok)
}

// Two taps of 1 % differ by 2 % at the most, and by 3 with what they drift: further apart they are no
// dividers, and the charge says nothing.
func TestTapsThatAreNoDividers(t *testing.T) {
	placed := func(gain float64) bool {
		w := two()
		w.gain[0][1] = 1 + gain
		for range 3 {
			w.day()
		}
		return w.m.State().Held[network.Positive].Charge >= 0
	}
	assert.True(t, placed(0.026))
	assert.False(t, placed(0.036))
}

// What stands between the converter's terminal and the bank is a path only while it is joined: with
// no current, a terminal within what leads and taps make, and never under the bank. A wire that came
// off reads next to nothing.
func TestWhenTheFeedsTerminalIsJoined(t *testing.T) {
	taken := func(overV, amps, postV float64) bool {
		w := two()
		w.spoil = func(r *seen) {
			r.Battery[0].VoltageV.Value += postV
			r.FeedV = good(r.Battery[0].VoltageV.Value + overV)
		}
		w.rest(8, amps)
		w.rest(9, amps+3)
		return w.m.State().Feed.Count > 0
	}
	assert.True(t, taken(0.34, 0.1, 0))
	assert.False(t, taken(0.46, 0.1, 0), "an open breaker")
	assert.True(t, taken(0.46, 10, 0), "a bad joint")
	assert.True(t, taken(0.46, 0.56, 0))
	assert.False(t, taken(0.46, 0.44, 0))
	assert.True(t, taken(-0.34, 10, 0))
	assert.False(t, taken(-0.46, 10, 0), "it is off, and another charger is on")
	assert.True(t, taken(0.1, 10, -8.2), "a post at 4.6 V")
	assert.False(t, taken(0.1, 10, -9.2), "at 3.6 V the board would not run")
}

// A motor's terminal that reads under a volt in a run is a wire that came off; its path is told once
// it is known to two milliohms, or half of itself.
func TestWhenThePathToTheMotorIsLearned(t *testing.T) {
	w := func(motorV float64) *work {
		w := two()
		w.spoil = func(r *seen) {
			if r.Running {
				r.MotorV = good(motorV)
			}
		}
		w.run(120)
		return w
	}
	assert.Positive(t, w(1.2).m.State().Motor.Count)
	assert.Zero(t, w(0.85).m.State().Motor.Count)

	pathed := func(share float64) bool { // sigma of 2 mΩ, times share
		m := two().m
		s := m.State()
		s.Motor.Count, s.Motor.Mean[2] = 20, 1
		s.Motor.Cov[2][2] = math.Pow(2*share, 2)
		assert.NoError(t, m.Restore(s))
		return m.MotorPath().Known
	}
	assert.True(t, pathed(0.85))
	assert.False(t, pathed(1.15))
}

// 1 mV is what a good voltage channel may be off by: at 5.5 A that is less than half of a good link,
// at 4.5 A a reading of one scan is not given.
func TestOneScanNeedsACurrent(t *testing.T) {
	assert.True(t, network.MohmNow(good(5.5), good(0.003)).OK())
	assert.False(t, network.MohmNow(good(4.5), good(0.003)).OK())
}
