package pump

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Walther's equation (ASTM D341) through the two points that ISO VG 32 oils are sold by: 32 mm²/s
// at 40 °C (ISO 3448) and 5.4 mm²/s at 100 °C. Worked out apart: 65.42 mm²/s at 25 °C. The drag
// goes with its power of 0.4.
func TestOilDrag(t *testing.T) {
	for _, c := range []struct{ tempC, mm2s float64 }{
		{25, 65.42}, {40, 32}, {-40, 37485}, {-20, 2291.5}, {0, 336}, {10, 161.01}, {70, 11.186},
	} {
		assert.InEpsilon(t, math.Pow(c.mm2s/65.42, 0.4), OilDrag(c.tempC), 2e-3, "%g °C", c.tempC)
	}
	assert.InDelta(t, OilDrag(-40), OilDrag(-49), 0, "colder oil drags no more in this model")
	assert.InDelta(t, OilDrag(70), OilDrag(86), 0)
	assert.Greater(t, OilDrag(-39), OilDrag(-38))
	assert.Less(t, OilDrag(69), OilDrag(68))
}

// The first run is what is usual, known to 30 %, and oil drag 12 % of it, known to 8 %. By hand:
// each run's load moves it by 8 %, so that the first leaves 900·64/964 A² of the variance of 30²
// A².
func TestFirstRuns(t *testing.T) {
	var u Usual
	u.take(time.Hour, 100, 0, 0)
	assert.InDelta(t, 100, u.Mean[0], 1e-9)
	assert.InDelta(t, 12, u.Mean[1], 1e-9)
	assert.InDelta(t, 900.0*64/964, u.Cov[0][0], 1e-3)
	assert.InDelta(t, 64, u.Cov[1][1], 1e-3)
	assert.Zero(t, u.Cov[0][1])

	next := u
	next.take(5*time.Hour, 110, 0, 0)
	assert.InDelta(t, 100+10*59.75/(59.75+64), next.Mean[0], 1e-2, "another load")
	next = u
	next.take(time.Hour+14*time.Minute, 110, 0, 0)
	assert.InDelta(t, 100+10*59.75/(59.75+4*64), next.Mean[0], 1e-2, "the same load says a quarter as much")
	next = u
	next.take(time.Hour+16*time.Minute, 110, 0, 0)
	assert.InDelta(t, 100+10*59.75/(59.75+64), next.Mean[0], 1e-2)

	// A first run in the cold: 112 A with twice the drag are 100 A at 25 °C. p = 900 + 64, of which
	// the drag has 64 A².
	u = Usual{}
	u.take(0, 112, 1, 0)
	assert.InDelta(t, 100, u.Mean[0], 1e-9)
	assert.InDelta(t, 12, u.Mean[1], 1e-9)
	r := 64 * 1.12 * 1.12
	assert.InDelta(t, 900-900*900/(964+r), u.Cov[0][0], 1e-2)
	assert.InDelta(t, 64-64*64/(964+r), u.Cov[1][1], 1e-2)
	assert.InDelta(t, -900*64/(964+r), u.Cov[0][1], 1e-2)
	assert.InDelta(t, u.Cov[0][1], u.Cov[1][0], 0)

	// What was typed in is known to 15 %.
	u = Usual{}
	u.take(0, 110, 0, 100)
	assert.InDelta(t, 100+10*225.0/(225+64), u.Mean[0], 1e-2)
	assert.InDelta(t, 110, u.LastA, 0)
	assert.InDelta(t, 1.1, u.Ratio[0], 1e-12)

	u.take(0, 0, 0, 0)
	assert.EqualValues(t, 1, u.Count, "no current is no run")
}

// The usual current drifts by 5 in 100,000 a run, what drag adds by 2 in 10,000.
func TestDrift(t *testing.T) {
	u := Usual{Count: 40, Mean: [2]float64{100, 12}}
	u.take(0, 100, 0, 0)
	assert.InEpsilon(t, 25e-6, u.Cov[0][0], 1e-3)
	assert.InEpsilon(t, 4e-4, u.Cov[1][1], 1e-3)
}

func TestDragIsBetweenNothingAndTwoFifths(t *testing.T) {
	u := Usual{Count: 5, Mean: [2]float64{100, 12}, Cov: [2][2]float64{{1, 0}, {0, 10000}}}
	u.take(0, 400, 1, 0)
	assert.InDelta(t, 0.4*u.Mean[0], u.Mean[1], 1e-9)
	u = Usual{Count: 5, Mean: [2]float64{100, 12}, Cov: [2][2]float64{{1, 0}, {0, 10000}}}
	u.take(0, 20, 1, 0)
	assert.Zero(t, u.Mean[1])
}

// 30 runs are learned from; what was compared while learning is forgotten. Then a mean of twelve
// that is off by more than a tenth is compared, and not learned from.
func TestLearning(t *testing.T) {
	var u Usual
	at := time.Duration(0)
	take := func(n int, amps float64) {
		for range n {
			at += time.Hour
			u.take(at, amps, 0, 0)
		}
	}
	take(11, 100)
	assert.False(t, u.Enough())
	take(1, 100)
	assert.True(t, u.Enough())
	take(16, 100)
	take(1, 130)
	assert.False(t, u.Learned())
	assert.InDelta(t, 1+0.3/12, u.MeanRatio(), 1e-3)
	take(1, 100)
	assert.True(t, u.Learned())
	assert.EqualValues(t, 30, u.Count)
	assert.InDelta(t, 1, u.MeanRatio(), 1e-12)

	usual := u.Mean[0]
	take(12, usual*1.095)
	assert.EqualValues(t, 42, u.Count)
	assert.Greater(t, u.Mean[0], usual)

	u.Mean[0] = usual
	for i := range u.Ratio {
		u.Ratio[i] = 1.105
	}
	take(1, usual*1.105)
	assert.EqualValues(t, 42, u.Count)
	assert.InDelta(t, usual, u.Mean[0], 0)
	assert.InDelta(t, 1.105, u.MeanRatio(), 1e-9)
	for i := range u.Ratio {
		u.Ratio[i] = 0.895
	}
	take(1, usual*0.895)
	assert.EqualValues(t, 42, u.Count, "too little just so")
	assert.Zero(t, (&Usual{}).MeanRatio())
}

func TestStreakIsOfOneLoad(t *testing.T) {
	var u Usual
	at := time.Duration(0)
	for k := range 150 {
		at += time.Minute
		u.take(at, 100, 0, 0)
		assert.Equal(t, min(k+1, 100), u.Streak)
	}
	u.take(at+time.Hour, 100, 0, 0)
	assert.Equal(t, 1, u.Streak)
}

func TestCheckRefusesWhatCannotBe(t *testing.T) {
	edge := State{
		Usual: Usual{
			Mean: [2]float64{9.9e14, 9.9e14}, Cov: [2][2]float64{{9.9e14, -9.9e14}, {9.9e14, 9.9e14}}, Streak: 100,
			Ratios: 12, LastA: 9.9e14,
			Ratio: [UsualRuns]float64{9.9e14},
		},
		Drops: Drops{
			Count: 3, Mohm: [DropRuns]float64{-9.9e14, 9.9e14}, PostV: [DropRuns]float64{-9.9e14, 9.9e14},
			Amps: [DropRuns]float64{-9.9e14, 9.9e14},
		},
	}
	require.NoError(t, edge.Check())
	text, err := json.Marshal(edge)
	require.NoError(t, err)
	var back State
	require.NoError(t, json.Unmarshal(text, &back))
	assert.Equal(t, edge, back)
	nan := math.NaN()
	for what, change := range map[string]func(s *State){
		"ratios": func(s *State) { s.Usual.Ratios = 13 }, "drops": func(s *State) { s.Drops.Count = 4 },
		"drops below": func(s *State) { s.Drops.Count = -1 }, "streak": func(s *State) { s.Usual.Streak = 101 },
		"usual": func(s *State) { s.Usual.Mean[0] = 1.1e15 }, "usual below": func(s *State) { s.Usual.Mean[0] = -1 },
		"drag": func(s *State) { s.Usual.Mean[1] = 1.1e15 }, "last": func(s *State) { s.Usual.LastA = 1.1e15 },
		"variance":         func(s *State) { s.Usual.Cov[1][1] = 1.1e15 },
		"variance below":   func(s *State) { s.Usual.Cov[0][0] = -1e-9 },
		"covariance":       func(s *State) { s.Usual.Cov[0][1] = 1.1e15 },
		"covariance below": func(s *State) { s.Usual.Cov[1][0] = -1.1e15 },
		"ratio":            func(s *State) { s.Usual.Ratio[3] = 1.1e15 },
		"no ratio":         func(s *State) { s.Usual.Ratio[3] = nan },
		"resistance":       func(s *State) { s.Drops.Mohm[1] = 1.1e15 },
		"resistance below": func(s *State) { s.Drops.Mohm[1] = -1.1e15 },
		"voltage":          func(s *State) { s.Drops.PostV[1] = 1.1e15 },
		"voltage below":    func(s *State) { s.Drops.PostV[1] = -1.1e15 },
		"current":          func(s *State) { s.Drops.Amps[2] = 1.1e15 },
		"current below":    func(s *State) { s.Drops.Amps[2] = -1.1e15 },
		"no number":        func(s *State) { s.Usual.Mean[0] = nan },
	} {
		bad := edge
		change(&bad)
		assert.Error(t, bad.Check(), what)
	}
}
