package findings

import (
	"fmt"
	"io"
	"text/tabwriter"
	"time"

	"liftbank/cmd/internal/score"
)

// Jobs returns the number of runs.
func (r *Report) Jobs() int { return r.Runs }

// Table writes a row for each finding, and under it what was missed and what was false.
func (r *Report) Table(w io.Writer) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t,
		"finding\tcases\tfound %\traised\tfalse\tearly\tprecision %\troot first %\tp95 to detect\tp95 runs\tbound\t")
	var all Row
	for i := range r.Rows {
		x := &r.Rows[i]
		fmt.Fprintf(t, "%s\t%d\t%s\t%d\t%d\t%d\t%s\t%s\t%s\t%s\t%s\t\n", x.Finding, x.Cases, share(x.Found, x.Cases),
			x.Raised, x.False, x.Early, share(x.Raised-x.False, x.Raised), share(x.RootFirst, x.RootCases),
			delay(x), runs(x), x.Bound)
		all.Cases, all.Found, all.Raised = all.Cases+x.Cases, all.Found+x.Found, all.Raised+x.Raised
		all.False, all.Early = all.False+x.False, all.Early+x.Early
		all.RootCases, all.RootFirst = all.RootCases+x.RootCases, all.RootFirst+x.RootFirst
	}
	fmt.Fprintf(t, "all\t%d\t%s\t%d\t%d\t%d\t%s\t%s\t\t\t\t\n", all.Cases, share(all.Found, all.Cases), all.Raised,
		all.False, all.Early, share(all.Raised-all.False, all.Raised), share(all.RootFirst, all.RootCases))
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(w, "%d runs; %.1f unit-years without a fault\n", r.Runs, r.Healthy/365)
	s := &r.Sweep
	if s.Cases > 0 {
		fmt.Fprintf(w, "sensor sweep: %d faults, %s %% found as a sense fault, %d findings about anything else\n",
			s.Cases, share(s.Found, s.Cases), len(s.False))
	}
	if l := &r.Labels; l.Wrong > 0 {
		fmt.Fprintf(w, "wrong labels: %d batteries, %s %% told by label-mismatch within their run\n", l.Wrong, share(l.Named, l.Wrong))
	}
	if v := &r.Reverse; v.Cases > 0 {
		fmt.Fprintf(w, "batteries near reversal: %d, %s %% named before\n", v.Cases, share(v.Named, v.Cases))
	}
	for _, list := range []struct {
		what  string
		lines []string
	}{
		{"missed", r.Missed}, {"false", r.False}, {"early", r.Early}, {"root not first", r.NotRoot},
		{"sweep, not found", s.Silent}, {"sweep, false", s.False},
	} {
		for _, line := range list.lines {
			if _, err := fmt.Fprintf(w, "%s: %s\n", list.what, line); err != nil {
				return err
			}
		}
	}
	return nil
}

func share(part, all int) string {
	if all == 0 {
		return "-"
	}
	return fmt.Sprintf("%.1f", 100*float64(part)/float64(all))
}

func delay(x *Row) string {
	if len(x.Delays) == 0 {
		return "-"
	}
	return (time.Duration(score.P95(x.Delays)*10) * time.Second / 10).Round(time.Second / 10).String()
}

func runs(x *Row) string {
	if len(x.Runs) == 0 {
		return "-"
	}
	return fmt.Sprintf("%.0f", score.P95(x.Runs))
}
