// Package estimator is the suite that scores the charge over the library of scenarios, against two
// simple ways to tell it.
package estimator

import (
	"context"
	"fmt"
	"io"
	"slices"
	"text/tabwriter"
	"time"

	"liftbank/cmd/internal/score"
	"liftbank/cmd/internal/suite"
	"liftbank/cmd/internal/trial"
	"liftbank/cmd/scenariofile"
	"liftbank/rules"
)

// Suite is the suite.
var Suite = suite.Suite{
	Name: "estimator", About: "the library of scenarios: errors of charge, capability, links and leads",
	Flags: []string{"seeds", "only", "layout"}, Seeds: 3, Run: run,
}

const (
	// maxDays is the longest run of a scenario; our choice.
	maxDays = 8
	// minDays leaves two days to judge.
	minDays = 3
	// settleFor is left out of the scores: an estimator that was told nothing needs a rest or a
	// full charge first.
	settleFor = 24 * time.Hour
)

// Row is the result of one scenario over its seeds.
type Row struct {
	Scenario   string           `json:"scenario"`
	Runs       int              `json:"runs"`
	RMSPct     float64          `json:"soc_error_rms_pct"` // over batteries and seeds
	P95Pct     float64          `json:"soc_error_p95_pct"`
	MaxPct     float64          `json:"soc_error_max_pct"`
	TablePct   float64          `json:"table_rms_pct"`   // RMS of the terminal voltage through the table
	CountPct   float64          `json:"counted_rms_pct"` // RMS of counted charge limited to 0 to 100 %
	KnownPct   float64          `json:"known_pct"`       // share of the time with a known charge
	InBandPct  float64          `json:"within_two_sigma_pct"`
	Capability score.Capability `json:"cranking_capability"`
	Wiring     score.Wiring     `json:"wiring"`

	rms, counted []float64 // of each battery and seed
}

// Report is the result of the suite.
type Report struct {
	Rows       []Row            `json:"scenarios"`
	RMS        Distribution     `json:"soc_error_rms_pct"`
	Counted    Distribution     `json:"counted_rms_pct"`
	Capability score.Capability `json:"cranking_capability"`
	Wiring     score.Wiring     `json:"wiring"`
	jobs       int
}

// Distribution sums up a figure over all batteries and seeds.
type Distribution struct {
	Median float64 `json:"median"`
	P90    float64 `json:"p90"`
	RMS    float64 `json:"rms"`
}

func distributionOf(x []float64) Distribution {
	slices.Sort(x)
	return Distribution{score.Quantile(x, 0.5), score.Quantile(x, 0.9), score.RMS(x)}
}

// one is the result of one run.
type one struct {
	scenario           string
	said, table, count []score.Charge // by battery
	wiring             score.Wiring
	capability         score.Capability
}

func run(ctx context.Context, o suite.Options) (suite.Result, error) {
	names, err := o.Scenarios()
	if err != nil {
		return nil, err
	}
	runs, err := suite.Each(ctx, &o, len(names)*o.Seeds, func(ctx context.Context, k int) (*one, error) {
		return play(ctx, &o, names[k/o.Seeds], o.First+uint64(k%o.Seeds))
	})
	r := &Report{jobs: len(runs)}
	var all, counted []float64
	for _, name := range names {
		var of []*one
		for _, x := range runs {
			if x.scenario == name {
				of = append(of, x)
			}
		}
		if len(of) == 0 {
			continue
		}
		row := rowOf(name, of)
		r.Rows = append(r.Rows, row)
		r.Wiring.Merge(&row.Wiring)
		r.Capability.Merge(&row.Capability)
		all, counted = append(all, row.rms...), append(counted, row.counted...)
	}
	r.RMS, r.Counted = distributionOf(all), distributionOf(counted)
	return r, err
}

// play plays one scenario with one draw of sensor errors.
func play(ctx context.Context, o *suite.Options, name string, seed uint64) (*one, error) {
	sc, err := scenariofile.Load(name)
	if err != nil {
		return nil, err
	}
	sc.Seed += seed - 1
	o.Draw(&sc, seed)
	sc.Days = max(o.LibraryDays(sc.Days, maxDays), minDays)
	t, err := trial.New(sc, trial.Options{RestEvery: o.Step, TapPct: o.TapPct, Moved: o.Progress.Moved})
	if err != nil {
		return nil, err
	}
	n := len(sc.Bank.Batteries)
	x := &one{
		scenario: name, said: make([]score.Charge, n), table: make([]score.Charge, n), count: make([]score.Charge, n),
	}
	yard := newYardsticks(&sc)
	err = t.Play(ctx, sc.Length(), func(out *rules.Output) error {
		yard.step(out, t.Fast())
		if t.Fast() || out.At.Mono < settleFor {
			return nil
		}
		for i := range out.Battery {
			truth := t.Rig.Unit.SoCPct(i)
			x.said[i].Add(out.Battery[i].SoCPct, truth)
			x.table[i].Add(yard.tableSoC(i), truth)
			x.count[i].Add(yard.countedSoC(i), truth)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	x.wiring.Add(t.Core.Output(), t.Rig.Unit)
	x.capability.Add(t.Core.Output(), t.Rig.Unit)
	return x, nil
}

func rowOf(name string, runs []*one) Row {
	row := Row{Scenario: name, Runs: len(runs)}
	var said, table, count score.Charge
	for _, x := range runs {
		row.Wiring.Merge(&x.wiring)
		row.Capability.Merge(&x.capability)
		for i := range x.said {
			said.Merge(&x.said[i])
			table.Merge(&x.table[i])
			count.Merge(&x.count[i])
			if rms, known := x.said[i].RMS(); known {
				counted, _ := x.count[i].RMS()
				row.rms, row.counted = append(row.rms, rms), append(row.counted, counted)
			}
		}
	}
	s := said.Error()
	row.RMSPct, row.P95Pct, row.MaxPct = s.RMSPct, s.P95Pct, s.MaxPct
	row.KnownPct, row.InBandPct = s.KnownPct, s.InBandPct
	row.TablePct, row.CountPct = table.Error().RMSPct, count.Error().RMSPct
	return row
}

// Jobs returns the number of runs.
func (r *Report) Jobs() int { return r.jobs }

// Table writes a row for each scenario and the figures over the library.
func (r *Report) Table(w io.Writer) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "scenario\tRMS %\tp95 %\tmax %\ttable RMS %\tcounted RMS %\tknown %\tin 95 % band\t"+
		"capability worst %\tcapability RMS %\tlink worst mΩ\tof mΩ\tleads right/wrong/all\t")
	for _, x := range r.Rows {
		fmt.Fprintf(t, "%s\t%.1f\t%.1f\t%.1f\t%.1f\t%.1f\t%.0f\t%.0f\t%s\t%s\t\n", x.Scenario, x.RMSPct, x.P95Pct,
			x.MaxPct, x.TablePct, x.CountPct, x.KnownPct, x.InBandPct, x.Capability.Columns(), x.Wiring.Columns())
	}
	if err := t.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, "over the library: RMS median %.1f %%, 90th percentile %.1f %%; "+
		"counted charge: median %.1f %%, 90th percentile %.1f %%; RMS of all %.1f against %.1f %%\n%v\n%v\n",
		r.RMS.Median, r.RMS.P90, r.Counted.Median, r.Counted.P90, r.RMS.RMS, r.Counted.RMS, &r.Capability, &r.Wiring)
	return err
}
