package trial

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"text/tabwriter"
	"time"

	"liftbank/cmd/scenariofile"
	"liftbank/rules"
	"liftbank/rules/leadacid"
	"liftbank/sim/scenario"
)

// Suite says how the library is run for the table of the estimator.
type Suite struct {
	Seeds   int     // runs of each scenario, each with its own sensor errors
	MaxDays float64 // longer scenarios are cut
	Workers int
	Only    []string       // scenario names; nil for all
	Match   *regexp.Regexp // of these, those whose name matches; nil for all
}

// settleFor is left out of the scores: an estimator that was told nothing needs a rest or a full charge first.
const settleFor = 24 * time.Hour

// Row is what one scenario gave over its seeds.
type Row struct {
	Scenario string
	RMSPct   float64 // of the charge, over batteries and seeds
	P95Pct   float64
	MaxPct   float64
	TablePct float64 // RMS of the terminal voltage through the table
	CountPct float64 // RMS of counted charge held to 0 to 100 %
	KnownPct float64 // share of the time with a charge said
	NEES     float64 // share of errors within 1.96 sigma, percent
	Runs     int
	Wiring   wiringTally
	Cranking crankingTally
	rms      []float64 // of each battery and seed
	counted  []float64
}

// RunSuite runs the library and gives a row a scenario, in the library's order. With an error it gives those that have ended, each over the
// seeds that have.
func RunSuite(ctx context.Context, s Suite) ([]Row, error) {
	names := s.names()
	if len(names) == 0 {
		return nil, errors.New("suite: no scenario matches")
	}
	scores := make([]suiteScore, len(names)*s.Seeds)
	ended, err := inParallel(ctx, s.Workers, len(scores), func(k int) (err error) {
		scores[k], err = runOne(ctx, names[k/s.Seeds], uint64(k%s.Seeds+1), s.MaxDays)
		return err
	})
	var rows []Row
	for i, name := range names {
		from, to := i*s.Seeds, (i+1)*s.Seeds
		if of := only(scores[from:to], ended[from:to]); len(of) > 0 {
			rows = append(rows, rowOf(name, of))
		}
	}
	return rows, err
}

// names gives the scenarios to run, in order.
func (s *Suite) names() (names []string) {
	all := s.Only
	if all == nil {
		for _, e := range scenariofile.Names() {
			all = append(all, e.Name)
		}
	}
	for _, name := range all {
		if s.Match == nil || s.Match.MatchString(name) {
			names = append(names, name)
		}
	}
	return names
}

// suiteScore is one run's tallies, by battery.
type suiteScore struct {
	n                  int
	said, table, count [rules.MaxBatteries]errorTally
	wiring             wiringTally
	cranking           crankingTally
}

// SensorClass is what the sensors may err by in the suite: ±10 mV, ±0.2 A, ±1 %; every sensor sits at a limit, its signs drawn by the
// seed.
func SensorClass(sc *scenario.Scenario, seed uint64) {
	draw := seed*0x9E3779B97F4A7C15 + 1
	sign := func() float64 {
		draw ^= draw << 13
		draw ^= draw >> 7
		draw ^= draw << 17
		if draw&(1<<40) != 0 {
			return 1
		}
		return -1
	}
	var errs []scenario.SensorError
	for _, b := range sc.Bank.Batteries {
		errs = append(errs,
			scenario.SensorError{Channel: "voltage-" + b.ID, Offset: 0.010 * sign(), NoiseRMS: 0.002},
			scenario.SensorError{Channel: "current-" + b.ID, Offset: 0.2 * sign(), GainPct: sign(), NoiseRMS: 0.1},
			scenario.SensorError{Channel: "temperature-" + b.ID, Offset: sign(), NoiseRMS: 0.1})
	}
	sc.Sensors.Errors = append(errs, scenario.SensorError{Channel: "feed", Offset: 0.010 * sign(), NoiseRMS: 0.002},
		scenario.SensorError{Channel: "motor", Offset: 0.010 * sign(), NoiseRMS: 0.002})
}

// runOne runs one scenario with one draw of sensor errors.
func runOne(ctx context.Context, name string, seed uint64, maxDays float64) (suiteScore, error) {
	var score suiteScore
	sc, err := scenariofile.Load(name)
	if err != nil {
		return score, err
	}
	sc.Seed += seed - 1
	SensorClass(&sc, seed)
	sc.Days = min(sc.Days, maxDays)
	// A day to settle in, then at least two to judge.
	days := max(sc.Days, 3)
	r, err := newRun(sc, Options{Days: days})
	if err != nil {
		return score, err
	}
	score.n = len(sc.Bank.Batteries)
	yard := newYardsticks(&sc)
	for end := Length(sc, days); r.rig.Clock.Now() < end; {
		out, err := r.core.Next(ctx)
		if err != nil {
			return score, fmt.Errorf("%s: %w", name, err)
		}
		yard.step(out, r.core.Scan().Fast)
		if r.core.Scan().Fast || out.At.Mono < settleFor {
			continue
		}
		for i := range out.Battery {
			truth := r.rig.Unit.SoCPct(i)
			score.said[i].add(out.Battery[i].SoCPct, truth)
			score.table[i].add(yard.tableSoC(i), truth)
			score.count[i].add(yard.countedSoC(i), truth)
		}
	}
	score.wiring.add(r.core.Output(), r.rig.Unit)
	score.cranking.add(r.core.Output(), r.rig.Unit)
	return score, nil
}

func rowOf(name string, scores []suiteScore) Row {
	row := Row{Scenario: name, Runs: len(scores)}
	var said, table, count errorTally
	var band float64
	for k := range scores {
		row.Wiring.merge(&scores[k].wiring)
		row.Cranking.merge(&scores[k].cranking)
		for i := range scores[k].n {
			s := &scores[k].said[i]
			said.merge(s)
			table.merge(&scores[k].table[i])
			count.merge(&scores[k].count[i])
			if s.known > 0 {
				row.rms = append(row.rms, math.Sqrt(s.sum2/float64(s.known)))
				row.counted = append(row.counted, math.Sqrt(scores[k].count[i].sum2/float64(max(scores[k].count[i].known, 1))))
			}
		}
	}
	if said.known > 0 {
		band = 100 * float64(said.inBand) / float64(said.known)
	}
	s, t, c := said.score(""), table.score(""), count.score("")
	row.RMSPct, row.P95Pct, row.MaxPct, row.KnownPct, row.NEES = s.RMSPct, s.P95Pct, s.MaxPct, s.KnownPct, round2(band)
	row.TablePct, row.CountPct = t.RMSPct, c.RMSPct
	return row
}

func (t *errorTally) merge(o *errorTally) {
	t.scans, t.known, t.inBand = t.scans+o.scans, t.known+o.known, t.inBand+o.inBand
	t.sum2, t.max = t.sum2+o.sum2, max(t.max, o.max)
	for i, n := range o.tenths {
		t.tenths[i] += n
	}
}

// yardsticks are the two simple ways that the estimator is measured against: the terminal voltage through the table, and counted
// charge held to 0 to 100 % that begins with what the table says.
type yardsticks struct {
	chem    []leadacid.Chemistry
	ratedAh []float64
	table   []float64
	counted []float64
	lastA   []float64
	last    time.Duration
	begun   bool
}

func newYardsticks(sc *scenario.Scenario) *yardsticks {
	y := &yardsticks{}
	for _, b := range sc.Bank.Batteries {
		chem, err := leadacid.ParseChemistry(string(b.Chemistry))
		if err != nil {
			panic("bug: scenario's chemistry: " + err.Error())
		}
		y.chem, y.ratedAh = append(y.chem, chem), append(y.ratedAh, b.RatedAh)
	}
	n := len(y.chem)
	y.table, y.counted, y.lastA = make([]float64, n), make([]float64, n), make([]float64, n)
	return y
}

func (y *yardsticks) step(out *rules.Output, fast bool) {
	dt := out.At.Mono - y.last
	for i := range y.chem {
		in := &out.Battery[i].In
		if in.VoltageV.OK() && !fast {
			soc, _ := leadacid.SoCFromRestedV(y.chem[i], in.VoltageV.Value)
			y.table[i] = min(max(soc, 0), 100)
		}
		if !y.begun {
			y.counted[i] = y.table[i]
		} else {
			y.counted[i] = min(max(y.counted[i]+100*y.lastA[i]*dt.Hours()/y.ratedAh[i], 0), 100)
		}
		y.lastA[i] = 0
		if in.CurrentA.OK() {
			y.lastA[i] = in.CurrentA.Value
		}
	}
	y.begun, y.last = true, out.At.Mono
}

func (y *yardsticks) tableSoC(i int) rules.Estimate {
	return rules.Estimate{Value: y.table[i], Known: true}
}
func (y *yardsticks) countedSoC(i int) rules.Estimate {
	return rules.Estimate{Value: y.counted[i], Known: true}
}

// WriteSuite prints the table, and under it the figures over the library.
func WriteSuite(w io.Writer, rows []Row) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "scenario\tRMS %\tp95 %\tmax %\ttable RMS %\tcounted RMS %\tknown %\tin 95 % band\t"+
		"capability worst %\tcapability RMS %\tlink worst mΩ\tof mΩ\tleads right/wrong/all\t")
	var all, counted []float64
	var wiring wiringTally
	var cranking crankingTally
	for _, r := range rows {
		fmt.Fprintf(t, "%s\t%.1f\t%.1f\t%.1f\t%.1f\t%.1f\t%.0f\t%.0f\t%s\t%s\t\n", r.Scenario, r.RMSPct, r.P95Pct, r.MaxPct, r.TablePct, r.CountPct, r.KnownPct, r.NEES,
			r.Cranking.columns(), r.Wiring.columns())
		wiring.merge(&r.Wiring)
		cranking.merge(&r.Cranking)
		all, counted = append(all, r.rms...), append(counted, r.counted...)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	slices.Sort(all)
	slices.Sort(counted)
	_, err := fmt.Fprintf(w, "over the library: RMS median %.1f %%, 90th percentile %.1f %%; counted charge: median %.1f %%, 90th percentile %.1f %%; RMS of all %.1f against %.1f %%\n",
		quantile(all, 0.5), quantile(all, 0.9), quantile(counted, 0.5), quantile(counted, 0.9), rootMeanSquare(all), rootMeanSquare(counted))
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(w, "%s\n%s\n", cranking.sentence(), wiring.sentence())
	return err
}

// quantile gives that of sorted numbers; 0 of none.
func quantile(sorted []float64, q float64) float64 {
	if len(sorted) == 0 {
		return 0
	}
	return sorted[min(int(q*float64(len(sorted))), len(sorted)-1)]
}

func rootMeanSquare(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return math.Sqrt(sum / float64(len(x)))
}
