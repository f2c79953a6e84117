package bank_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/bank"
	"liftbank/rules/unit"
)

func good(v float64) unit.Reading { return unit.Reading{Value: v, Quality: unit.Good} }

var missing = unit.Reading{Quality: unit.NoAnswer}

// Between two scans the power goes straight from one to the other: 12 V at -10 A and 14 V at 20 A,
// 6 min apart, are 0.1 h at (-120 + 280)/2 W.
func TestEnergy(t *testing.T) {
	var c bank.Counter
	c.Energy(good(12), good(-10), time.Hour, false)
	assert.Zero(t, c.DrawnWh, "nobody knows what was before")
	c.Energy(good(12), good(-10), 6*time.Minute, false)
	assert.InDelta(t, 12, c.DrawnWh, 1e-9)
	c.Energy(good(14), good(20), 6*time.Minute, false)
	assert.InDelta(t, 8, c.ChargedWh, 1e-9)
	c.Energy(good(14), good(20), 3*time.Minute, false)
	assert.InDelta(t, 8+14, c.ChargedWh, 1e-9)
	assert.InDelta(t, 12, c.DrawnWh, 1e-9)

	// Held: it flowed as before until now, whatever is read now.
	c.Energy(missing, missing, 3*time.Minute, true)
	assert.InDelta(t, 8+28, c.ChargedWh, 1e-9)
	c.Energy(good(14), good(20), 3*time.Minute, true)
	assert.InDelta(t, 8+28, c.ChargedWh, 1e-9, "nobody knows what was before")
	c.Energy(good(12), good(-100), 3*time.Minute, true)
	assert.InDelta(t, 8+42, c.ChargedWh, 1e-9)

	// Not over more than 20 min, nor over a reading that is missing.
	for _, k := range []struct {
		after time.Duration
		wh    float64
	}{{20 * time.Minute, 120.0 / 3}, {20*time.Minute + time.Second, 0}, {15 * time.Minute, 30}} {
		var c bank.Counter
		c.Energy(good(12), good(10), 0, false)
		c.Energy(good(12), good(10), k.after, false)
		assert.InDelta(t, k.wh, c.ChargedWh, 1e-9, k.after)
	}
	c = bank.Counter{}
	c.Energy(good(12), good(10), 0, false)
	c.Energy(good(12), missing, time.Minute, false)
	c.Energy(missing, good(10), time.Minute, false)
	c.Energy(good(12), good(10), time.Minute, false)
	assert.Zero(t, c.ChargedWh)
}

// Shares are of sums that fade: beyond 100 Ah a battery the past counts half.
func TestShares(t *testing.T) {
	var c bank.Counter
	c.Share(0, 1.2, 0.1)
	c.Share(1, 0.7, 0.3)
	_, ok := bank.Shares(&c.ShareDrawnAh, 2)
	assert.False(t, ok, "1.9 Ah")
	c.Share(1, 0.2, 0)
	pct, ok := bank.Shares(&c.ShareDrawnAh, 2)
	require.True(t, ok, "2.1 Ah")
	assert.InDelta(t, 100*1.2/2.1, pct[0], 1e-9)
	assert.InDelta(t, 100*0.9/2.1, pct[1], 1e-9)
	assert.InDelta(t, 0.4, c.ShareChargedAh[0]+c.ShareChargedAh[1], 1e-12)

	ah := [unit.MaxBatteries]float64{99, 100}
	pct, _ = bank.Shares(&ah, 2)
	assert.InDelta(t, 99, ah[0], 0)
	assert.InDelta(t, 100*99.0/199, pct[0], 1e-9)
	ah = [unit.MaxBatteries]float64{101, 100}
	pct, _ = bank.Shares(&ah, 2)
	assert.Equal(t, [unit.MaxBatteries]float64{50.5, 50}, ah)
	assert.InDelta(t, 100*101.0/201, pct[0], 1e-9, "halving changes no share")
	ah = [unit.MaxBatteries]float64{50, 50, 7}
	pct, _ = bank.Shares(&ah, 3)
	assert.InDelta(t, 100*7.0/107, pct[2], 1e-9)
	assert.InDelta(t, 7, ah[2], 0, "107 Ah of three batteries")
}

// 1 % of half the bank's current at each of two sensors, taken as independent: √2 times 0.5 %. A
// gain that is off moves the sum too, which halves it: the figure is on the safe side.
func TestUncertaintyOfAShare(t *testing.T) {
	assert.InDelta(t, math.Sqrt2*0.5, bank.SharePct, 0.05)
	assert.Greater(t, bank.SharePct, 100*1.01/(1.01+0.99)-50, "opposite ends of ±1 %")
}

func TestQuiet(t *testing.T) {
	var c bank.Counter
	assert.Zero(t, c.QuietFor(time.Hour))
	c.Quiet(true, time.Hour)
	c.Quiet(true, 2*time.Hour)
	assert.Equal(t, 2*time.Hour, c.QuietFor(3*time.Hour))
	c.Quiet(false, 3*time.Hour)
	assert.Zero(t, c.QuietFor(4*time.Hour))
	c.Quiet(true, 5*time.Hour)
	assert.Equal(t, time.Hour, c.QuietFor(6*time.Hour))
}

// Full: 97 % or more, known to 3 %. Possibly full: known to 4 %; or known to 2 % and 97 % within
// that.
func TestFullAtItsLimits(t *testing.T) {
	for _, k := range []struct {
		pct, sigma  float64
		full, maybe bool
	}{
		{97.1, 2.9, true, true}, {97.1, 3.1, false, true}, {97.1, 3.9, false, true}, {97.1, 4.1, false, false},
		{96.9, 0.05, false, false}, {96.9, 0.2, false, true}, {95.2, 1.9, false, true}, {95, 2.1, false, false},
		{100, 0, true, true},
	} {
		var c bank.Counter
		c.Full(2, unit.Estimate{Value: k.pct, Sigma: k.sigma, Known: true}, false, bank.Mates{}, time.Minute)
		assert.Equal(t, k.full, c.FullKnown[2], "%+v", k)
		assert.Equal(t, k.maybe, c.PossiblyFull[2], "%+v", k)
		assert.Equal(t, k.maybe, c.PossiblyFullAt[2] == time.Minute, "%+v", k)
		c = bank.Counter{}
		c.Full(2, unit.Estimate{Value: k.pct, Sigma: k.sigma}, false, bank.Mates{}, time.Minute)
		assert.False(t, c.FullKnown[2] || c.PossiblyFull[2], "not known")
	}
}

func TestReplacedForgetsThatBattery(t *testing.T) {
	var c bank.Counter
	for i := range 2 {
		c.Share(i, 5, 5)
		c.Full(i, unit.Estimate{Value: 100, Known: true}, false, bank.Mates{}, time.Hour)
	}
	c.Replaced(1)
	assert.Zero(t, c.ShareDrawnAh)
	assert.Zero(t, c.ShareChargedAh)
	assert.Equal(t, [unit.MaxBatteries]bool{true}, c.FullKnown)
	assert.Equal(t, [unit.MaxBatteries]bool{true}, c.PossiblyFull)
}

func TestCheckRefusesWhatCannotBe(t *testing.T) {
	edge := bank.Memory{
		ChargedWh: 9.9e14, DrawnWh: 9.9e14, LastW: 9.9e14, ShareDrawnAh: [unit.MaxBatteries]float64{9.9e14},
		ShareChargedAh: [unit.MaxBatteries]float64{9.9e14},
	}
	require.NoError(t, edge.Check())
	edge.LastW = -9.9e14
	require.NoError(t, edge.Check())
	for what, change := range map[string]func(m *bank.Memory){
		"charged": func(m *bank.Memory) { m.ChargedWh = 1.1e15 }, "drawn": func(m *bank.Memory) { m.DrawnWh = -1 },
		"share drawn":   func(m *bank.Memory) { m.ShareDrawnAh[3] = 1.1e15 },
		"share charged": func(m *bank.Memory) { m.ShareChargedAh[2] = math.NaN() },
		"power":         func(m *bank.Memory) { m.LastW = 1.1e15 },
		"power below":   func(m *bank.Memory) { m.LastW = -1.1e15 },
		"no power":      func(m *bank.Memory) { m.LastW = math.Inf(1) },
	} {
		bad := edge
		change(&bad)
		assert.Error(t, bad.Check(), what)
	}
}

func TestReadings(t *testing.T) {
	var s unit.Scan
	for i := range 3 {
		s.Battery[i] = unit.Battery{VoltageV: good(12 + 0.3*float64(i)), CurrentA: good(-10 * float64(i+1))}
	}
	v, a := bank.Readings(&s, 3)
	assert.InDelta(t, 12.3, v.Value, 1e-12)
	assert.Equal(t, good(-60), a)
	v, a = bank.Readings(&s, 2)
	assert.InDelta(t, 12.15, v.Value, 1e-12)
	assert.Equal(t, good(-30), a)

	s.Battery[0] = unit.Battery{VoltageV: missing, CurrentA: missing}
	v, a = bank.Readings(&s, 3)
	assert.InDelta(t, 12.45, v.Value, 1e-12)
	assert.Equal(t, unit.OutOfRange, a.Quality)
	assert.InDelta(t, -75, a.Value, 1e-12, "50 A of two, scaled up to three")
	s.Battery[1].VoltageV, s.Battery[2].VoltageV = missing, missing
	s.Battery[1].CurrentA, s.Battery[2].CurrentA = unit.Reading{}, missing
	v, a = bank.Readings(&s, 3)
	assert.Equal(t, missing, v)
	assert.Equal(t, missing, a)
	s = unit.Scan{}
	_, a = bank.Readings(&s, 3)
	assert.Equal(t, unit.NotFitted, a.Quality)
}

func TestABatteryWithoutAThermometerHasItsNeighbors(t *testing.T) {
	var s unit.Scan
	s.Battery[0].TempC, s.Battery[1].TempC, s.Battery[2].TempC = missing, good(21), good(23)
	temps := make([]unit.Reading, 4)
	bank.FillTemps(&s, temps)
	assert.Equal(t, []unit.Reading{good(21), good(21), good(23), good(21)}, temps)
	bank.FillTemps(&unit.Scan{}, temps)
	assert.Equal(t, make([]unit.Reading, 4), temps)
}
