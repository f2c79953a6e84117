package healthy

import (
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"text/tabwriter"
	"time"

	"liftbank/cmd/internal/score"
)

// Report is the result of the suite.
type Report struct {
	Units    []*Unit           `json:"units"`
	Years    float64           `json:"unit_years"`
	YearsH   float64           `json:"unit_years_per_h"`
	Judged   int               `json:"batteries_judged"`
	Runs     uint64            `json:"motor_runs"`
	Called   int               `json:"batteries_called"` // tired or failed
	InUnits  int               `json:"units_called"`
	Cranking score.Capability  `json:"cranking_capability"`
	Charge   score.ChargeError `json:"charge"`
	Findings []FindingRow      `json:"findings"`

	lowest, truth float64
	right, wrong  [2]int // pairs of leads: load, feed
}

// FindingRow is how often a finding was raised.
type FindingRow struct {
	Finding      string  `json:"finding"`
	Raised       int     `json:"raised"`
	False        int     `json:"false"`
	Units        int     `json:"units"` // in which it was raised
	FalsePerYear float64 `json:"false_per_unit_year"`
}

func reportOf(units []*Unit, took time.Duration) *Report {
	r := &Report{Units: units, lowest: math.Inf(1), truth: math.Inf(1)}
	var charge score.Charge
	rows := map[string]*FindingRow{}
	for _, u := range units {
		r.add(u)
		charge.Merge(&u.charge)
		for name, n := range u.Raised {
			if rows[name] == nil {
				rows[name] = &FindingRow{Finding: name}
			}
			rows[name].Raised += n
			rows[name].False += u.False[name]
			rows[name].Units++
		}
	}
	r.Charge, r.YearsH = charge.Error(), r.Years/took.Hours()
	for _, name := range slices.Sorted(maps.Keys(rows)) {
		rows[name].FalsePerYear = float64(rows[name].False) / r.Years
		r.Findings = append(r.Findings, *rows[name])
	}
	return r
}

func (r *Report) add(u *Unit) {
	r.Years += u.Days / days
	r.Runs += u.Runs
	for _, n := range u.Judged {
		if n >= score.MinRuns {
			r.Judged++
		}
	}
	r.Called += u.Tired + u.Failed
	if u.Tired+u.Failed > 0 {
		r.InUnits++
	}
	for k, l := range u.Leads {
		if u.sharers == 1 {
			continue
		}
		switch l {
		case Right:
			r.right[k]++
		case Wrong:
			r.wrong[k]++
		}
	}
	r.Cranking.Merge(&u.Cranking)
	r.lowest, r.truth = min(r.lowest, u.lowest()), min(r.truth, u.True)
}

// Jobs returns the number of units.
func (r *Report) Jobs() int { return len(r.Units) }

// Table writes what was said of healthy units, over all years.
func (r *Report) Table(w io.Writer) error {
	fmt.Fprintf(w, "%.1f unit-years of %d healthy units, %d batteries judged, %d motor runs\n", r.Years, len(r.Units),
		r.Judged, r.Runs)
	fmt.Fprintf(w, "batteries called tired or failed: %d, in %d units%s\n", r.Called, r.InUnits,
		upperBound(r.InUnits, r.Years))
	fmt.Fprintf(w, "lowest capability said: %.0f %% of rated; lowest true capability or capacity: %.0f %%\n%v\n",
		100*r.lowest, 100*r.truth, &r.Cranking)
	fmt.Fprintf(w,
		"charge: error %.1f %% RMS, known in %.0f %% of scans; leads known: load %d, wrong %d; feed %d, wrong %d\n",
		r.Charge.RMSPct, r.Charge.KnownPct, r.right[0]+r.wrong[0], r.wrong[0], r.right[1]+r.wrong[1], r.wrong[1])
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "finding\traised\tfalse\tin units\tfalse per unit-year\t")
	for _, f := range r.Findings {
		fmt.Fprintf(t, "%s\t%d\t%d\t%d\t%.3f\t\n", f.Finding, f.Raised, f.False, f.Units, f.FalsePerYear)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, "%.0f unit-years an hour\n", r.YearsH)
	return err
}

// upperBound returns the upper 95 % limit of a rate by the rule of three, if nothing was seen.
func upperBound(seen int, years float64) string {
	if seen > 0 || years <= 0 {
		return ""
	}
	return fmt.Sprintf(" (under %.3g a unit-year with 95 %% confidence)", 3/years)
}
