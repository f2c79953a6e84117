package trust_test

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/rules/trust"
	"liftbank/rules/unit"
)

// reading draws what a channel may give: nothing, a value with any quality, or what a good one
// gives.
func reading(t *rapid.T, usual float64) unit.Reading {
	switch rapid.IntRange(0, 5).Draw(t, "reading") {
	case 0:
		return unit.Reading{Quality: unit.Quality(rapid.IntRange(0, 8).Draw(t, "quality"))}
	case 1:
		return unit.Reading{Value: rapid.Float64Range(-1e3, 1e3).Draw(t, "value"),
			Quality: unit.Quality(rapid.IntRange(0, 8).Draw(t, "quality"))}
	case 2:
		return good(rapid.Float64Range(-30, 60).Draw(t, "value"))
	}
	return good(usual)
}

// Whatever is read, of any bank: what is remembered can be restored, a doubt has a text and masks
// its channel, a unit is clean only without a fault or a doubt, and a channel that gives nothing
// stays as it is. A restart changes nothing but for
// what a battery may have cooled meanwhile: temperatures begin again.
func TestWhateverIsRead(t *testing.T) {
	for n := 1; n <= unit.MaxBatteries; n++ {
		t.Run(fmt.Sprint(n), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				straight, stopped := trust.New(n), trust.New(n)
				warm := rapid.Bool().Draw(t, "thermometers")
				at := time.Duration(0)
				for range rapid.IntRange(1, 60).Draw(t, "scans") {
					at += rapid.SampledFrom([]time.Duration{tick, time.Second, time.Minute, 15 * time.Minute,
						3 * time.Hour}).Draw(t, "after")
					in := unit.Scan{
						At: unit.Moment{Mono: at}, FeedV: reading(t, 12.6), MotorV: reading(t, 0),
						WakeLine:     unit.Contact(rapid.IntRange(0, 3).Draw(t, "wake")),
						MotorCommand: unit.Contact(rapid.IntRange(0, 3).Draw(t, "command")),
					}
					for i := range n {
						in.Battery[i] = unit.Battery{VoltageV: reading(t, 12.6), NegativeV: reading(t, 0),
							CurrentA: reading(t, 0)}
						if warm {
							in.Battery[i].TempC = reading(t, 20)
						}
					}
					f := trust.Facts{
						Running: rapid.Bool().Draw(t, "running"), EverRan: rapid.Bool().Draw(t, "ran"), RanTo: at / 2,
						Quiet:    rapid.Bool().Draw(t, "quiet"),
						InSeries: rapid.Bool().Draw(t, "series"), BankA: reading(t, 0), MinA: 30,
					}
					work := rapid.IntRange(0, 9).Draw(t, "work")
					run := trust.Run{ByCommand: work > 5}
					var as [unit.MaxBatteries]float64
					for i := range n {
						as[i] = rapid.Float64Range(0, 500).Draw(t, "As")
						run.StepV[i], run.StepA[i] = in.Battery[i].VoltageV.Value-12.6, in.Battery[i].CurrentA.Value
						run.Have[i] = work != 7
					}
					for _, c := range []*trust.Channels{straight, stopped} {
						c.Begin(at)
						var masked unit.Scan
						c.Mask(&in, &masked)
						c.Check(&in, f)
						switch {
						case work == 0:
							c.Gap()
						case work == 1:
							c.Replaced(n - 1)
						case work < 4:
							c.RunMotor(work == 2)
							c.RunShares(&as)
						case work > 5:
							c.RunSteps(&run)
						}
						c.Mask(&in, &masked)
						clean := c.Clean(&in)
						for ch := range unit.Channel(unit.Channels) {
							r, seen := in.Reading(ch), masked.Reading(ch)
							own := ch.Signal() == unit.BatteryVoltage && ch.Battery() < n
							require.True(t, r.OK() || own || seen.Quality == r.Quality, ch)
							fault := r.Faulty() || r.OK() && c.WhyNot(ch, *r) != nil
							require.False(t, clean && fault && (ch.Battery() < n), ch)
							if r.OK() && c.Doubted(ch) {
								require.False(t, seen.OK(), ch)
								require.NotNil(t, c.WhyNot(ch, *r), ch)
							}
						}
						for i := range n {
							c.Disagrees(i, &masked)
						}
						c.PostsDisagree()
					}
					require.NoError(t, trust.New(n).Restore(straight.Memory))
					if !warm {
						require.Equal(t, straight.Memory, stopped.Memory)
					}
					if rapid.IntRange(0, 4).Draw(t, "restart") == 0 {
						text, err := json.Marshal(stopped.Memory)
						require.NoError(t, err)
						var m trust.Memory
						require.NoError(t, json.Unmarshal(text, &m))
						stopped = trust.New(n)
						require.NoError(t, stopped.Restore(m))
					}
				}
			})
		})
	}
}

const tick = 100 * time.Millisecond
