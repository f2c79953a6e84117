package trial

import (
	"fmt"
	"io"
	"text/tabwriter"
	"time"
)

// WriteFindings prints the table of the findings, and under it what was missed and what was false.
func WriteFindings(w io.Writer, rep *FindingsReport) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "finding\tcases\tfound %\traised\tfalse\tearly\tprecision %\troot first %\tp95 to detect\tp95 runs\tbound\t")
	var cases, found, raised, wrong, early, roots, first int
	for i := range rep.Rows {
		r := &rep.Rows[i]
		fmt.Fprintf(t, "%s\t%d\t%s\t%d\t%d\t%d\t%s\t%s\t%s\t%s\t%s\t\n", r.Finding, r.Cases, share(r.Found, r.Cases), r.Raised, r.False, r.Early,
			share(r.Raised-r.False, r.Raised), share(r.RootFirst, r.RootCases), lasting(r), runsTo(r), boundOf(r))
		cases, found, raised, wrong = cases+r.Cases, found+r.Found, raised+r.Raised, wrong+r.False
		early += r.Early
		roots, first = roots+r.RootCases, first+r.RootFirst
	}
	fmt.Fprintf(t, "all\t%d\t%s\t%d\t%d\t%d\t%s\t%s\t\t\t\t\n", cases, share(found, cases), raised, wrong, early, share(raised-wrong, raised), share(first, roots))
	if err := t.Flush(); err != nil {
		return err
	}
	s := &rep.Sweep
	if _, err := fmt.Fprintf(w, "%d runs; %.1f unit-years without a fault\n", rep.Runs, rep.Healthy/365); err != nil {
		return err
	}
	if s.Cases > 0 {
		fmt.Fprintf(w, "sensor sweep: %d faults, %s %% told as a sense fault, %d findings about anything else\n", s.Cases, share(s.Told, s.Cases), len(s.False))
	}
	for _, list := range []struct {
		what  string
		lines []string
	}{{"missed", rep.Missed}, {"false", rep.False}, {"early", rep.Early}, {"root not first", rep.NotRoot}, {"sweep, not told", s.Silent}, {"sweep, false", s.False}} {
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

func lasting(r *FindingRow) string {
	if len(r.Delays) == 0 {
		return "-"
	}
	return (time.Duration(p95(r.Delays)*10) * time.Second / 10).Round(time.Second / 10).String()
}

func runsTo(r *FindingRow) string {
	if len(r.Runs) == 0 {
		return "-"
	}
	return fmt.Sprintf("%.0f", p95(r.Runs))
}

// boundOf says whether the bound is kept.
func boundOf(r *FindingRow) string {
	b, ok := bounds[r.Finding]
	if !ok || len(r.Delays) == 0 {
		return "-"
	}
	word, kept := fmt.Sprint(b.within), p95(r.Delays) <= b.within.Seconds()
	if b.wake {
		word += " of wake line"
	}
	if b.runs > 0 {
		word, kept = fmt.Sprintf("%.0f runs", b.runs), p95(r.Runs) <= b.runs
	}
	if kept {
		return word + " kept"
	}
	return word + " MISSED"
}
