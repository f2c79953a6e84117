package parked_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/leadacid"
	"liftbank/rules/parked"
	"liftbank/rules/unit"
)

const day = 24 * time.Hour

func good(v float64) unit.Reading { return unit.Reading{Value: v, Quality: unit.Good} }

// park shows a learner a bank of 200 Ah, flooded, parked at tempC for so long, that rests at vAt.
func park(l *parked.Learner, from, length time.Duration, tempC float64, vAt func(days float64) float64) {
	for at := time.Duration(0); at <= length; at += 15 * time.Minute {
		v := vAt(at.Hours() / 24)
		pct, pctPerV := leadacid.Flooded.SoCFromRestedV(v)
		l.Step(&parked.Scan{Now: from + at, QuietFor: at, V25: good(v), TempC: good(tempC),
			LeftAh: 2 * pct, AhPerV: 2 * pctPerV, RatedAh: 200})
	}
}

// falls returns a voltage that falls evenly from the Battery Council's for full, at 25 °C, by what
// amperes take of 200 Ah down to the Council's for three quarters, 0.20 V lower, beside a self-discharge
// of 4 % a month.
func falls(amps float64) func(days float64) float64 {
	return func(days float64) float64 {
		ah := days * 24 * (amps + 0.04*200/730)
		return leadacid.Flooded.RestedVFromSoC(100) - 0.20*ah/50
	}
}

// The Battery Council's table has 12.65 V for a full block and 12.45 V for three quarters: a bank of
// 200 Ah that falls by that in 30 days has lost 50 Ah, 69 mA, of which a self-discharge of 4 % a month
// is 11 mA.
func TestCouncilsTable(t *testing.T) {
	l := &parked.Learner{}
	park(l, 0, 30*day, 25, func(days float64) float64 { return 12.65 - 0.20*days/30 })
	got := l.DrawA()
	require.True(t, got.Known)
	assert.InDelta(t, 50.0/720-0.04*200/730, got.Value, 0.001)
	assert.InDelta(t, 0.4*got.Value, got.Sigma, 0.15*got.Value, "what published tables and self-discharges differ by")
}

func TestWhenItIsKnown(t *testing.T) {
	tests := []struct {
		name  string
		for_  time.Duration
		tempC float64
		amps  float64
		known bool
	}{
		{"a long weekend", 4 * day, 25, 0.12, false},
		{"five days", 5*day + time.Hour, 25, 0.12, false},
		{"ten days", 10 * day, 25, 0.12, true},
		{"ten days in frost: what a charge left still goes", 10 * day, 0, 0.12, false},
		{"four weeks in frost", 28 * day, 0, 0.12, true},
		{"four weeks, a small board", 28 * day, 25, 0.06, true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			l := &parked.Learner{}
			park(l, 0, tt.for_, tt.tempC, falls(tt.amps))
			got := l.DrawA()
			assert.Equal(t, tt.known, got.Known, "%v", got)
			if tt.known {
				assert.InDelta(t, tt.amps, got.Value, 2*got.Sigma)
			}
		})
	}
}

// What was learned is kept over working days, and two times parked weigh together, never surer than
// half the variance of one.
func TestTimesParkedWeighTogether(t *testing.T) {
	l := &parked.Learner{}
	park(l, 0, 21*day, 25, falls(0.06))
	first := l.DrawA()
	l.Step(&parked.Scan{Now: 22 * day})
	assert.Equal(t, first, l.DrawA())
	park(l, 23*day, 21*day, 25, falls(0.10))
	both := l.DrawA()
	assert.Greater(t, both.Value, first.Value+0.005)
	assert.Less(t, both.Value, 0.10)
	assert.GreaterOrEqual(t, both.Sigma, 0.7*first.Sigma)
	l.Step(&parked.Scan{Now: 50 * day})
	assert.Equal(t, both, l.DrawA())
	l.Step(&parked.Scan{Now: 51 * day})
	assert.Equal(t, both, l.DrawA(), "what is learned once counts once")
}

func TestWhatSaysNothing(t *testing.T) {
	l := &parked.Learner{}
	park(l, 0, 28*day, 25, func(float64) float64 { return 12.0 })
	assert.False(t, l.DrawA().Known, "a bank below half its charge")
	for at := time.Duration(0); at < 28*day; at += 2 * time.Hour {
		l.Step(&parked.Scan{Now: at, QuietFor: at + 1, V25: good(12.6), TempC: good(25), LeftAh: 190, AhPerV: 250, RatedAh: 200})
	}
	assert.False(t, l.DrawA().Known, "scans too far apart")
	park(l, 0, 28*day, 25, func(days float64) float64 { return 12.6 + days/1000 })
	assert.Zero(t, l.DrawA().Value, "a voltage that rises")
}

func TestState(t *testing.T) {
	l, on := &parked.Learner{}, &parked.Learner{}
	park(l, 0, 16*day+5*time.Hour, 25, falls(0.06))
	require.NoError(t, on.Restore(l.State()))
	assert.Equal(t, l.DrawA(), on.DrawA())
	for name, change := range map[string]func(*parked.State){
		"drawn":    func(s *parked.State) { s.DrawA = -1 },
		"before":   func(s *parked.State) { s.KnownA = 1e3 },
		"variance": func(s *parked.State) { s.Var = -1 },
		"days":     func(s *parked.State) { s.Days = -1 },
	} {
		s := l.State()
		change(&s)
		require.Error(t, on.Restore(s), name)
		assert.Equal(t, l.State(), on.State(), name)
	}
}

// Below half, tables bend and ice may take part in the cold: what was learned above stays as it was.
func TestBelowHalfNothingIsLearned(t *testing.T) {
	l := &parked.Learner{}
	changes := func(from, to float64) (n int) { // %, at 2 % a day
		for pct := from; pct > to; pct -= 2 {
			before := l.DrawA()
			at := time.Duration((70 - pct) / 2 * float64(day))
			for quarter := range 96 {
				at += 15 * time.Minute
				pct := pct - 2*float64(quarter)/96
				v := leadacid.Flooded.RestedVFromSoC(pct)
				l.Step(&parked.Scan{Now: at, QuietFor: at, V25: good(v), TempC: good(25), LeftAh: 2 * pct, AhPerV: 240, RatedAh: 200})
			}
			if l.DrawA() != before {
				n++
			}
		}
		return n
	}
	changes(70, 60)
	assert.GreaterOrEqual(t, changes(60, 52), 2, "above half each day says more")
	changes(52, 48)
	assert.Zero(t, changes(48, 34), "below")
}
