package capability

import (
	"fmt"
	"io"
	"slices"
	"text/tabwriter"
	"time"

	"liftbank/cmd/internal/score"
)

// Report is the result of the suite.
type Report struct {
	Rows       []Row      `json:"rows"`
	Calls      Calls      `json:"calls"`
	BatteriesH float64    `json:"batteries_per_h"`
	Batteries  []*Battery `json:"batteries"`
	jobs       int
}

// Row is the errors of a group of batteries, in % of the true capability.
type Row struct {
	Group     string  `json:"group"`
	After     string  `json:"after"`
	Batteries int     `json:"batteries"` // with a known capability
	Unknown   int     `json:"unknown"`
	Min       float64 `json:"min_pct"`
	P5        float64 `json:"p5_pct"`
	Median    float64 `json:"median_pct"`
	P95       float64 `json:"p95_pct"`
	Max       float64 `json:"max_pct"`
	RMS       float64 `json:"rms_pct"`
	Within5   float64 `json:"within_5_pct"`     // share of the batteries, %
	Within10  float64 `json:"within_10_pct"`    // share of the batteries, %
	InBand    float64 `json:"within_two_sigma"` // share of the batteries, %
}

// Calls is how batteries were called, over the whole run.
type Calls struct {
	Weak       int `json:"weak"` // at 70 % of rated or less
	WeakCalled int `json:"weak_called"`
	Within30   int `json:"weak_called_within_30_runs"`
	WeakFit    int `json:"weak_called_fit"` // fit or fit-low, at any time
	Good       int `json:"good"`            // over 90 % of rated
	GoodCalled int `json:"good_called"`
}

func reportOf(units [][]*Battery, took time.Duration) *Report {
	r := &Report{jobs: len(units), Batteries: slices.Concat(units...)}
	r.BatteriesH = float64(len(r.Batteries)) / took.Hours()
	for p, when := range []string{"20 runs", "30 runs", "the end"} {
		for k := range kinds {
			r.group(kinds[k].name, when, p, func(b *Battery) bool { return b.Kind == kinds[k].name })
		}
		r.group("all", when, p, func(*Battery) bool { return true })
	}
	for _, band := range [][2]float64{{-20, -5}, {-5, 10}, {10, 25}, {25, 40}} {
		name := fmt.Sprintf("%g to %g °C", band[0], band[1])
		r.group(name, "20 runs", 0, func(b *Battery) bool { return b.TempC >= band[0] && b.TempC < band[1] })
	}
	for _, band := range [][2]float64{{0.01, 0.03}, {0.03, 0.08}, {0.08, 0.22}, {0.22, 0.6}} {
		name := fmt.Sprintf("layer of %g to %g s", band[0], band[1])
		of := func(b *Battery) bool { return b.LagS >= band[0] && b.LagS < band[1] }
		r.group(name, "20 runs", 0, of)
		r.group(name, "the end", points-1, of)
	}
	for _, b := range r.Batteries {
		r.Calls.add(b)
	}
	return r
}

func (c *Calls) add(b *Battery) {
	called := b.CalledAt > 0
	switch {
	case b.TrueShare <= 0.70 && b.At[1].Seen:
		c.Weak++
		if called {
			c.WeakCalled++
		}
		if called && b.CalledAt <= 30 {
			c.Within30++
		}
		if b.CalledFit {
			c.WeakFit++
		}
	case b.TrueShare > 0.9 && b.At[0].Seen:
		c.Good++
		if called {
			c.GoodCalled++
		}
	}
}

// group adds a row about some batteries at point p, if any was judged.
func (r *Report) group(name, when string, p int, of func(*Battery) bool) {
	row := Row{Group: name, After: when}
	var off []float64
	var within5, within10, inBand int
	for _, b := range r.Batteries {
		a := &b.At[p]
		switch {
		case !of(b) || !b.judged(p):
		case !a.Known:
			row.Unknown++
		default:
			off = append(off, a.OffPct)
			if a.within5() {
				within5++
			}
			if a.within10() {
				within10++
			}
			if a.inBand() {
				inBand++
			}
		}
	}
	if len(off) == 0 {
		return
	}
	slices.Sort(off)
	share := func(n int) float64 { return 100 * float64(n) / float64(len(off)) }
	row.Batteries, row.Min, row.Max, row.RMS = len(off), off[0], off[len(off)-1], score.RMS(off)
	row.P5, row.Median, row.P95 = score.Quantile(off, 0.05), score.Quantile(off, 0.5), score.Quantile(off, 0.95)
	row.Within5, row.Within10, row.InBand = share(within5), share(within10), share(inBand)
	r.Rows = append(r.Rows, row)
}

// Jobs returns the number of units.
func (r *Report) Jobs() int { return r.jobs }

// Table writes the errors by way of aging and by temperature, and how batteries were called.
func (r *Report) Table(w io.Writer) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t,
		"aging\tafter\tbatteries\tunknown\tmin %\tp5 %\tmedian %\tp95 %\tmax %\tRMS %\twithin 5 %\t"+
			"within 10 %\twithin 2 sigma\t")
	for _, x := range r.Rows {
		fmt.Fprintf(t, "%s\t%s\t%d\t%d\t%+.1f\t%+.1f\t%+.1f\t%+.1f\t%+.1f\t%.1f\t%.0f %%\t%.0f %%\t%.0f %%\t\n", x.Group,
			x.After, x.Batteries, x.Unknown, x.Min, x.P5, x.Median, x.P95, x.Max, x.RMS, x.Within5, x.Within10, x.InBand)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	c := &r.Calls
	_, err := fmt.Fprintf(w, "of %d at 70 %% of rated or less %d were called tired or failed, %d within 30 runs, "+
		"and %d ever fit; of %d over 90 %% %d were called; %.0f batteries an hour\n",
		c.Weak, c.WeakCalled, c.Within30, c.WeakFit, c.Good,
		c.GoodCalled, r.BatteriesH)
	return err
}
