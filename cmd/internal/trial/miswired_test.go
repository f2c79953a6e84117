package trial_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/draw"
	"liftbank/cmd/internal/trial"
	"liftbank/cmd/slowtest"
	"liftbank/rules"
	"liftbank/sim/cell"
	"liftbank/sim/scenario"
)

// sensorClass is how far the sensors of the reference board may be off: offset, gain in %, noise.
var sensorClass = map[string][3]float64{
	"voltage": {0.010, 1, 0.002}, "negative": {0.010, 1, 0.0005}, "current": {0.2, 1, 0.1}, "temperature": {1, 0, 0.1},
	"feed": {0.010, 1, 0.002}, "motor": {0.010, 1, 0.002},
}

// soundUnit draws a unit of n sound batteries with sensors anywhere in their class.
func soundUnit(seed uint64, n int, days float64) scenario.Scenario {
	random := rand.New(rand.NewPCG(seed, 0x6d697377))
	sc := scenario.Default()
	sc.Name, sc.Seed, sc.Days = fmt.Sprintf("miswired-%d", seed), seed, days
	chemistry := []cell.Chemistry{cell.Flooded, cell.AGM}[random.IntN(2)]
	sc.Bank.Batteries = nil
	for k := range n {
		sc.Bank.Batteries = append(sc.Bank.Batteries, scenario.Battery{
			ID: string(rune('a' + k)), Chemistry: chemistry, RatedAh: 100, RatedCCA: 850,
			SoCPct: draw.Between(random, 75, 100), Aging: scenario.Aging{RaisedResistancePct: draw.Between(random, 0, 8)},
		})
	}
	sc.Weather.MeanC = draw.Between(random, 0, 30)
	sc.Feed.LimitA, sc.Feed.PowerW = 20*float64(max(n, 2)), 280*float64(max(n, 2))
	draw.DiagonalLeads(&sc, draw.Between(random, 0.3, 0.8))
	add := func(quantity, channel string) {
		c := sensorClass[quantity]
		sc.Sensors.Errors = append(sc.Sensors.Errors, scenario.SensorError{
			Channel: channel, Offset: c[0] * draw.Between(random, -1, 1), GainPct: c[1] * draw.Between(random, -1, 1),
			NoiseRMS: c[2],
		})
	}
	for k, b := range sc.Bank.Batteries {
		add("voltage", "voltage-"+b.ID)
		add("current", "current-"+b.ID)
		if k > 0 {
			add("negative", "negative-"+b.ID)
		}
	}
	add("temperature", "temperature-a")
	add("feed", "feed")
	add("motor", "motor")
	return sc
}

// told is what was raised in a run: sense-faults by subject, and every other finding.
type told struct{ sensors, others []string }

func playMiswired(t *testing.T, sc scenario.Scenario, each func(*trial.Trial, *rules.Output) error) (x told) {
	t.Helper()
	o := trial.Options{RestEvery: 10 * time.Second, Coarse: trial.CoarseRest}
	_, f, err := trial.Run(t.Context(), sc, o, sc.Length(), each)
	require.NoError(t, err)
	for _, r := range f.Raises {
		if r.Finding == "sense-fault" {
			x.sensors = append(x.sensors, r.Subject)
		} else {
			x.others = append(x.others, r.Finding)
		}
	}
	slices.Sort(x.sensors)
	x.sensors = slices.Compact(x.sensors)
	return x
}

// A sensor that is mounted or scaled wrong is named, and no battery beside it is accused of anything.
// Where nothing tells it from a battery of other strength, nobody is praised either.
func TestAMiswiredSensorIsNamed(t *testing.T) {
	slowtest.SkipUnderRace(t)
	for k, c := range []struct {
		channel string // with a dash, for the battery's id
		value   float64
		from    int // batteries, at the least
		always  int // batteries of the one that is quick to play
	}{
		{"current-", -1, 1, 2}, {"current-", 2, 2, 2}, {"voltage-", 11.0 / 111 / (10.0 / 110), 1, 3},
		{"voltage-", 9.0 / 109 / (10.0 / 110), 1, 4},
	} {
		for n := c.from; n <= 4; n++ {
			t.Run(fmt.Sprintf("%s times %.2f, %d batteries", c.channel, c.value, n), func(t *testing.T) {
				if n != c.always {
					slowtest.Long(t)
				}
				t.Parallel()
				sc := soundUnit(uint64(10*k+n), n, 3)
				at := sc.Bank.Batteries[k%n].ID
				sc.Sensors.Faults = []scenario.SensorFault{
					{Kind: "channel-scaled", Channel: c.channel + at, Value: c.value},
				}
				x := playMiswired(t, sc, nil)
				word := map[string]string{"current-": " current", "voltage-": " voltage"}[c.channel]
				assert.Equal(t, []string{"battery " + at + word}, x.sensors)
				for _, finding := range []string{
					"battery-failed", "battery-tired", "share-uneven", "link-resistive", "feed-weak", "feed-lost", "bank-low",
					"freeze-risk",
				} {
					assert.NotContains(t, x.others, finding)
				}
			})
		}
	}
}

// Where no link tells them apart, a sensor that shows half from the start looks like a battery that is
// half as strong: whatever is said of the battery names the sensor first.
func TestASensorThatShowsHalfIsNamedFirst(t *testing.T) {
	slowtest.SkipUnderRace(t)
	for _, n := range []int{1, 3, 4} { // the only one, or one between two others
		t.Run(fmt.Sprint(n), func(t *testing.T) {
			t.Parallel()
			sc := soundUnit(uint64(90+n), n, 2)
			at := sc.Bank.Batteries[n/2].ID
			sc.Sensors.Faults = []scenario.SensorFault{{Kind: "channel-scaled", Channel: "current-" + at, Value: 0.5}}
			said := 0
			playMiswired(t, sc, func(_ *trial.Trial, out *rules.Output) error {
				for i := range out.Findings {
					r := &out.Findings[i]
					worn := r.Def.Name == "battery-failed" || r.Def.Name == "battery-tired"
					if !worn || !r.Active() {
						continue
					}
					said++
					assert.Contains(t, r.Subject, at)
					if assert.NotEmpty(t, r.Likely) {
						assert.Equal(t, r.Def.Name+".sensor", r.Likely[0].Cause.ID)
					}
					assert.Contains(t, r.Def.NextCheck[0], "sensor first")
				}
				return nil
			})
			assert.Positive(t, said)
		})
	}
}

// At an end of a bank whose leads sit diagonally, the links tell a sensor that shows half from a battery
// that gives half; and a battery that gives half is still accused.
func TestLinksTellASensorThatShowsHalf(t *testing.T) {
	slowtest.SkipUnderRace(t)
	for seed := uint64(70001); seed <= 70004; seed++ {
		for n := 2; n <= 4; n++ {
			for _, weak := range []bool{false, true} {
				t.Run(fmt.Sprintf("seed %d, %d batteries, weak %v", seed, n, weak), func(t *testing.T) {
					if n != 2+int(seed%3) || seed > 70002 { // both ends, two and four batteries
						slowtest.Long(t)
					}
					t.Parallel()
					sc := soundUnit(seed, n, 2)
					k := int(seed%2) * (n - 1)
					at := sc.Bank.Batteries[k].ID
					if weak {
						sc.Bank.Batteries[k].Aging.RaisedResistancePct = 110
						x := playMiswired(t, sc, nil)
						assert.Empty(t, x.sensors)
						assert.True(t, slices.Contains(x.others, "battery-failed") || slices.Contains(x.others, "battery-tired"))
						return
					}
					sc.Sensors.Faults = []scenario.SensorFault{{Kind: "channel-scaled", Channel: "current-" + at, Value: 0.5}}
					x := playMiswired(t, sc, nil)
					assert.Equal(t, []string{"battery " + at + " current"}, x.sensors)
					for _, finding := range []string{"battery-failed", "battery-tired", "share-uneven", "link-resistive"} {
						assert.NotContains(t, x.others, finding)
					}
				})
			}
		}
	}
}

// A zero that is off by more than half an ampere is named, and the charge is right after a day.
func TestAZeroThatIsOffIsNamedAndTakenOff(t *testing.T) {
	slowtest.SkipUnderRace(t)
	for n := 1; n <= 4; n++ {
		for _, off := range []float64{-2.4, 1.1} {
			t.Run(fmt.Sprintf("%g A, %d batteries", off, n), func(t *testing.T) {
				if n > 2 || (n == 1) != (off < 0) {
					slowtest.Long(t)
				}
				t.Parallel()
				sc := soundUnit(uint64(70+n), n, 5)
				at := sc.Bank.Batteries[n-1].ID
				sc.Sensors.Faults = []scenario.SensorFault{{Kind: "channel-off", Channel: "current-" + at, Value: off}}
				far, scans := 0, 0
				x := playMiswired(t, sc, func(tr *trial.Trial, out *rules.Output) error {
					if tr.Now() < 2*day || tr.Fast() {
						return nil
					}
					for i := range out.Battery {
						soc := out.Battery[i].SoCPct
						if scans++; soc.Known && math.Abs(soc.Value-tr.Rig.Unit.SoCPct(i)) > 8 {
							far++
						}
					}
					return nil
				})
				assert.Equal(t, []string{"battery " + at + " current"}, x.sensors)
				assert.NotContains(t, x.others, "battery-tired")
				assert.NotContains(t, x.others, "battery-failed")
				assert.NotContains(t, x.others, "balance-negative")
				assert.Less(t, float64(far)/float64(scans), 0.05)
			})
		}
	}
}

// A charger on the posts of a battery: the sensor says so, the charge is in doubt, and a day of rest
// later it is what it is.
func TestAChargerPastTheSensor(t *testing.T) {
	slowtest.SkipUnderRace(t)
	sc := load(t, "posts-charged")
	var while, after rules.Estimate
	var truth float64
	x := playMiswired(t, sc, func(tr *trial.Trial, out *rules.Output) error {
		if tr.Now() < 16*time.Hour {
			while = out.Battery[0].SoCPct
		}
		after, truth = out.Battery[0].SoCPct, tr.Rig.Unit.SoCPct(0)
		return nil
	})
	assert.Equal(t, []string{"battery a current"}, x.sensors)
	assert.False(t, while.Known, "%+v", while)
	assert.True(t, after.Known)
	assert.InDelta(t, truth, after.Value, 2*after.Sigma)
}
