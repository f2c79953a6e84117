package trust_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"liftbank/rules/trust"
	"liftbank/rules/unit"
)

// A battery with a dead cell gives next to nothing in runs, but the feed charges it: its sensor
// lives. One that the feed moves no more, too, is dead.
func TestADeadCellIsNoDeadSensor(t *testing.T) {
	b := newBench(t, 2)
	run := trust.Run{StepA: [unit.MaxBatteries]float64{0.2, -110}, StepV: [unit.MaxBatteries]float64{-0.5, -0.5},
		Have: [unit.MaxBatteries]bool{true, true}, ByCommand: true}
	stop := func(chargeA float64) {
		b.in.WakeLine = unit.ContactOn
		b.in.Battery[0].CurrentA, b.in.Battery[1].CurrentA = good(chargeA), good(3)
		b.hold(30*time.Minute, time.Minute)
		b.in.WakeLine = unit.ContactOff
		b.in.Battery[0].CurrentA, b.in.Battery[1].CurrentA = good(0.2), good(-0.3)
		b.hold(10*time.Minute, time.Minute)
		for range 5 {
			b.c.RunSteps(&run)
		}
	}
	for range 4 {
		stop(15)
		assert.Empty(t, b.why(ampA))
	}
	for range 6 {
		stop(0.2)
	}
	assert.Equal(t, "unresponsive", b.why(ampA))
	stop(15)
	assert.Empty(t, b.why(ampA), "it lives")
}

// What a battery gives after it gave nothing is its own affair, not its sensor's scale.
func TestABatteryThatGaveNothingHasNoUsualStep(t *testing.T) {
	b := newBench(t, 2)
	runs := func(n int, ownA, otherA float64) {
		for range n {
			b.step(time.Minute)
			b.c.RunSteps(&trust.Run{StepA: [unit.MaxBatteries]float64{ownA, otherA}, ByCommand: true,
				StepV: [unit.MaxBatteries]float64{-0.5, -0.5}, Have: [unit.MaxBatteries]bool{true, true}})
		}
	}
	runs(6, -60, -60)
	runs(6, -3, -110)
	runs(6, -30, -110)
	assert.Empty(t, b.why(ampA))
	runs(4, -60, -110)
	assert.Equal(t, "scale", b.why(ampA), "that is one")
}

// A battery that fades gives less, and the other makes up for it: the pump takes what it always
// takes. A sensor that shows less makes the sum less.
func TestAFadingBatteryIsNoScale(t *testing.T) {
	for _, tt := range []struct {
		name string
		a, b float64
		want string
	}{
		{"fades", -38, -74, ""}, {"gives more", -92, -49, ""}, {"shows less", -38, -60, "scale"}, {"shows more", -92, -60, "scale"},
	} {
		b := newBench(t, 2)
		for k := range 14 {
			r := trust.Run{StepA: [unit.MaxBatteries]float64{-60, -60}, StepV: [unit.MaxBatteries]float64{-0.5, -0.5},
				Have: [unit.MaxBatteries]bool{true, true}, ByCommand: true}
			if k >= 10 {
				r.StepA[0], r.StepA[1] = tt.a, tt.b
			}
			b.step(time.Minute)
			b.c.RunSteps(&r)
		}
		assert.Equal(t, tt.want, b.why(ampA), tt.name)
	}
}

// A current that did not react is told from the first run on, long before its sensor is accused, and
// though the feed has just moved it.
func TestACurrentThatIsStillInARun(t *testing.T) {
	b := newBench(t, 2)
	b.in.Battery[0].CurrentA = good(0)
	b.hold(time.Minute, time.Second)
	b.in.Battery[0].CurrentA = good(15)
	b.hold(time.Minute, time.Second)
	run := trust.Run{StepA: [unit.MaxBatteries]float64{0.4, -55}, StepV: [unit.MaxBatteries]float64{-0.5, -0.5},
		Have: [unit.MaxBatteries]bool{true, true}}
	b.c.RunSteps(&run)
	assert.True(t, b.c.StillInRun(0))
	assert.False(t, b.c.StillInRun(1))
	run.StepA[0] = -0.6
	b.c.RunSteps(&run)
	assert.False(t, b.c.StillInRun(0))
}
