package rules_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules"
	"liftbank/rules/unit"
)

// A middle tap that is off, beside a negative post of the upper battery that is measured, looks in a motor run
// like a lower battery of 0 V. It is none; one that is driven down is.
func TestNearReversalIsNoMiddleTapThatIsOff(t *testing.T) {
	for name, c := range map[string]struct {
		middle, negative, top float64 // V over the bank's minus, in the run
		want                  bool
	}{
		"tap off":            {0.01, 11.6, 23.2, false},
		"driven down":        {2.0, 2.1, 13.6, true},
		"driven below zero":  {-1.5, -1.4, 10.2, true},
		"both hold":          {11.6, 11.7, 23.2, false},
		"negative's tap off": {11.6, 0.01, 23.2, false},
	} {
		t.Run(name, func(t *testing.T) {
			e, err := rules.New(inSeries(unit.Series))
			require.NoError(t, err)
			in := rules.Input{WakeLine: unit.ContactOff, MotorCommand: unit.ContactOff, Disconnect: unit.ContactOn}
			in.At.Wall, in.At.WallTrusted = time.Unix(1e9, 0), true
			var out *rules.Output
			step := func(dt time.Duration, middle, negative, top, amps float64) {
				in.At.Mono, in.At.Wall = in.At.Mono+dt, in.At.Wall.Add(dt)
				in.Battery[0] = rules.BatteryInput{VoltageV: good(middle), CurrentA: good(amps), TempC: good(25)}
				in.Battery[1] = rules.BatteryInput{VoltageV: good(top), NegativeV: good(negative), CurrentA: good(amps), TempC: good(25)}
				in.FeedV, in.MotorV = good(0), good(0)
				if amps < -1 {
					in.MotorV = good(top - 0.3)
				}
				out = e.Step(&in)
			}
			for range 5 { // too short a rest for what a tap shows there
				step(time.Second, 12.6, 12.6, 25.2, -0.06)
			}
			in.MotorCommand = unit.ContactOn
			for range 100 {
				step(50*time.Millisecond, c.middle, c.negative, c.top, -65)
			}
			raised := false
			for i := range out.Findings {
				if r := &out.Findings[i]; r.Def.Name == "near-reversal" && r.Active() {
					raised = true
				}
			}
			assert.Equal(t, c.want, raised)
		})
	}
}
