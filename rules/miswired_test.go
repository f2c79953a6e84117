package rules_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules"
	"liftbank/rules/unit"
)

// A bank that is wired otherwise than it is configured is said so within a minute of scans, in one finding that
// stands by itself, and nothing that hangs on the wiring is judged.
func TestWrongWiringsAreFoundWithinAMinute(t *testing.T) {
	parallel := inSeries(unit.Series)
	parallel.Layout = unit.Parallel
	for name, c := range map[string]struct {
		cfg     rules.Config
		posts   []float64
		feedV   float64
		finding string
	}{
		"in series, configured in parallel":  {parallel, []float64{12.6, 25.2}, 25.2, "series-wired"},
		"in parallel, configured in series":  {inSeries(unit.Series), []float64{12.6, 12.62}, 12.6, "parallel-wired"},
		"four in parallel, pairs configured": {inSeries(unit.SeriesPairs), []float64{12.6, 12.62, 12.59, 12.6}, 12.6, "parallel-wired"},
		"taps swapped":                       {inSeries(unit.Series), []float64{25.2, 12.6}, 25.2, "sense-fault"},
		"taps swapped between strings":       {inSeries(unit.SeriesPairs), []float64{25.2, 25.2, 12.6, 12.6}, 25.2, "sense-fault"},
		"middle tap off":                     {inSeries(unit.Series), []float64{0.02, 25.2}, 25.2, "middle-tap-open"},
		"12 V feed behind an open breaker":   {inSeries(unit.Series), []float64{12.6, 25.2}, 13.8, "feed-mismatch"},
		"right":                              {inSeries(unit.Series), []float64{12.6, 25.2}, 25.2, ""},
	} {
		t.Run(name, func(t *testing.T) {
			e, err := rules.New(c.cfg)
			require.NoError(t, err)
			in := rules.Input{WakeLine: unit.ContactOff, MotorCommand: unit.ContactOff, Disconnect: unit.ContactOn}
			in.At.Wall, in.At.WallTrusted = time.Unix(1e9, 0), true
			var out *rules.Output
			for range 60 {
				in.At.Mono += time.Second
				in.At.Wall = in.At.Wall.Add(time.Second)
				for i, v := range c.posts {
					in.Battery[i] = rules.BatteryInput{VoltageV: good(v), CurrentA: good(-0.06), TempC: good(25)}
				}
				in.FeedV, in.MotorV = good(c.feedV), good(0)
				out = e.Step(&in)
			}
			raised := map[string]bool{}
			for i := range out.Findings {
				if r := &out.Findings[i]; r.Active() {
					raised[r.Def.Name] = true
				}
			}
			want := map[string]bool{}
			if c.finding != "" {
				want[c.finding] = true
			}
			assert.Equal(t, want, raised)
			if c.finding == "series-wired" || c.finding == "parallel-wired" || c.finding == "sense-fault" {
				for i := range out.Findings {
					if r := &out.Findings[i]; r.Def.Name == "battery-failed" || r.Def.Name == "link-resistive" {
						assert.NotNil(t, r.Because, "%s %s is judged", r.Def.Name, r.Subject)
					}
				}
			}
		})
	}
}

// A charger for 24 V drives batteries in parallel far over what 12 V reach: they stay what they were found to be.
func TestABankInParallelThat24VChargeIsStillInParallel(t *testing.T) {
	e, err := rules.New(inSeries(unit.Series))
	require.NoError(t, err)
	in := rules.Input{WakeLine: unit.ContactOn, MotorCommand: unit.ContactOff, Disconnect: unit.ContactOn}
	in.At.Wall, in.At.WallTrusted = time.Unix(1e9, 0), true
	for _, v := range []float64{12.6, 16, 18.1, 20.5, 24} {
		var out *rules.Output
		for range 60 {
			in.At.Mono += time.Second
			in.At.Wall = in.At.Wall.Add(time.Second)
			for i := range 2 {
				in.Battery[i] = rules.BatteryInput{VoltageV: good(v + 0.05*float64(i)), CurrentA: good(10), TempC: good(25)}
			}
			in.FeedV, in.MotorV = good(v), good(0)
			out = e.Step(&in)
		}
		for i := range out.Findings {
			r := &out.Findings[i]
			assert.Equal(t, r.Def.Name == "parallel-wired", r.Active(), "%s %s at %g V", r.Def.Name, r.Subject, v)
		}
	}
}
