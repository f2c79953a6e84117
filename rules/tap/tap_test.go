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
