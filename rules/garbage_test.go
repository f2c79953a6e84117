package rules_test

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/rules"
)

// Whatever the channels give, nothing panics, every number shown is one, changes are numbered
// without a gap, and the memory can be saved and restored.
func TestGarbageGivesNoGarbage(t *testing.T) {
	reading := func(t *rapid.T, high float64) rules.Reading {
		return rules.Reading{
			Value:   rapid.OneOf(rapid.Float64Range(-high, high), rapid.Just(0.0), rapid.Just(high)).Draw(t, "value"),
			Quality: rules.Quality(rapid.SampledFrom([]int{1, 1, 1, 1, 0, 2, 3, 6, 8}).Draw(t, "quality")),
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		e, err := rules.New(twoFlooded())
		require.NoError(t, err)
		var in rules.Input
		var seq uint64
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			steps := []time.Duration{6 * time.Millisecond, time.Second, time.Minute, 3 * time.Hour, 30 * time.Hour}
			step := rapid.SampledFrom(steps).
				Draw(t, "dt")
			in.At.Mono += step
			in.At.WallTrusted = rapid.Bool().Draw(t, "trusted")
			for i := range 2 {
				in.Battery[i] = rules.BatteryInput{
					VoltageV:  reading(t, 30),
					NegativeV: reading(t, 3),
					CurrentA:  reading(t, 300),
					TempC:     reading(t, 90),
				}
			}
			in.FeedV, in.MotorV = reading(t, 30), reading(t, 30)
			in.WakeLine = rules.Contact(rapid.IntRange(0, 3).Draw(t, "wake"))
			in.MotorCommand = rules.Contact(rapid.IntRange(0, 3).Draw(t, "command"))
			in.Disconnect = rules.Contact(rapid.IntRange(0, 3).Draw(t, "disconnect"))
			out := e.Step(&in)
			for _, ev := range out.Events {
				if ev.Kind == rules.RunEnded {
					continue
				}
				require.Equal(t, seq+1, ev.Change.Seq)
				seq = ev.Change.Seq
			}
			for i := range out.Findings {
				for _, x := range out.Findings[i].Evidence {
					require.False(t, math.IsNaN(x.Value) || math.IsInf(x.Value, 0), "%s: %s", out.Findings[i].Def.Name, x.What)
				}
			}
		}
		saved, err := json.Marshal(e.State())
		require.NoError(t, err)
		var s rules.State
		require.NoError(t, json.Unmarshal(saved, &s))
		fresh, err := rules.New(twoFlooded())
		require.NoError(t, err)
		require.NoError(t, fresh.Restore(&s))
	})
}
