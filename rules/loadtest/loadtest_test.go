package loadtest_test

import (
	"cmp"
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/rules/leadacid"
	"liftbank/rules/loadtest"
	"liftbank/rules/unit"
)

// bench is a battery and a motor of the plainest kind: a voltage behind a resistor, an inrush that
// decays, read every 4 ms.
type bench struct {
	meter *loadtest.Meter
	now   time.Duration

	mohm     float64 // as it is, at tempC and socPct
	layer    float64 // mΩ that comes in addition as a double layer relaxes
	layerS   float64 // with this time constant
	noiseV   float64
	restV    float64
	heldV    float64 // what a neighbor holds it above its line at rest
	sagsV    float64 // by which that is less after a run
	restA    float64
	plateau  float64 // A
	inrush   float64 // A above the plateau at the start
	tempC    float64
	socPct   float64
	socSigma float64 // 2 at least

	offsetV, offsetA float64
	gainV, gainA     float64       // 1: none
	scan             time.Duration // between readings about a run; 0: 4 ms
	lag              time.Duration // the voltage is read this much after the current
	number           int
	lose             func() bool // a scan without a usable pair
}

func newBench(c *leadacid.Chemistry, cca float64) *bench {
	return &bench{
		meter: loadtest.New(loadtest.Params{Chemistry: c, RatedCCA: cca}), mohm: 4, restV: 12.7, plateau: 60, inrush: 130,
		tempC: 25, socPct: 100, gainV: 1, gainA: 1,
	}
}

func readings(volts, amps, tempC float64) *unit.Battery {
	good := func(v float64) unit.Reading { return unit.Reading{Value: v, Quality: unit.Good} }
	return &unit.Battery{VoltageV: good(volts), CurrentA: good(amps), TempC: good(tempC)}
}

func known(e unit.Estimate) (value, sigma float64, ok bool) { return e.Value, e.Sigma, e.Known }

// resistance is known, with the number of runs.
func resistance(m *loadtest.Meter) (mohm, sigma float64, runs uint32, ok bool) {
	e := m.ResistanceMohm()
	return e.Value, e.Sigma, m.Runs(), e.Known
}

const scan = 4 * time.Millisecond

// run lets a minute of rest and a run of length pass. The phase of the scans against the motor's
// edges is different each time.
func (b *bench) run(length time.Duration) {
	b.number++
	scan := cmp.Or(b.scan, scan)
	start := b.now + time.Minute
	phase := time.Duration(b.number * 2477 % 4000 * 1000) // of the scans, in ns
	stop := start + length
	for b.now < start-time.Second {
		b.now += time.Second
		b.read(b.now, start, stop, false)
	}
	begun, ended := false, false
	for b.now = start - time.Second - phase; b.now < stop+2100*time.Millisecond; b.now += scan {
		if !begun && b.now >= start {
			b.meter.Begin(start, true)
			begun = true
		}
		if !ended && b.now >= stop {
			b.meter.End(stop)
			ended = true
		}
		b.read(b.now, start, stop, begun && !ended)
	}
}

func (b *bench) truth(at, start, stop time.Duration) (v, a float64) {
	relaxed := b.relaxed(min(at, stop)-start) * b.layer / 1000
	switch {
	case at < start:
		return b.restV + b.heldV + b.restA*b.mohm/1000, b.restA
	case at >= stop:
		relaxed *= math.Exp(-(at - stop).Seconds() / b.layerS)
		return b.restV + b.heldV - b.sagsV + b.restA*b.mohm/1000 + relaxed, b.restA
	}
	a = -(b.plateau + b.inrush*math.Exp(-float64(at-start)/float64(100*time.Millisecond)))
	return b.restV + a*b.mohm/1000 + relaxed, a
}

// relaxed is the current behind the layer's lag, so long into a run: the solution of a resistor
// beside a capacitor for a constant and an exponential.
func (b *bench) relaxed(t time.Duration) float64 {
	if b.layer == 0 || t < 0 {
		return 0
	}
	const decayS = 0.1
	s, tau := t.Seconds(), b.layerS
	own := math.Exp(-s / tau)
	return -(b.plateau*(1-own) + b.inrush*decayS/(decayS-tau)*(math.Exp(-s/decayS)-own))
}

func (b *bench) read(at, start, stop time.Duration, running bool) {
	if b.lose != nil && b.lose() {
		b.meter.Forget()
		return
	}
	// The scan ends at `at`, its readings are of shortly before.
	v, _ := b.truth(at-time.Millisecond, start, stop)
	_, a := b.truth(at-time.Millisecond-b.lag, start, stop)
	if b.noiseV > 0 {
		v += b.noiseV * math.Sqrt2 * math.Sin(float64(at/time.Millisecond*7919%6283)/1000)
	}
	in := readings(v*b.gainV+b.offsetV, a*b.gainA+b.offsetA, b.tempC)
	soc := unit.Estimate{Value: b.socPct, Sigma: max(b.socSigma, 2), Known: true}
	if running {
		b.meter.Run(at, in, soc)
	} else {
		b.meter.Idle(at, in, soc)
	}
}

func (b *bench) runs(n int) {
	for range n {
		b.run(9 * time.Second)
	}
}

func (b *bench) shown(t require.TestingT) float64 {
	mohm, sigma, _, ok := resistance(b.meter)
	require.True(t, ok)
	require.Positive(t, sigma)
	return mohm
}

// 60 A through 4 mΩ: 240 mV at the plateau; at the start 190 A.
func TestOneBatteryByHand(t *testing.T) {
	b := newBench(leadacid.Flooded, 950)
	b.run(9 * time.Second)
	dv, da, ok := b.meter.LastStep()
	require.True(t, ok)
	assert.InDelta(t, 0.004, dv/da, 1e-6)
	assert.InDelta(t, -112.7, da, 1.5, "mean of 10 to 200 ms: 60 A and (exp(-0.1) - exp(-2))/1.9 = 0.405 of 130 A")
	_, _, _, ok = resistance(b.meter)
	assert.False(t, ok, "one run is not enough")
	b.runs(9)
	mohm, sigma, runs, ok := resistance(b.meter)
	require.True(t, ok)
	assert.Equal(t, uint32(10), runs)
	assert.InDelta(t, 4, mohm, 0.02)
	assert.InDelta(t, 0.02*4, sigma, 0.02*4, "1 % of each gain, thermometer, charge")
	amps, sigmaA, ok := known(b.meter.CrankingA())
	require.True(t, ok)
	const metal = leadacid.MetalShare
	assert.InEpsilon(t, leadacid.Flooded.CrankingCurrentA(metal*4, (1-metal)*4, 0), amps, 0.03, "no layer to be seen")
	assert.InDelta(t, 0.07, sigmaA/amps, 0.03)
	emf, ok := b.meter.EMFV()
	assert.True(t, ok)
	assert.InDelta(t, 12.7, emf, 0.005)
}

func TestBroughtToReference(t *testing.T) {
	for _, at := range []struct{ tempC, socPct float64 }{{-20, 100}, {0, 90}, {40, 70}, {25, 50}} {
		b := newBench(leadacid.AGM, 900)
		b.tempC, b.socPct = at.tempC, at.socPct
		const metal = leadacid.MetalShare // and no reaction
		rated := leadacid.AGM.RatedMohm(900)
		b.mohm = rated * leadacid.ChargeFactor(at.tempC, at.socPct) * (metal + (1-metal)*leadacid.ConductionFactor(at.tempC))
		b.runs(60)
		assert.InEpsilon(t, rated, b.shown(t), 0.005, "%+v", at)
	}
}

func TestOffsetsCancelAndGainsScale(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := newBench(leadacid.Flooded, 950)
		b.mohm = rapid.Float64Range(2, 15).Draw(t, "mohm")
		b.offsetV = rapid.Float64Range(-0.01, 0.01).Draw(t, "offset V")
		b.offsetA = rapid.Float64Range(-0.2, 0.2).Draw(t, "offset A")
		b.gainV = rapid.Float64Range(0.99, 1.01).Draw(t, "gain V")
		b.gainA = rapid.Float64Range(0.99, 1.01).Draw(t, "gain A")
		b.runs(4)
		want := b.mohm * b.gainV / b.gainA
		require.InEpsilon(t, want, b.shown(t), 0.004)
	})
}

// The voltage is read up to 5 ms before or after the current: uncorrected, an inrush of 100 ms
// makes 5 % of that. What is left are the first runs, in which the lag was not known yet.
func TestSkewBetweenTheChannels(t *testing.T) {
	for _, lag := range []time.Duration{-5, -3, -1, 1, 3, 5} {
		b := newBench(leadacid.Flooded, 950)
		b.lag = lag * time.Millisecond
		b.runs(30)
		assert.InEpsilon(t, 4, b.shown(t), 0.018, "%v ms", int64(lag))
	}
}

func TestLostReadings(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := newBench(leadacid.Gel, 700)
		x := rapid.Uint64().Draw(t, "seed")
		share := rapid.Uint64Range(0, 30).Draw(t, "lost, %")
		b.lose = func() bool {
			x = x*6364136223846793005 + 1442695040888963407
			return x>>33%100 < share
		}
		b.runs(20)
		if _, _, runs, ok := resistance(b.meter); ok && runs > 5 {
			require.InEpsilon(t, 4, b.shown(t), 0.01)
		}
	})
}

// As far apart as scans of a run may be, a load test is still one.
func TestTheLongestScan(t *testing.T) {
	b := newBench(leadacid.Flooded, 950)
	b.scan = loadtest.LongestScan
	b.runs(30)
	assert.InEpsilon(t, 4, b.shown(t), 0.02)
}

// A neighbor holds the battery 0.1 V above its line at rest: a step of 60 A against that would
// show 5.7 mΩ. What takes 0.6 A may be held, and then only the run itself counts, in which a double
// layer that empties looks much like resistance: 10 % is what a capability is to keep.
func TestANeighbourAtRestDoesNotCount(t *testing.T) {
	b := newBench(leadacid.Flooded, 950)
	b.heldV, b.restA = 0.1, 0.6
	b.runs(40)
	assert.InEpsilon(t, 4, b.shown(t), 0.10)
}

// With a charger on before and after, a step from there would show 27 mΩ, and a double layer that
// empties from there looks like resistance: such runs say nothing, be the battery taking current or
// full. One run from a rest does.
func TestChargerOn(t *testing.T) {
	for _, chargeA := range []float64{8, 0.1} {
		b := newBench(leadacid.Flooded, 950)
		b.heldV, b.restA = 1.4, chargeA
		b.runs(40)
		if mohm, sigma, _, ok := resistance(b.meter); ok {
			assert.InDelta(t, 4, mohm, 2*sigma, "%g A", chargeA)
		}
		b.heldV, b.restA = 0, 0
		b.runs(10)
		assert.InEpsilon(t, 4, b.shown(t), 0.02, "%g A", chargeA)
	}
}

func TestOneOddRunChangesLittle(t *testing.T) {
	b := newBench(leadacid.Flooded, 950)
	b.runs(30)
	before := b.shown(t)
	b.mohm = 40
	b.run(9 * time.Second)
	b.mohm = 4
	b.runs(2)
	assert.InEpsilon(t, before, b.shown(t), 0.02)
}

// Another battery put in shows within ten runs, with as many runs as it has had.
func TestAnotherBattery(t *testing.T) {
	b := newBench(leadacid.Flooded, 950)
	b.mohm = 6
	b.runs(100)
	b.mohm = 3.5
	b.runs(11)
	mohm, _, runs, ok := resistance(b.meter)
	require.True(t, ok)
	assert.InEpsilon(t, 3.5, mohm, 0.02)
	assert.LessOrEqual(t, runs, uint32(11))
}

func TestTrend(t *testing.T) {
	b := newBench(leadacid.Flooded, 950)
	b.runs(40)
	_, _, ok := known(b.meter.Trend())
	assert.False(t, ok)
	for i := range 160 {
		b.mohm = 4 * (1 + 0.0005*float64(i))
		b.run(3 * time.Second)
	}
	slope, sigma, ok := known(b.meter.Trend())
	require.True(t, ok)
	assert.InDelta(t, 0.2, slope, 0.04, "0.05 % of 4 mΩ a run")
	assert.Less(t, sigma, 0.05)
	assert.InEpsilon(t, b.mohm, b.shown(t), 0.03, "followed with the filter's memory behind it")
}

// Runs in the cold and in the warm tell metal from acid: the same 6 mΩ at 25 °C, once by more metal
// and once by more acid. Whether acid's part grew by sulfate or by plates lost they don't tell.
func TestSeasonsTellMetalFromAcid(t *testing.T) {
	for _, parts := range []struct{ metal, acid, sigma float64 }{{3.6, 2.4, 0.06}, {1.4, 4.6, 0.10}} {
		b := newBench(leadacid.Flooded, 862) // new: 3.47 mΩ
		for i := range 200 {
			b.tempC = 10 + 25*math.Sin(float64(i)/20)
			b.mohm = parts.metal + parts.acid*leadacid.ConductionFactor(b.tempC)
			b.run(2 * time.Second)
		}
		amps, sigma, ok := known(b.meter.CrankingA())
		require.True(t, ok)
		want := leadacid.Flooded.CrankingCurrentA(parts.metal, parts.acid, 0)
		assert.InEpsilon(t, want, amps, 0.03, "%+v", parts)
		assert.Less(t, sigma/amps, parts.sigma)
	}
}

func TestRunsThatAreNotJudged(t *testing.T) {
	for name, change := range map[string]func(*bench){
		"flat":        func(b *bench) { b.socPct = 10 },
		"deaf V":      func(b *bench) { b.gainV = 0 },
		"deaf A":      func(b *bench) { b.gainA = 0 },
		"no inrush":   func(b *bench) { b.plateau, b.inrush = 5, 5 },
		"all is lost": func(b *bench) { b.lose = func() bool { return true } },
	} {
		b := newBench(leadacid.Flooded, 950)
		change(b)
		b.runs(10)
		_, _, runs, ok := resistance(b.meter)
		assert.False(t, ok, name)
		assert.Zero(t, runs, name)
	}
}

// A restart at any instant but within a run and the two seconds after it changes nothing of what is
// said afterwards, bit for bit, with the state gone through JSON.
func TestStateGoesOnAsIfNeverStopped(t *testing.T) {
	play := func(restartAt int) (states []loadtest.State, amps []float64) {
		b := newBench(leadacid.AGM, 900)
		n := 0
		b.lose = func() bool {
			// Only at rest: a second's steps of before a run, and every scan lost now and then.
			if n++; n == restartAt {
				data, err := json.Marshal(b.meter.State())
				require.NoError(t, err)
				var s loadtest.State
				require.NoError(t, json.Unmarshal(data, &s))
				b.meter = loadtest.New(loadtest.Params{Chemistry: leadacid.AGM, RatedCCA: 900})
				require.NoError(t, b.meter.Restore(s))
				assert.Equal(t, s, b.meter.State())
			}
			return n%977 == 0
		}
		for i := range 60 {
			b.tempC = 20 + 10*math.Sin(float64(i)/9)
			b.mohm = 1.5 + 2.5*leadacid.ConductionFactor(b.tempC)
			b.run(time.Second)
			x, sigma, _ := known(b.meter.CrankingA())
			states, amps = append(states, b.meter.State()), append(amps, x, sigma)
		}
		return states, amps
	}
	wantStates, wantAmps := play(0)
	const aRun = 59 + 1025 // scans of a minute of rest, of a run and of the seconds beside it
	for _, at := range []int{1, 30, 5*aRun + 40, 20*aRun + 50, 41*aRun + 90} {
		states, amps := play(at)
		assert.True(t, assert.ObjectsAreEqual(wantStates[45:], states[45:]), "restarted at reading %d", at)
		assert.Equal(t, wantAmps[90:], amps[90:], "restarted at reading %d", at)
	}
}

// So does a judge.
func TestJudgeGoesOnAsIfNeverStopped(t *testing.T) {
	var a, b loadtest.Judge
	for _, share := range []float64{0.9, 0.70, 0.80, 0.82, 0.82, 0.95} {
		e := sound(share)
		want, _ := a.Step(&e)
		data, err := json.Marshal(b.State())
		require.NoError(t, err)
		var s loadtest.JudgeState
		require.NoError(t, json.Unmarshal(data, &s))
		b = loadtest.Judge{}
		require.NoError(t, b.Restore(s))
		got, _ := b.Step(&e)
		assert.Equal(t, want, got, "%g", share)
	}
	assert.Error(t, b.Restore(loadtest.JudgeState{Last: 9}))
}

func TestRestoreRefusesWhatNoMeterHad(t *testing.T) {
	b := newBench(leadacid.AGM, 900)
	b.runs(60)
	good := b.meter.State()
	for name, spoil := range map[string]func(*loadtest.State){
		"metal -1":         func(s *loadtest.State) { s.Parts.MetalMohm = -1 },
		"acid NaN":         func(s *loadtest.State) { s.Parts.AcidMohm = math.NaN() },
		"resistance: +Inf": func(s *loadtest.State) { s.Parts.AcidMohm = math.Inf(1) },
		"layer resistance": func(s *loadtest.State) { s.Parts.LayerMohm = -1 },
		"variance of":      func(s *loadtest.State) { s.Parts.VarMetal = -1 },
		"covariance":       func(s *loadtest.State) { s.Parts.Covar = 10 * (s.Parts.VarMetal + s.Parts.VarAcid) },
		"correction":       func(s *loadtest.State) { s.Parts.CorrectionShare = math.Inf(1) },
		"emf":              func(s *loadtest.State) { s.EMFV = -1 },
		"rest":             func(s *loadtest.State) { s.Rest.VoltageV = math.NaN() },
		"lag:":             func(s *loadtest.State) { s.Lag.MeanS = 1 },
		"trend sum":        func(s *loadtest.State) { s.Trend.XY = math.NaN() },
		"runs taking":      func(s *loadtest.State) { s.TakingRuns = 200 },
		"strikes":          func(s *loadtest.State) { s.Parts.Strikes = 100 },
	} {
		bad := good
		spoil(&bad)
		err := b.meter.Restore(bad)
		assert.ErrorContains(t, err, name)
		assert.Equal(t, good, b.meter.State(), "nothing changed")
	}
}

func TestAnythingReadIsNoPanicAndNoNaN(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := loadtest.New(loadtest.Params{Chemistry: leadacid.Flooded, RatedCCA: 950})
		now := time.Duration(0)
		for range rapid.IntRange(1, 200).Draw(t, "steps") {
			now += time.Duration(rapid.IntRange(0, 30).Draw(t, "ms")) * time.Millisecond
			in := readings(rapid.Float64Range(-100, 100).Draw(t, "V"), rapid.Float64Range(-5000, 5000).Draw(t, "A"),
				rapid.Float64Range(-200, 200).Draw(t, "C"))
			if rapid.Bool().Draw(t, "C missing") {
				in.TempC = unit.Reading{}
			}
			soc := unit.Estimate{
				Value: rapid.Float64Range(-10, 110).Draw(t, "SoC"),
				Sigma: 5,
				Known: rapid.Bool().Draw(t, "SoC ok"),
			}
			switch rapid.IntRange(0, 8).Draw(t, "what") {
			case 0:
				m.Begin(now, rapid.Bool().Draw(t, "exact"))
			case 1:
				m.End(now)
			case 2:
				m.Forget()
			case 3, 4:
				m.Idle(now, in, soc)
			default:
				m.Run(now, in, soc)
			}
		}
		mohm, sigma, _, _ := resistance(m)
		amps, sigmaA, _ := known(m.CrankingA())
		for _, x := range []float64{mohm, sigma, amps, sigmaA} {
			require.False(t, math.IsNaN(x) || math.IsInf(x, 0) || x < 0)
		}
	})
}

func TestNoAllocations(t *testing.T) {
	b := newBench(leadacid.Flooded, 950)
	b.runs(3)
	assert.Zero(t, testing.AllocsPerRun(5, func() { b.run(time.Second) }))
}

func BenchmarkIdle(b *testing.B) {
	m := loadtest.New(loadtest.Params{Chemistry: leadacid.Flooded, RatedCCA: 950})
	in, soc, at := readings(12.7, 0, 25), unit.Estimate{Value: 90, Sigma: 3, Known: true}, time.Duration(0)
	b.ReportAllocs()
	for b.Loop() {
		at += time.Second
		m.Idle(at, in, soc)
	}
}

func BenchmarkRunOfTenSeconds(b *testing.B) {
	x := newBench(leadacid.Flooded, 950)
	for b.Loop() {
		x.run(10 * time.Second)
	}
}
