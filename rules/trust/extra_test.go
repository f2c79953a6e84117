package trust_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/unit"
)

// A converter that charges has an input: ten minutes of 5 A or more with less than 5 V there.
func TestNoInputWhileItCharges(t *testing.T) {
	b := newBench(t, 2)
	b.in.WakeLine, b.in.InputV, b.in.FeedV, b.f.BankA, b.f.Quiet = unit.ContactOn, good(4.9), good(14.2), good(5.1), false
	for i := range 2 {
		b.in.Battery[i].VoltageV, b.in.Battery[i].CurrentA = good(14), good(2.55)
	}
	b.hold(9*time.Minute, time.Second)
	assert.False(t, b.c.Doubted(unit.Input))
	b.hold(2*time.Minute, time.Second)
	assert.True(t, b.c.Doubted(unit.Input))
	b.in.InputV = good(5.1)
	b.hold(61*time.Second, time.Second)
	assert.False(t, b.c.Doubted(unit.Input))

	b.in.InputV, b.f.BankA = good(0), good(4.9)
	b.hold(time.Hour, time.Second)
	assert.False(t, b.c.Doubted(unit.Input), "so little may be a charger on the posts")
}

// Controls that drive the contactor of a motor that runs have voltage.
func TestNoControlsWhileTheyDrive(t *testing.T) {
	b := newBench(t, 2)
	b.in.ControlV = good(4.9)
	b.hold(time.Hour, time.Second)
	assert.False(t, b.c.Doubted(unit.Control), "with nothing on they may be off")
	b.f.Running, b.in.MotorCommand, b.f.BankA = true, unit.ContactOn, good(-100)
	for k := range 30 {
		b.f.RunFor = time.Duration(k) * 100 * time.Millisecond
		b.step(100 * time.Millisecond)
	}
	assert.True(t, b.c.Doubted(unit.Control))
	b.f.Running, b.in.MotorCommand, b.f.BankA, b.in.ControlV = false, unit.ContactOff, good(0), good(12.5)
	b.hold(61*time.Second, time.Second)
	assert.False(t, b.c.Doubted(unit.Control))
}

// Three runs that drew current and showed no pressure are the transducer's; one that shows some ends it.
func TestNoOilPressureInThreeRuns(t *testing.T) {
	b := newBench(t, 2)
	for range 2 {
		b.c.RunOil(false)
	}
	b.step(time.Second)
	assert.False(t, b.c.Doubted(unit.Oil))
	b.c.RunOil(false)
	b.step(time.Second)
	assert.True(t, b.c.Doubted(unit.Oil))
	b.c.RunOil(true)
	b.step(time.Second)
	assert.False(t, b.c.Doubted(unit.Oil))
}

// Each has its own measure of noise: what is much for a voltage is little for a pressure.
func TestNoiseOfTheExtraChannels(t *testing.T) {
	for ch, noise := range map[unit.Channel][2]float64{
		unit.Input: {0.08, 0.12}, unit.Control: {0.08, 0.12}, unit.Ambient: {0.9, 1.1}, unit.Oil: {4.5, 5.5},
	} {
		for k, by := range noise {
			b := newBench(t, 2)
			for i := range 120 {
				*b.in.Reading(ch) = good(12 + by*float64(i%2))
				b.step(time.Second)
			}
			assert.Equal(t, k == 1, b.c.Doubted(ch), "channel %d by %g", ch, by)
		}
	}
}
