package tap_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/tap"
	"liftbank/rules/unit"
)

func good(v float64) unit.Reading { return unit.Reading{Value: v, Quality: unit.Good} }

var class = unit.DefaultClass(unit.BatteryVoltage)

// rest shows a learner of two taps, which read 0.4 % much and 0.8 % little, a rest of a bank of
// 12.6 V, whose feed reads as it is.
func rest(l *tap.Learner, length time.Duration, change func(*tap.Scan)) {
	for at := time.Duration(0); at < length; at += time.Minute {
		in := tap.Scan{Now: at, RestFor: at, Joined: true, FeedV: good(12.6)}
		in.OwnV[0], in.OwnV[1] = good(12.6*1.004), good(12.6*0.992)
		in.CurrentA[0], in.CurrentA[1] = good(0.1), good(-0.2)
		if change != nil {
			change(&in)
		}
		l.Step(&in)
	}
}

func TestTapsAreEvenedOut(t *testing.T) {
	tests := []struct {
		name   string
		length time.Duration
		change func(*tap.Scan)
		want   [2]float64 // of 12.6 V
		known  bool
	}{
		{"with the feed's", 6 * time.Hour, nil, [2]float64{12.6 * (1 + 0.996) / 2, 12.6 * (1 + 0.996) / 2}, true},
		{"without", 6 * time.Hour, func(in *tap.Scan) { in.FeedV.Quality = unit.NotFitted }, [2]float64{12.6 * 0.998, 12.6 * 0.998}, true},
		{"feed behind an open breaker", 6 * time.Hour, func(in *tap.Scan) { in.FeedV = good(3) },
			[2]float64{12.6 * 0.998, 12.6 * 0.998}, true},
		{"too short", 80 * time.Minute, nil, [2]float64{12.6 * 1.004, 12.6 * 0.992}, false},
		{"current flows", 6 * time.Hour, func(in *tap.Scan) { in.CurrentA[1] = good(-2) }, [2]float64{12.6 * 1.004, 12.6 * 0.992}, false},
		{"not joined", 6 * time.Hour, func(in *tap.Scan) { in.Joined = false }, [2]float64{12.6 * 1.004, 12.6 * 0.992}, false},
		{"a tap not read", 6 * time.Hour, func(in *tap.Scan) { in.OwnV[1].Quality = unit.Saturated },
			[2]float64{12.6 * 1.004, 12.6 * 0.992}, false},
		{"a divider of 11 kΩ for 10", 6 * time.Hour, func(in *tap.Scan) { in.OwnV[1] = good(12.6 * 1.09) },
			[2]float64{12.6 * 1.004, 12.6 * 0.992}, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			l := tap.New([]unit.SensorClass{class, class})
			rest(l, tt.length, tt.change)
			assert.Equal(t, tt.known, l.Known())
			// The mean of three is a little above that of two: 1.004, 0.992 and 1.
			tolerance := 0.02
			assert.InDelta(t, tt.want[0], l.Evened(0, good(12.6*1.004)).Value, tolerance)
			assert.InDelta(t, tt.want[1], l.Evened(1, good(12.6*0.992)).Value, tolerance)
			if tt.known {
				assert.InDelta(t, l.Evened(0, good(12.6*1.004)).Value, l.Evened(1, good(12.6*0.992)).Value, 1e-6, "one voltage")
			}
			l.Step(&tap.Scan{Now: 7 * time.Hour}) // the motor runs
			on := tap.New([]unit.SensorClass{class, class})
			require.NoError(t, on.Restore(l.State()))
			assert.Equal(t, l.State(), on.State())
		})
	}
}

func TestImpossibleStatesAreRefused(t *testing.T) {
	l := tap.New([]unit.SensorClass{class, class})
	for _, s := range []tap.State{{Ratio: [unit.MaxBatteries]float64{0.6}}, {Windows: 49}, {Windows: -1}, {Second: -1},
		{Second: 10, Sum: [unit.MaxBatteries]float64{11}}} {
		require.Error(t, l.Restore(s))
		assert.Equal(t, tap.State{}, l.State())
	}
}

func TestTapsAreComparedFrom(t *testing.T) {
	tests := []struct {
		name    string
		length  time.Duration
		amps    float64 // through the second battery
		off     float64 // of the first tap's deviation over its class, from the mean of both
		windows float64
	}{
		{"an hour and a half", 91 * time.Minute, 0, 0, 1},
		{"less", 90 * time.Minute, 0, 0, 0},
		{"two windows", 122 * time.Minute, 0, 0, 2},
		{"a small current", 91 * time.Minute, -1.4, 0, 1},
		{"a current", 91 * time.Minute, -1.6, 0, 0},
		{"within twice the class", 91 * time.Minute, 0, 1.9, 1},
		{"beyond", 91 * time.Minute, 0, 2.1, 0},
		{"a day and more", 30 * time.Hour, 0, 0, 48},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			l := tap.New([]unit.SensorClass{class, class})
			rest(l, tt.length, func(in *tap.Scan) {
				by := tt.off * class.ReadLow(12.6)
				in.OwnV[0], in.OwnV[1] = good(12.6+by), good(12.6-by)
				in.CurrentA[1], in.FeedV = good(tt.amps), unit.Reading{}
			})
			assert.Equal(t, tt.windows, l.State().Windows)
		})
	}
}

func TestStateIsTakenOverAtAnyTime(t *testing.T) {
	a, b := tap.New([]unit.SensorClass{class, class}), tap.New([]unit.SensorClass{class, class})
	rest(a, 4*time.Hour, func(in *tap.Scan) {
		require.NoError(t, b.Restore(a.State()), "%v", in.Now)
		assert.Equal(t, a.State(), b.State())
	})
	assert.True(t, a.Known())
}

// After a calibration the comparison starts afresh; how far a tap has moved since is told from then on,
// and that it is more than its class allows.
func TestATapThatMovesAfterItsCalibration(t *testing.T) {
	l := tap.New([]unit.SensorClass{class, class})
	rest(l, 6*time.Hour, nil)
	l.Recalibrated(0, true)
	assert.False(t, l.Known())
	assert.Equal(t, 12.6, l.Evened(0, good(12.6)).Value)
	_, known := l.Moved(0, 12.6)
	assert.False(t, known)
	rest(l, 8*time.Hour, nil)
	moved, known := l.Moved(0, 12.6)
	require.True(t, known)
	assert.InDelta(t, 0, moved, 0.001)
	_, known = l.Moved(1, 12.6)
	assert.False(t, known, "it was not calibrated")
	assert.False(t, l.Drifted(0))
	off := func(by float64) func(*tap.Scan) {
		return func(in *tap.Scan) { in.OwnV[0].Value += by }
	}
	rest(l, 40*time.Hour, off(0.1))
	moved, _ = l.Moved(0, 12.6)
	assert.InDelta(t, 0.1*2/3, moved, 0.02, "of three taps")
	assert.False(t, l.Drifted(0))
	rest(l, 60*time.Hour, off(0.22))
	assert.True(t, l.Drifted(0))
	other := tap.New([]unit.SensorClass{class, class})
	require.NoError(t, other.Restore(l.State()))
	assert.True(t, other.Drifted(0))
	s := l.State()
	s.Base[1] = 0.7
	assert.Error(t, other.Restore(s))
}
