package crosscheck

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent"
	"liftbank/cmd/internal/refboard"
	"liftbank/cmd/internal/rig"
	"liftbank/cmd/slowtest"
	"liftbank/rules"
	"liftbank/rules/leadacid"
	"liftbank/rules/loadtest"
	"liftbank/sim"
	"liftbank/sim/cell"
	"liftbank/sim/scenario"
)

// loadTester feeds meters with what an agent's rules are handed.
type loadTester struct {
	core    *agent.Core
	unit    *sim.Unit
	meters  []*loadtest.Meter
	runs    int
	running bool

	// of the charge handed in: the load test is judged by itself, with an estimator within its own
	// target
	socErrorPct float64
}

func newLoadTester(t testing.TB, sc scenario.Scenario) *loadTester {
	t.Helper()
	cfg, err := refboard.Config(&sc, "load-test", refboard.Options{RestEvery: "5s"})
	require.NoError(t, err)
	r, err := rig.New(sc, cfg, false)
	require.NoError(t, err)
	core, err := agent.NewCore(cfg, r.Parts())
	require.NoError(t, err)
	l := &loadTester{core: core, unit: r.Unit}
	for _, b := range sc.Bank.Batteries {
		chem, err := leadacid.Parse(string(b.Chemistry))
		require.NoError(t, err)
		l.meters = append(l.meters, loadtest.New(loadtest.Params{
			Chemistry: chem, RatedCCA: b.RatedCCA, Parallel: len(sc.Bank.Batteries) > 1,
		}))
	}
	return l
}

// play lets the unit work until so many runs are over.
func (l *loadTester) play(t testing.TB, runs int) {
	t.Helper()
	for l.runs < runs && l.unit.Now() < 24*time.Hour {
		l.step(t)
	}
	for l.running {
		l.step(t) // the last run's far side
	}
}

// step takes one scan.
func (l *loadTester) step(t testing.TB) {
	t.Helper()
	out, err := l.core.Next(t.Context())
	require.NoError(t, err)
	in := l.core.Input()
	for _, e := range in.CommandEdges {
		l.edge(e.On, e.At)
	}
	for i, m := range l.meters {
		l.feed(m, &in.Battery[i], in.Battery[0].TempC, out, i)
	}
}

func (l *loadTester) edge(on bool, at time.Duration) {
	l.running = on
	for _, m := range l.meters {
		if on {
			m.Begin(at, true)
		} else {
			m.End(at)
		}
	}
	if !on {
		l.runs++
	}
}

func (l *loadTester) feed(m *loadtest.Meter, b *rules.BatteryInput, temp rules.Reading, out *rules.Output, i int) {
	if !b.VoltageV.OK() || !b.CurrentA.OK() || b.NegativeV.Faulty() {
		m.Forget()
		return
	}
	readings := rules.BatteryInput{VoltageV: b.OwnV(), CurrentA: b.CurrentA, TempC: temp}
	soc := rules.Estimate{Value: min(l.unit.SoCPct(i)+l.socErrorPct, 100), Sigma: 3, Known: true}
	if l.running {
		m.Run(out.At.Mono, &readings, soc)
	} else {
		m.Idle(out.At.Mono, &readings, soc)
	}
}

// loadTestDuty is a day of many lifts, with charge between the stops.
func loadTestDuty(sc *scenario.Scenario, tempC float64) {
	minutes := func(a, b float64) [2]time.Duration {
		return [2]time.Duration{time.Duration(a * float64(time.Minute)), time.Duration(b * float64(time.Minute))}
	}
	sc.Start = time.Date(2025, 3, 3, 5, 55, 0, 0, time.UTC)
	sc.Duty.Stops, sc.Duty.LiftsPerStop, sc.Duty.NudgesPerStop = [2]int{12, 12}, [2]int{3, 4}, [2]int{0, 1}
	sc.Duty.Up = [2]time.Duration{3 * time.Second, 5 * time.Second}
	sc.Duty.Drive, sc.Duty.Stay = minutes(8, 15), minutes(1, 5)
	sc.Weather = scenario.Weather{MeanC: tempC, DayC: 2, WarmestDay: 200}
}

// atTheirLimits gives all channels their class's errors, with signs by the bits of n.
func atTheirLimits(sc *scenario.Scenario, n int) {
	sign := func(bit int) float64 { return 1 - 2*float64(n>>bit&1) }
	sc.Sensors.Errors = nil
	for k, b := range sc.Bank.Batteries {
		sc.Sensors.Errors = append(sc.Sensors.Errors,
			scenario.SensorError{Channel: "voltage-" + b.ID, Offset: 0.010 * sign(k), GainPct: sign(k + 1), NoiseRMS: 0.002},
			scenario.SensorError{Channel: "current-" + b.ID, Offset: 0.2 * sign(k+2), GainPct: sign(k + 3), NoiseRMS: 0.1})
	}
}

// loadTestAgings are ways for battery b to come to 70 % of its rated capability; a is new. within
// is how far off the figure may be after 30 runs at one temperature, in %, the gains' 2 % included.
// The wanted figure is 5 %; the bounds beyond it are what this code was seen to give on these very
// cases, kept so that it gets no worse. They are no proof of accuracy.
//
// Since the simulated battery has a double layer, what is new reads up to 11 % low: a battery that its
// neighbor holds up at rest, and a layer that empties, look much alike. It errs to the careful side.
// Metal grown alone (corrosion) is what one temperature can't tell from the rest: in the warm it
// weighs as much as acid and counts for more than it takes from a cold start, so that it errs to the
// careful side; sulfate
// holds acid back and lowers the voltage to start from, which no step shows.
var loadTestAgings = []struct {
	name      string
	aging     scenario.Aging
	low, high float64
}{
	{"new", scenario.Aging{}, -11, 6.5},
	{"resistance", scenario.Aging{RaisedResistancePct: 64}, -18, 9},
	{"capacity", scenario.Aging{LostCapacityPct: 25}, -6, 6},
	{"sulfation", scenario.Aging{SulfationPct: 19}, -10, 14},
	{"mixed", scenario.Aging{LostCapacityPct: 13, RaisedResistancePct: 14, SulfationPct: 6.5}, -6.5, 11},
}

var loadTestRatings = []struct{ ah, cca float64 }{{100, 950}, {80, 500}, {70, 700}, {100, 1000}}

// Every motor run is a load test: after 30 runs the cold cranking capability is that of the virtual
// J537 test, within the class of the gains and what the ways to age leave open; at 70 % a battery
// is called tired, and a new one beside it never.
func TestLoadTestAgainstTheTruth(t *testing.T) {
	slowtest.Long(t)
	var all loadTestScore
	for c, chem := range []cell.Chemistry{cell.Flooded, cell.AGM, cell.Gel} {
		for k, tempC := range []float64{-20, 0, 25, 40} {
			for a := range loadTestAgings {
				sc := load(t, "healthy-day")
				sc.Seed = uint64(1 + c + 3*k + 12*a)
				rating := loadTestRatings[(c+k+a)%len(loadTestRatings)]
				for i := range sc.Bank.Batteries {
					b := &sc.Bank.Batteries[i]
					b.Chemistry, b.RatedAh, b.RatedCCA = chem, rating.ah, rating.cca
				}
				sc.Bank.Batteries[1].Aging = loadTestAgings[a].aging
				loadTestDuty(&sc, tempC)
				atTheirLimits(&sc, int(sc.Seed))
				l := newLoadTester(t, sc)
				l.socErrorPct = 3 - 6*float64(sc.Seed>>4&1)
				l.play(t, 30)
				name := fmt.Sprintf("%-8s %4.0f A %4.0f °C", chem, rating.cca, tempC)
				all.judge(t, l, 0, name, 0, rating.cca)
				all.judge(t, l, 1, name, a, rating.cca)
			}
		}
	}
	t.Logf("%d batteries: rms %.1f %%, within 5 %%: %d, in sigmas rms %.2f", all.n, math.Sqrt(all.squares/float64(all.n)),
		all.within5, math.Sqrt(all.sigmas/float64(all.n)))
	assert.Less(t, math.Sqrt(all.squares/float64(all.n)), 5.0)
	assert.InDelta(t, 0.75, math.Sqrt(all.sigmas/float64(all.n)), 0.3,
		"stated uncertainty: an honest one gives one or, with errors at the limit of a class, a little less")
}

type loadTestScore struct {
	n, within5      int
	squares, sigmas float64
}

// judge holds battery i against the truth.
func (s *loadTestScore) judge(t *testing.T, l *loadTester, i int, name string, aging int, ratedCCA float64) {
	t.Helper()
	amps, sigma, ok := known(l.meters[i].CrankingA())
	require.True(t, ok, name)
	mohm, mohmSigma, _ := known(l.meters[i].ResistanceMohm())
	runs := l.meters[i].Runs()
	truth := l.unit.Truth().Batteries[i]
	off := 100 * (amps/truth.CrankingA - 1)
	verdict, _ := new(loadtest.Judge).Step(&loadtest.Evidence{
		Runs: runs, Cranking: rules.Estimate{Value: amps / ratedCCA, Sigma: sigma / ratedCCA, Known: true},
		SoC: rules.Estimate{Value: 95, Sigma: 3, Known: true},
	})
	kind := loadTestAgings[aging]
	t.Logf("%s %-10s %3.0f %%: capability %+5.1f ±%.1f %%, resistance %+5.1f ±%.1f %%, %d runs: %v", name, kind.name,
		100*truth.CrankingA/ratedCCA, off, 100*sigma/amps,
		100*(mohm/truth.ResistanceMohm-1), 100*mohmSigma/mohm, runs, verdict)
	assert.True(t, off >= kind.low && off <= kind.high, "%s %s: %+.1f %%: want %g to %g", name, kind.name, off, kind.low,
		kind.high)
	want := loadtest.Tired
	if aging == 0 {
		want = loadtest.Fit
	}
	assert.Equal(t, want, verdict, "%s %s", name, kind.name)
	s.n++
	s.squares, s.sigmas = s.squares+off*off, s.sigmas+math.Pow(off/(100*sigma/amps), 2)
	if math.Abs(off) <= 5 {
		s.within5++
	}
}

// Beside a sound neighbor a battery with a dead cell gives nothing: it takes current even while the
// motor runs. The neighbor does all the work and is none the worse for it.
func TestLoadTestSeesADeadCell(t *testing.T) {
	sc := load(t, "healthy-day")
	sc.Bank.Batteries[1].Aging.ShortedCells = 1
	loadTestDuty(&sc, 15)
	l := newLoadTester(t, sc)
	l.play(t, 6)
	for i, want := range []loadtest.Verdict{loadtest.Unknown, loadtest.Failed} {
		taking := l.meters[i].TakingRuns()
		t.Logf("battery %d took current in %d runs", i, taking)
		verdict, _ := new(loadtest.Judge).Step(&loadtest.Evidence{TakingRuns: taking,
			SoC: rules.Estimate{Value: 90, Sigma: 10, Known: true}})
		assert.Equal(t, want, verdict)
	}
}
