package rules_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules"
	"liftbank/rules/unit"
)

// Another battery: what was learned of the old one is gone, what was learned of its neighbor stays.
func TestForgetBattery(t *testing.T) {
	b := newBench(t, twoFlooded())
	b.set(12.65, -0.1)
	b.hold(12*time.Hour, time.Second)
	for range 30 {
		b.run(8*time.Second, 12.65, 12.1, 110)
		b.hold(2*time.Minute, time.Second)
	}
	require.True(t, b.out.Battery[0].SoCPct.Known)
	require.True(t, b.out.Battery[0].Resistance.Known)
	require.Positive(t, b.out.Battery[0].DrawnAh)
	neighbor := b.out.Battery[1]
	_, stepA, ok := b.engine.LastStep(0)
	require.True(t, ok)
	assert.InDelta(t, -55, stepA, 0.5)

	require.True(t, b.engine.ForgetBattery(0))
	b.hold(10*time.Second, time.Second)
	assert.False(t, b.out.Battery[0].Resistance.Known)
	assert.Equal(t, "unknown", b.out.Battery[0].Verdict.String())
	assert.Less(t, b.out.Battery[0].DrawnAh, 0.01)
	assert.Equal(t, "a", b.out.Battery[0].ID)
	assert.Equal(t, neighbor.Resistance, b.out.Battery[1].Resistance)
	assert.InDelta(t, neighbor.SoCPct.Value, b.out.Battery[1].SoCPct.Value, 0.1)
	_, _, ok = b.engine.LastStep(0)
	assert.False(t, ok, "the new one has not been through a run")

	for range 30 {
		b.run(8*time.Second, 12.65, 12.1, 110)
		b.hold(2*time.Minute, time.Second)
	}
	assert.True(t, b.out.Battery[0].Resistance.Known, "learned anew")
	assert.False(t, b.engine.ForgetBattery(2))
	assert.False(t, b.engine.ForgetBattery(-1))
}

func TestForgetLinks(t *testing.T) {
	b := newBench(t, twoFlooded())
	// The load's lead is on a: half the current comes over a positive link of 0.4 mΩ.
	set := func(v, bankA float64) {
		b.set(v, bankA)
		b.in.Battery[0].NegativeV, b.in.Battery[1].NegativeV = good(0), good(0)
		b.in.Battery[1].VoltageV = good(v - bankA/2*0.0004)
	}
	for range 40 {
		set(12.65, 0)
		b.hold(time.Minute, time.Second)
		start := b.in.At.Mono + 300*time.Millisecond
		b.in.At.Mono = start
		b.in.CommandEdges, b.in.MotorCommand = []rules.Edge{{On: true, At: start}}, unit.ContactOn
		set(12.1, -110)
		b.step()
		b.hold(8*time.Second, 6*time.Millisecond)
		b.in.CommandEdges, b.in.MotorCommand = []rules.Edge{{On: false, At: b.in.At.Mono}}, unit.ContactOff
		set(12.65, 0)
		b.step()
	}
	b.hold(2*time.Minute, time.Second)
	require.True(t, b.out.Links[0].Mohm.Known)
	require.InDelta(t, 0.4, b.out.Links[0].Mohm.Value, 0.05)
	b.engine.ForgetLinks()
	b.hold(time.Second, time.Second)
	for _, l := range b.out.Links {
		assert.False(t, l.Mohm.Known, "%v", l)
	}
	assert.Equal(t, "unknown", b.out.Bank.LoadLeads.Arrangement.String())
}
