package zero_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/unit"
	"liftbank/rules/zero"
)

// A zero that was learned as 0.3 A is brought to a correction that takes 0.3 A off and reads 2 % more:
// it begins at nothing, as surely as it was measured, and a rest after it moves nothing.
func TestACalibrationAndWhatWasLearnedAgree(t *testing.T) {
	for n := 1; n <= 4; n++ {
		b := newBench(n)
		b.errA = func(i int) float64 { return []float64{0.3, -0.2, 0.1, 0.25}[i] }
		b.rests(20 * time.Hour)
		learned := b.zero(0).Value
		was := b.l.State()
		b.l.Recalibrated(0, 1.02, -0.3*1.02, good(25), 0.03)
		assert.InDelta(t, 0, b.zero(0).Value, 0.01, "%d", n)
		assert.LessOrEqual(t, b.zero(0).Sigma, 0.031)
		own := b.errA
		b.errA = func(i int) float64 {
			if i == 0 {
				return (own(0) - 0.3) * 1.02
			}
			return own(i)
		}
		b.rests(20 * time.Hour)
		assert.InDelta(t, 0, b.zero(0).Value, 0.06, "%d", n)
		m := b.l.Moved(0)
		require.True(t, m.Known)
		assert.InDelta(t, 0, m.Value, 0.06)
		assert.False(t, b.l.Drifted(0))
		assert.Equal(t, n > 1 && b.l.Moved(1).Known, false, "nobody has measured the others")

		// Taken back, it is about where it was.
		require.NoError(t, b.l.Restore(was))
		b.l.Recalibrated(0, 1.02, -0.3*1.02, good(25), 0.03)
		b.l.Recalibrated(0, 1/1.02, 0.3, good(25), 0)
		assert.InDelta(t, 0.3, b.zero(0).Value, 0.02, "as it was measured; learned before was %.2f", learned)
	}
}

// A zero that goes on drifting after its calibration is told once it has moved by more than its class,
// and no longer once it is back; one within its class is not.
func TestAMovedZeroIsTold(t *testing.T) {
	for _, moves := range []float64{0.15, 0.45} {
		b := newBench(1)
		b.l.Recalibrated(0, 1, -0.4, good(25), 0.02)
		b.rests(12 * time.Hour)
		assert.False(t, b.l.Drifted(0))
		b.errA = func(int) float64 { return moves }
		for range 4 {
			b.wakes()
			b.rests(12 * time.Hour)
		}
		assert.Equal(t, moves > 0.2, b.l.Drifted(0), "%.2f A: %+v", moves, b.l.Moved(0))
		m := b.l.Moved(0)
		assert.InDelta(t, moves, m.Value, 3*m.Sigma)
		kept := b.l.State()
		other := zero.New(params(1))
		require.NoError(t, other.Restore(kept))
		assert.Equal(t, b.l.Drifted(0), other.Drifted(0))
		b.errA = func(int) float64 { return 0 }
		for range 8 {
			b.wakes()
			b.rests(12 * time.Hour)
		}
		assert.False(t, b.l.Drifted(0))
	}
}

func TestImpossibleCalibrationsAreNotRestored(t *testing.T) {
	for _, c := range []zero.Calibrated{{A: 7}, {Sigma: -1}, {TempC: 400}} {
		l := newBench(1).l
		s := l.State()
		s.Calibrated[0] = c
		s.Begun = true
		assert.Error(t, l.Restore(s), "%+v", c)
	}
	l := newBench(1).l
	l.Recalibrated(0, 1, 15, unit.Reading{}, 0)
	s := l.State()
	s.Begun = true
	assert.NoError(t, newBench(1).l.Restore(s), "however far a correction goes")
}
