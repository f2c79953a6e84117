package estimate_test

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/rules/estimate"
	"liftbank/rules/leadacid"
	"liftbank/rules/unit"
)

// duty draws samples as a battery in use shows them, odd ones among them.
func duty(t *rapid.T) []estimate.Sample {
	var out []estimate.Sample
	at := time.Duration(0)
	for range rapid.IntRange(1, 12).Draw(t, "phases") {
		amps := rapid.SampledFrom([]float64{0, -0.03, 15, 0.6, -5, -33, -110}).Draw(t, "amps")
		volts := rapid.Float64Range(10.3, 14.6).Draw(t, "volts")
		dt := time.Duration(rapid.Int64Range(int64(time.Second), int64(30*time.Minute)).Draw(t, "dt"))
		tempC := rapid.Float64Range(-20, 45).Draw(t, "temp")
		for k := range rapid.IntRange(1, 40).Draw(t, "samples") {
			at += dt
			row := *readings(volts-0.001*float64(k), amps, tempC)
			row.VoltageV.Quality = rarely(t, 20, "volts missing")
			row.CurrentA.Quality = rarely(t, 20, "amps missing")
			row.TempC.Quality = rarely(t, 9, "temp missing")
			out = append(out, estimate.Sample{At: at, Battery: row, Facts: estimate.Facts{Idle: amps == 0}})
		}
	}
	return out
}

// rarely draws a reading that is missing once in a while.
func rarely(t *rapid.T, once int, label string) unit.Quality {
	if rapid.IntRange(0, once).Draw(t, label) == 0 {
		return unit.NoAnswer
	}
	return unit.Good
}

func thereAndBack(t require.TestingT, s estimate.State) (back estimate.State) {
	text, err := json.Marshal(s)
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(text, &back))
	return back
}

// A restart in the middle of anything changes nothing that is said afterwards, to the last bit.
func TestARestartCostsNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := estimate.Params{Chemistry: anyChemistry(t), RatedAh: rapid.Float64Range(5, 200).Draw(t, "ah")}
		on, cut := estimate.New(p), estimate.New(p)
		samples := duty(t)
		restart := rapid.IntRange(0, len(samples)-1).Draw(t, "restart")
		for i, s := range samples {
			if i == restart {
				fresh := estimate.New(p)
				require.NoError(t, fresh.Restore(thereAndBack(t, cut.State())))
				cut = fresh
			}
			on.Step(s.At, &s.Battery, s.Facts)
			cut.Step(s.At, &s.Battery, s.Facts)
			soc, sigma, ok := known(on.SoC())
			soc2, sigma2, ok2 := known(cut.SoC())
			require.Equal(t, []any{soc, sigma, ok}, []any{soc2, sigma2, ok2})
			v, sv, ok := known(on.RestedV())
			v2, sv2, ok2 := known(cut.RestedV())
			require.Equal(t, []any{v, sv, ok}, []any{v2, sv2, ok2})
		}
		require.Equal(t, on.State(), cut.State())
	})
}

// A charge counted far past full, over and over, is in more doubt than can be said; its state is one
// that can be all the same.
func TestACountPastAllSenseCanBeSaved(t *testing.T) {
	p := estimate.Params{Chemistry: leadacid.Flooded, RatedAh: 5}
	b := estimate.New(p)
	good := func(x float64) unit.Reading { return unit.Reading{Value: x, Quality: unit.Good} }
	for k := range 4 * 60 {
		b.Step(time.Duration(k)*time.Minute, &unit.Battery{CurrentA: good(-20), TempC: good(25)}, estimate.Facts{})
	}
	b.ZeroMoved(0.01) // brings the filter up to what was counted
	require.NoError(t, estimate.New(p).Restore(thereAndBack(t, b.State())))
}

// What a reading says of the current sensor's zero is said in the step that read it, and no state
// carries it on.
func TestAToldZeroIsNotKept(t *testing.T) {
	r := newRig(leadacid.Flooded, 100)
	r.hold(24*time.Hour, time.Minute, 12.6, 0)
	r.hold(time.Hour, time.Minute, 12.4, -3)
	told := 0
	for range 24 * 60 {
		r.hold(time.Minute, time.Minute, 12.55, 0)
		if !assert.ObjectsAreEqual(thereAndBack(t, r.b.State()), r.b.State()) {
			told++
		}
	}
	assert.LessOrEqual(t, told, 3, "of a day's steps")
}

func TestAStateThatCantBeIsRefused(t *testing.T) {
	r := newRig(leadacid.AGM, 100)
	r.hold(12*time.Hour, time.Minute, 12.7, 0)
	good := r.b.State()
	for name, spoil := range map[string]func(*estimate.State){
		"no number":       func(s *estimate.State) { s.Filter.X[0] = math.NaN() },
		"charge":          func(s *estimate.State) { s.Filter.X[0] = 101 },
		"negative":        func(s *estimate.State) { s.Filter.P[0][0] = -1 },
		"capacity":        func(s *estimate.State) { s.CapAh = 0 },
		"infinite":        func(s *estimate.State) { s.DrawnAh = math.Inf(1) },
		"stored":          func(s *estimate.State) { s.StoredAh = math.Inf(-1) },
		"another battery": func(s *estimate.State) { s.RatedAh = 60 },
		"another kind":    func(s *estimate.State) { s.Chemistry = "gel" },
		"last voltage":    func(s *estimate.State) { s.Last.VoltageV.Value = math.NaN() },
		"negative rest":   func(s *estimate.State) { s.RestFor = -1 },
		"surface of 3 V":  func(s *estimate.State) { s.SurfaceV = 3 },
		"zero of 20 A":    func(s *estimate.State) { s.ZeroA = 20 },
		"swing from 1000": func(s *estimate.State) { s.Up.FromPct = 1000 },
	} {
		bad := good
		spoil(&bad)
		assert.Error(t, r.b.Restore(bad), name)
		assert.Equal(t, good, r.b.State(), "%s: nothing changed", name)
	}
	require.NoError(t, r.b.Restore(good))
}

// An estimator that has seen nothing has a state, too.
func TestAnEmptyStateIsTaken(t *testing.T) {
	p := estimate.Params{Chemistry: leadacid.Flooded, RatedAh: 100}
	require.NoError(t, estimate.New(p).Restore(estimate.New(p).State()))
}

// A state saved while the bus hangs, after the sensor's zero was learned, is as good as any.
func TestAStateSavedWithoutReadingsComesBack(t *testing.T) {
	b := estimate.New(estimate.Params{Chemistry: leadacid.Flooded, RatedAh: 100})
	at := time.Duration(0)
	for ; at < 6*time.Hour; at += 10 * time.Second {
		b.Step(at, readings(12.6, 0.17, 20), estimate.Facts{Idle: true})
	}
	zero, _, _ := known(b.ZeroA())
	require.Greater(t, zero, 0.1)
	b.Step(at, &unit.Battery{}, estimate.Facts{Idle: true})
	fresh := estimate.New(estimate.Params{Chemistry: leadacid.Flooded, RatedAh: 100})
	require.NoError(t, fresh.Restore(thereAndBack(t, b.State())))
}
