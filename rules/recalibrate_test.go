package rules_test

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules"
	"liftbank/rules/unit"
)

var ampsA = unit.ChannelOf(unit.BatteryCurrent, 0)

// works plays runs on a sound bank of whose battery a the current sensor reads by a factor and an offset.
func (b *bench) works(runs int, gain, add float64) {
	set := func(volts, amps float64) {
		b.set(volts, amps)
		b.in.Battery[0].CurrentA.Value = b.in.Battery[0].CurrentA.Value*gain + add
	}
	for range runs {
		set(12.65, -0.1)
		b.hold(10*time.Minute, 5*time.Second)
		b.in.At.Mono += time.Second
		b.in.CommandEdges, b.in.MotorCommand = []rules.Edge{{On: true, At: b.in.At.Mono}}, unit.ContactOn
		set(12.65-60*0.0036, -120)
		b.step()
		b.hold(4*time.Second, 10*time.Millisecond)
		b.in.CommandEdges, b.in.MotorCommand = []rules.Edge{{At: b.in.At.Mono}}, unit.ContactOff
		set(12.65, -0.1)
		b.step()
	}
}

// What was learned with a correction and is brought to another is what would have been learned with
// that: the same bank, whose sensor reads 0.8 % too little and 0.15 A too much until it is calibrated.
func TestWhatWasLearnedIsBroughtToTheNewCorrection(t *testing.T) {
	right, wrong := newBench(t, twoFlooded()), newBench(t, twoFlooded())
	const gain, add = 0.992, 0.15
	right.works(40, 1, 0)
	wrong.works(40, gain, add)
	was, want := wrong.engine.State(), right.engine.State()
	assert.Greater(t, math.Abs(was.Battery[0].Load.Parts.MetalMohm/want.Battery[0].Load.Parts.MetalMohm-1), 0.005)
	drawn := wrong.engine.State().Battery[0].Charge.DrawnAh

	require.NoError(t, wrong.engine.Recalibrate(unit.Recalibration{
		Channel: ampsA, Now: unit.Correction{Offset: -add, Gain: 1 / gain}, ZeroSigma: 0.03,
	}))
	got := wrong.engine.State()
	for name, pair := range map[string][2]float64{
		"metal": {got.Battery[0].Load.Parts.MetalMohm, want.Battery[0].Load.Parts.MetalMohm},
		"acid":  {got.Battery[0].Load.Parts.AcidMohm, want.Battery[0].Load.Parts.AcidMohm},
		"layer": {got.Battery[0].Load.Parts.LayerMohm, want.Battery[0].Load.Parts.LayerMohm},
		"usual": {got.Pump.Usual.Mean[0], want.Pump.Usual.Mean[0]},
	} {
		assert.InEpsilon(t, pair[1], pair[0], 0.003, name) // the share of the metal hangs on the whole, beside its scale
	}
	assert.Equal(t, was.Battery[1].Load.Parts, got.Battery[1].Load.Parts, "the other battery has nothing to do with it")
	assert.Equal(t, drawn, got.Battery[0].Charge.DrawnAh, "what was counted stays counted")
	assert.InDelta(t, 0, got.Zeros.X[0], 0.02)
	assert.True(t, got.Zeros.Calibrated[0].Set)
	moved, beyond := wrong.engine.Moved(ampsA)
	assert.True(t, moved.Known)
	assert.False(t, beyond)

	// From then on both read the same, and learn the same.
	right.works(10, 1, 0)
	wrong.works(10, 1, 0)
	got, want = wrong.engine.State(), right.engine.State()
	assert.InEpsilon(t, want.Battery[0].Load.Parts.MetalMohm, got.Battery[0].Load.Parts.MetalMohm, 0.003)
	assert.Equal(t, right.active(), wrong.active())
}

// A correction beyond the sensor's class has been wrong for nobody knows how long: what was learned by it
// starts afresh, and counters stay.
func TestAFarCorrectionStartsAfresh(t *testing.T) {
	b := newBench(t, twoFlooded())
	b.works(40, 0.9, 0)
	was := b.engine.State()
	require.NotZero(t, was.Battery[0].Load.Parts.Runs)
	require.NoError(t, b.engine.Recalibrate(unit.Recalibration{Channel: ampsA, Now: unit.Correction{Gain: 1 / 0.9}}))
	got := b.engine.State()
	assert.Zero(t, got.Battery[0].Load.Parts.Runs)
	assert.NotZero(t, got.Battery[1].Load.Parts.Runs)
	assert.Equal(t, was.Motor.Runs, got.Motor.Runs)
	assert.Equal(t, was.Battery[0].Charge.ChargedAh, got.Battery[0].Charge.ChargedAh)
	assert.Greater(t, got.Battery[0].Charge.CountedSigmaPct, was.Battery[0].Charge.CountedSigmaPct)
}

// A restart brings what was saved under an earlier correction to that of now, whoever changed it: the
// power went between the one and the other, or somebody edited the configuration.
func TestARestartUnderAnotherCorrection(t *testing.T) {
	b := newBench(t, twoFlooded())
	b.works(40, 0.995, 0.1)
	kept, err := json.Marshal(b.engine.State())
	require.NoError(t, err)
	now := unit.Correction{Offset: -0.1, Gain: 1 / 0.995}
	require.NoError(t, b.engine.Recalibrate(unit.Recalibration{Channel: ampsA, Now: now}))
	want := b.engine.State()

	cfg := twoFlooded()
	cfg.Corrections[ampsA] = now
	e, err := rules.New(cfg)
	require.NoError(t, err)
	var s rules.State
	require.NoError(t, json.Unmarshal(kept, &s))
	require.NoError(t, e.Restore(&s))
	got := e.State()
	assert.Equal(t, want.Battery[0].Load.Parts, got.Battery[0].Load.Parts)
	assert.InDelta(t, want.Zeros.X[0], got.Zeros.X[0], 1e-9)
	assert.Equal(t, want.Corrections, got.Corrections)

	s.Corrections = nil // saved by a version that had none
	e, err = rules.New(cfg)
	require.NoError(t, err)
	require.NoError(t, e.Restore(&s))
	assert.Equal(t, b.engine.State().Motor, e.State().Motor)
	assert.NotEqual(t, want.Battery[0].Load.Parts, e.State().Battery[0].Load.Parts)
}

// Each channel can be corrected, and what can't be is refused whole.
func TestRecalibrateAnyChannel(t *testing.T) {
	for c := range unit.Channel(unit.Channels) {
		b := newBench(t, twoFlooded())
		b.works(5, 1, 0)
		was := text(t, b.engine.State())
		r := unit.Recalibration{Channel: c, Now: unit.Correction{Offset: 0.01, Gain: 1.004}}
		if c.Battery() > 1 {
			assert.Error(t, b.engine.Recalibrate(r))
			assert.Equal(t, was, text(t, b.engine.State()))
			continue
		}
		bad := unit.Recalibration{Channel: c, Now: unit.Correction{Gain: math.NaN()}}
		assert.Error(t, b.engine.Recalibrate(r, bad))
		assert.Equal(t, was, text(t, b.engine.State()), "all of it or nothing")
		require.NoError(t, b.engine.Recalibrate(r))
		assert.Equal(t, r.Now, b.engine.State().Corrections[c])
		b.works(3, 1, 0)
		e, err := rules.New(func() rules.Config { c := twoFlooded(); c.Corrections = *b.engine.State().Corrections; return c }())
		require.NoError(t, err)
		assert.NoError(t, e.Restore(b.engine.State()), "channel %d", c)
	}
	b := newBench(t, twoFlooded())
	for _, r := range []unit.Recalibration{
		{Now: unit.Correction{Gain: 3}}, {Now: unit.Correction{Offset: 500}}, {ZeroSigma: -1}, {Channel: 99},
		{Was: unit.Correction{Gain: -1}}, {ZeroSigma: math.Inf(1)},
	} {
		assert.Error(t, b.engine.Recalibrate(r), "%+v", r)
	}
}
