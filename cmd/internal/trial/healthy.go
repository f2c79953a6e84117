package trial

import (
	"context"
	"fmt"
	"io"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"text/tabwriter"
	"time"

	"liftbank/rules"
	"liftbank/rules/loadtest"
	"liftbank/sim/cell"
	"liftbank/sim/scenario"
)

// Healthy says how years of sound units are played, to count what is said of them that is not so.
type Healthy struct {
	Years     int // unit-years; each is a unit of its own, drawn by its seed
	First     uint64
	Days      float64 // of one unit; 0: 365
	Workers   int
	RestEvery time.Duration     // between scans while the motor stands; 0: one second
	Fine      bool              // scans each second and ticks each second throughout, to check the coarse ones against
	Progress  func(HealthyUnit) // called after each unit, in no particular order, by one goroutine at a time; nil for none
}

// coarseRest is by how much rarer scans are while nothing happens, coarseTail how long they stay fast after a run: four times what is read.
const (
	coarseRest = 30 * time.Second
	coarseTail = 500 * time.Millisecond
)

// HealthyUnit is what one unit's year gave.
type HealthyUnit struct {
	Seed      uint64
	About     string // chemistry, ratings, climate and duty
	Days      float64
	Batteries int
	Runs      uint64
	Judged    [rules.MaxBatteries]uint32
	Tired     int // batteries that were called tired or failed at any time
	Failed    int
	FirstDay  float64           // of the first such verdict
	Last      []string          // verdict of each battery at the end
	Amps      []float64         // capability of each at the end
	Raised    map[string]int    // findings raised, by name
	Untrue    map[string]int    // of these, with nothing behind them in truth
	Lowest    float64           // capability over rated, of all batteries and times, once verdicts are given
	True      float64           // the lowest true capability over rated
	Cranking  crankingTally     // as of the end
	SoC       errorTally        // of all batteries
	LeadsTold [2]leadsSaid      // load, feed; as of the end
	When      map[string]string // first time and evidence of each untrue finding
}

// leadsSaid is what is said of a pair of leads: 0 nothing, 1 right, 2 wrong.
type leadsSaid uint8

// HealthyScenario draws a sound unit, its climate, its duty, its makers' spread and its sensors' errors from a seed.
//
// Sound is: no fault, leads diagonal, links and joints as new, capability and capacity within makers' spread (90 % of rated and more), stops enough
// to charge at. Sensors err by their class, ±10 mV, ±0.2 A and ±1 %, voltages' gains and negative taps too,
// every one at an end of it.
func HealthyScenario(seed uint64) (scenario.Scenario, string) {
	d := rand.New(rand.NewPCG(seed, 0x6865616c))
	from := func(a, b float64) float64 { return a + (b-a)*d.Float64() }
	seconds := func(a, b float64) [2]time.Duration {
		return [2]time.Duration{time.Duration(a * float64(time.Second)), time.Duration(b * float64(time.Second))}
	}
	sc := scenario.Default()
	sc.Name, sc.Seed, sc.Days = fmt.Sprintf("healthy-%d", seed), seed, 365
	sc.Start = time.Date(2025, 1, 1, 5, 0, 0, 0, time.UTC).AddDate(0, 0, d.IntN(365))

	chemistry := []cell.Chemistry{cell.Flooded, cell.AGM, cell.Gel}[d.IntN(3)]
	rating := []struct{ ah, cca float64 }{{60, 540}, {70, 700}, {80, 500}, {90, 750}, {100, 950}, {110, 850}, {100, 800}, {75, 600}}[d.IntN(8)]
	n := []int{1, 2, 2, 2, 2, 3, 4}[d.IntN(7)]
	sc.Bank.Batteries = nil
	for k := range n {
		sc.Bank.Batteries = append(sc.Bank.Batteries, scenario.Battery{
			ID: string(rune('a' + k)), Chemistry: chemistry, RatedAh: rating.ah, RatedCCA: rating.cca, SoCPct: from(85, 100),
			Ageing: scenario.Ageing{LostCapacityPct: from(0, 5), RaisedResistancePct: from(0, 5), SulphationPct: from(0, 1)},
		})
	}
	link, w := from(0.2, 0.8), &sc.Bank.Wiring
	w.PositiveLinkMohm, w.NegativeLinkMohm = slices.Repeat([]float64{link}, n-1), slices.Repeat([]float64{link}, n-1)
	w.PositivePostMohm, w.NegativePostMohm = slices.Repeat([]float64{0.1}, n), slices.Repeat([]float64{0.1}, n)
	last := sc.Bank.Batteries[n-1].ID
	w.FeedLeads.PositiveAt, w.FeedLeads.NegativeAt = "a", last
	w.LoadLeads.PositiveAt, w.LoadLeads.NegativeAt = "a", last
	// A small bank carries a small motor.
	share := min(1, float64(n)*rating.cca/1300)
	sc.Motor.RunA, sc.Motor.ReliefA, sc.Motor.BreakerA = 120*share, 160*share, 150*share
	sc.Motor.ResistanceMohm = 26 / share
	if chemistry == cell.Gel {
		sc.Feed.AbsorptionV = 14.2
	}
	climate := []struct {
		name                      string
		mean, season, day, spells float64
	}{{"mild", 12, 10, 5, 3}, {"cold", 2, 16, 6, 6}, {"arctic", -5, 18, 6, 6}, {"hot", 26, 9, 8, 4}, {"tropical", 28, 3, 5, 2}}[d.IntN(5)]
	sc.Weather.MeanC, sc.Weather.SeasonC, sc.Weather.DayC, sc.Weather.SpellC = climate.mean, climate.season, climate.day, climate.spells

	stops := [][2]int{{2, 4}, {4, 8}, {8, 12}}[d.IntN(3)]
	sc.Duty.Stops = stops
	// Lifts are short, for speed: a run's first 200 ms and its last 120 ms are what is read. Some of those who lift seldom are of full length.
	up := [][2]float64{{1, 1.6}, {1, 1.6}, {1.5, 4}, {8, 14}}[d.IntN(4)]
	if up[0] >= 8 && stops[0] > 2 {
		up = [2]float64{1, 1.6}
	}
	sc.Duty.Up = seconds(up[0], up[1])
	sc.Duty.EngineAtStops = d.IntN(6) == 0
	SensorClass(&sc, seed)
	gainsAtLimits(&sc, d)
	drive := [][2]float64{{5, 15}, {10, 30}, {20, 45}, {45, 90}}[d.IntN(4)]
	sc.Duty.Drive = seconds(60*drive[0], 60*drive[1])
	about := fmt.Sprintf("%d x %s %g Ah %g A, %s, %d to %d stops a day, drives of %g to %g min, lifts of %g to %g s", n, chemistry, rating.ah, rating.cca, climate.name,
		stops[0], stops[1], drive[0], drive[1], up[0], up[1])
	if sc.Duty.EngineAtStops {
		about += ", engine on at stops"
	}
	return sc, about
}

// upsets are what the agent of a sound unit bears besides: power lost every few days for a minute or some hours, in half of the units; four times
// a year a wall clock that is an hour or days wrong for some hours, and twice one that is not set; and readings that fail for some minutes, one
// chip's or all, four times each.
func upsets(sc *scenario.Scenario, seed uint64) (Restarts, []ClockJump) {
	d := rand.New(rand.NewPCG(seed, 0x7570736574))
	between := func(a, b time.Duration) time.Duration { return a + time.Duration(d.Int64N(int64(b-a))) }
	day := 24 * time.Hour
	sometime := func() time.Duration { return between(day, sc.Length()-day) }
	var cuts Restarts
	if d.IntN(2) == 0 {
		cuts = Restarts{Every: between(day, 20*day), Off: []time.Duration{time.Minute, between(time.Minute, 20*time.Minute), between(20*time.Minute, 6*time.Hour)}[d.IntN(3)]}
	}
	if sc.Length() <= 3*day {
		return cuts, nil
	}
	var jumps []ClockJump
	for _, by := range []time.Duration{-time.Hour, time.Hour, -2 * day, 3 * day} {
		jumps = append(jumps, ClockJump{At: sometime(), For: between(time.Hour, 12*time.Hour), By: by})
	}
	fault := func(kind string, atMost time.Duration) {
		sc.Sensors.Faults = append(sc.Sensors.Faults, scenario.SensorFault{Kind: kind, At: sometime(), For: between(atMost/20, atMost)})
	}
	for range 2 {
		fault("clock-unset", day)
	}
	for range 4 {
		fault("bus-stuck", time.Hour)
		fault("chip-silent", time.Hour)
	}
	return cuts, jumps
}

// gainsAtLimits adds to SensorClass the gains of all voltages, and the negative taps' errors.
func gainsAtLimits(sc *scenario.Scenario, d *rand.Rand) {
	sign := func() float64 { return float64(d.IntN(2)*2 - 1) }
	for i := range sc.Sensors.Errors {
		e := &sc.Sensors.Errors[i]
		switch quantity, _, _ := scenario.SplitChannel(e.Channel); quantity {
		case "voltage", "feed", "motor":
			e.GainPct = sign()
		}
	}
	for _, b := range sc.Bank.Batteries[1:] { // the first is the board's ground
		sc.Sensors.Errors = append(sc.Sensors.Errors, scenario.SensorError{Channel: "negative-" + b.ID, Offset: 0.010 * sign(), GainPct: sign(), NoiseRMS: 0.0005})
	}
}

// RunHealthy plays the years and gives a unit each, by seed. With an error it gives those that have ended.
func RunHealthy(ctx context.Context, h Healthy) ([]HealthyUnit, error) {
	units := make([]HealthyUnit, h.Years)
	var progress sync.Mutex
	ended, err := inParallel(ctx, h.Workers, h.Years, func(k int) (err error) {
		units[k], err = runHealthy(ctx, h, h.First+uint64(k))
		if h.Progress != nil && err == nil {
			progress.Lock()
			defer progress.Unlock()
			h.Progress(units[k])
		}
		return err
	})
	return only(units, ended), err
}

func runHealthy(ctx context.Context, h Healthy, seed uint64) (HealthyUnit, error) {
	sc, about := HealthyScenario(seed)
	if h.Days > 0 {
		sc.Days = h.Days
	}
	o := Options{Coarse: coarseRest, RestEvery: h.RestEvery}
	o.Restarts, o.Jumps = upsets(&sc, seed)
	if o.Restarts.Every > 0 {
		about += fmt.Sprintf(", no power every %v for %v", o.Restarts.Every.Round(time.Minute), o.Restarts.Off.Round(time.Second))
	}
	if h.Fine {
		o.Coarse = 0
	}
	u := HealthyUnit{Seed: seed, About: about, Days: sc.Days, Batteries: len(sc.Bank.Batteries), Lowest: math.Inf(1), True: math.Inf(1),
		Raised: map[string]int{}, Untrue: map[string]int{}, When: map[string]string{}}
	r, err := newRun(sc, o)
	if err != nil {
		return u, err
	}
	var worst [rules.MaxBatteries]loadtest.Verdict
	for end := sc.Length(); r.rig.Clock.Now() < end; {
		out, err := r.next(ctx)
		if err != nil {
			return u, fmt.Errorf("%s: %w", sc.Name, err)
		}
		if err := r.compare(out); err != nil {
			return u, err
		}
		u.follow(r, out, &worst, &sc)
	}
	u.finish(r, &sc, &worst)
	return u, nil
}

// follow takes one step's verdicts and events.
func (u *HealthyUnit) follow(r *run, out *rules.Output, worst *[rules.MaxBatteries]loadtest.Verdict, sc *scenario.Scenario) {
	for _, ev := range out.Events {
		if ev.Kind != rules.FindingRaised {
			continue
		}
		u.Raised[out.Findings[ev.Finding].Def.Name]++
	}
	for k := range out.Battery {
		b := &out.Battery[k]
		if b.Verdict == loadtest.Unknown {
			continue
		}
		if b.CrankingA.Known {
			u.Lowest = min(u.Lowest, b.CrankingA.Value/sc.Bank.Batteries[k].RatedCCA)
		}
		if b.Verdict >= loadtest.Tired && u.FirstDay == 0 {
			u.FirstDay = out.At.Mono.Hours() / 24
		}
		if b.Verdict >= loadtest.Tired {
			worst[k] = max(worst[k], b.Verdict)
		}
	}
	for _, f := range r.report.False {
		at := time.Duration(f.DetectedS * float64(time.Second))
		if u.When[f.Finding] == "" {
			u.When[f.Finding] = fmt.Sprintf("%s %s on day %.2f%s", f.Finding, f.Subject, at.Hours()/24, f.Evidence)
		}
		u.Untrue[f.Finding]++
	}
	r.report.False = r.report.False[:0]
}

func (u *HealthyUnit) finish(r *run, sc *scenario.Scenario, worst *[rules.MaxBatteries]loadtest.Verdict) {
	out := r.core.Output()
	u.Runs = out.Motor.Runs
	for k, truth := range r.rig.Unit.Truth().Batteries {
		u.True = min(u.True, truth.CrankingA/sc.Bank.Batteries[k].RatedCCA, truth.CapacityAh/sc.Bank.Batteries[k].RatedAh)
		u.SoC.merge(&r.errs[k])
		u.Judged[k] = out.Battery[k].RunsJudged
		u.Last = append(u.Last, out.Battery[k].Verdict.String())
		u.Amps = append(u.Amps, out.Battery[k].CrankingA.Value)
		switch worst[k] {
		case loadtest.Tired:
			u.Tired++
		case loadtest.Failed:
			u.Failed++
		}
	}
	u.Cranking.add(out, r.rig.Unit)
	var w wiringTally
	w.lead(out.Bank.LoadLeads, r.rig.Unit.Wiring().LoadPositive, r.rig.Unit.Wiring().LoadNegative, u.Batteries)
	u.LeadsTold[0] = leadsSaid(w.right + 2*w.wrong)
	w = wiringTally{}
	w.lead(out.Bank.FeedLeads, r.rig.Unit.Wiring().FeedPositive, r.rig.Unit.Wiring().FeedNegative, u.Batteries)
	u.LeadsTold[1] = leadsSaid(w.right + 2*w.wrong)
}

// Sentence says what one unit's year gave.
func (u *HealthyUnit) Sentence() string {
	text := fmt.Sprintf("unit %d (%s): %d runs, verdicts at the end %v, lowest capability said %.0f %% of rated (true %.0f %%)",
		u.Seed, u.About, u.Runs, u.Last, 100*u.Lowest, 100*u.True)
	if u.Tired+u.Failed > 0 {
		text += fmt.Sprintf("; CALLED tired %d, failed %d, first on day %.1f", u.Tired, u.Failed, u.FirstDay)
	}
	for k, side := range []string{"load", "feed"} {
		if u.Batteries > 1 && u.LeadsTold[k] == 2 {
			text += "; " + side + " leads told WRONG"
		}
	}
	for _, name := range slices.Sorted(maps.Keys(u.When)) {
		text += "; not so: " + u.When[name]
	}
	return text
}

// WriteHealthy prints what was said of sound units, over all years, with the real time that it took.
func WriteHealthy(w io.Writer, units []HealthyUnit, took time.Duration) error {
	var years float64
	var runs uint64
	var judged, called, calledUnits int
	var said, leads [2]int
	var cranking crankingTally
	var charge errorTally
	lowest, truth := math.Inf(1), math.Inf(1)
	raised, untrue, inUnits := map[string]int{}, map[string]int{}, map[string]int{}
	for i := range units {
		u := &units[i]
		years += u.Days / 365
		runs += u.Runs
		for k := range u.Batteries {
			if u.Judged[k] >= crankingRuns {
				judged++
			}
		}
		called += u.Tired + u.Failed
		if u.Tired+u.Failed > 0 {
			calledUnits++
		}
		for k, l := range u.LeadsTold {
			if u.Batteries > 1 {
				said[k] += int(min(l, 1)) // right or wrong
				leads[k] += int(l / 2)
			}
		}
		cranking.merge(&u.Cranking)
		charge.merge(&u.SoC)
		lowest, truth = min(lowest, u.Lowest), min(truth, u.True)
		for name, n := range u.Raised {
			raised[name] += n
			inUnits[name]++
		}
		for name, n := range u.Untrue {
			untrue[name] += n
		}
	}
	fmt.Fprintf(w, "%.1f unit-years of %d sound units, %d batteries judged, %d motor runs\n", years, len(units), judged, runs)
	fmt.Fprintf(w, "batteries called tired or failed: %d, in %d units%s\n", called, calledUnits, upperBound(calledUnits, years))
	fmt.Fprintf(w, "lowest capability said: %.0f %% of rated; lowest true capability or capacity: %.0f %%\n%s\n", 100*lowest, 100*truth, cranking.sentence())
	s := charge.score("")
	fmt.Fprintf(w, "charge: error %.1f %% RMS, said in %.0f %% of scans; leads told: load %d, wrong %d; feed %d, wrong %d\n", s.RMSPct, s.KnownPct, said[0], leads[0], said[1], leads[1])
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "finding\traised\tnot so\tin units\tnot so per unit-year\t")
	for _, name := range slices.Sorted(maps.Keys(raised)) {
		fmt.Fprintf(t, "%s\t%d\t%d\t%d\t%.3f\t\n", name, raised[name], untrue[name], inUnits[name], float64(untrue[name])/years)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	if took <= 0 {
		return nil
	}
	_, err := fmt.Fprintf(w, "%.0f unit-years an hour\n", years/took.Hours())
	return err
}

// upperBound gives the upper 95 % bound of a rate by the rule of three, where nothing was seen.
func upperBound(seen int, years float64) string {
	if seen > 0 || years <= 0 {
		return ""
	}
	return fmt.Sprintf(" (under %.3g a unit-year with 95 %% confidence)", 3/years)
}
