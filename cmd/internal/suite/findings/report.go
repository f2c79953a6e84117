package findings

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"liftbank/cmd/internal/score"
	"liftbank/sim/scenario"
)

// Report is the result of the suite.
type Report struct {
	Rows    []Row    `json:"findings"`
	Runs    int      `json:"runs"`
	Healthy float64  `json:"unit_days_without_a_fault"`
	Missed  []string `json:"missed"` // scenario, seed and finding
	False   []string `json:"false"`
	Early   []string `json:"early"`
	NotRoot []string `json:"root_not_first"`
	Sweep   Sweep    `json:"sweep"`
	Labels  Labels   `json:"labels"`
	Reverse Reverse  `json:"reversals"`
}

// Reverse is how many batteries in series came near reversal, and how many of them had been named before:
// as behind the other, tired or failed.
type Reverse struct {
	Cases int `json:"cases"`
	Named int `json:"named_before"`
}

func (r *Reverse) add(x *result) {
	for i := range x.Spans {
		near := &x.Spans[i]
		if near.Finding != "near-reversal" || slices.ContainsFunc(x.Spans[:i], func(s score.Span) bool {
			return s.Finding == near.Finding && s.Subject == near.Subject
		}) {
			continue
		}
		r.Cases++
		if slices.ContainsFunc(x.Raises, func(s score.Raise) bool {
			names := []string{"blocks-unequal", "battery-tired", "battery-failed"}
			return slices.Contains(names, s.Finding) && s.Subject == near.Subject && s.From < near.From
		}) {
			r.Named++
		}
	}
}

// Labels is how many batteries of another chemistry than the configuration says were told so by the end
// of their run. No bound is held: it takes rests both full and deeply discharged, and good taps.
type Labels struct {
	Wrong int `json:"wrong"`
	Named int `json:"named"`
}

func (l *Labels) add(x *result) {
	for i := range x.sc.Bank.Batteries {
		b := &x.sc.Bank.Batteries[i]
		if b.Label() == b.Chemistry {
			continue
		}
		l.Wrong++
		if slices.ContainsFunc(x.Raises, func(r score.Raise) bool {
			return r.Finding == "label-mismatch" && r.Subject == score.BatteryIDs(&x.sc)[i]
		}) {
			l.Named++
		}
	}
}

// Row is the result of one finding.
type Row struct {
	Finding   string    `json:"finding"`
	Cases     int       `json:"cases"` // scenario and seed in which it was expected and true
	Found     int       `json:"found"`
	Raised    int       `json:"raised"`      // over all scenarios
	False     int       `json:"false"`       // with no condition behind them
	Early     int       `json:"early"`       // before the condition became true, which it did while they were active
	RootCases int       `json:"root_cases"`  // cases in which it is the root cause and was found
	RootFirst int       `json:"root_first"`  // of these, with it or another root of the same story shown first
	Delays    []float64 `json:"delays_s"`    // from onset to detection, of each case
	Runs      []float64 `json:"delays_runs"` // the same in motor runs
	Bound     string    `json:"bound"`       // and whether it was kept
	held      []float64 // delays that the bound is about
}

// Sweep is the result of the faults of single channels on a healthy unit.
type Sweep struct {
	Cases  int      `json:"cases"`
	Found  int      `json:"found"`     // faults for which a sense-fault was raised
	Silent []string `json:"not_found"` // those without
	False  []string `json:"false"`     // findings about anything but sensors
}

func newReport() *Report {
	r := &Report{Missed: []string{}, False: []string{}, Early: []string{}, NotRoot: []string{}}
	for _, name := range scenario.Findings {
		r.Rows = append(r.Rows, Row{Finding: name, Bound: "-"})
	}
	return r
}

func (r *Report) row(name string) *Row {
	k := slices.IndexFunc(r.Rows, func(x Row) bool { return x.Finding == name })
	if k < 0 {
		k = len(r.Rows)
		r.Rows = append(r.Rows, Row{Finding: name, Bound: "-"})
	}
	return &r.Rows[k]
}

// add adds one run.
func (r *Report) add(x *result) {
	r.Runs++
	r.Labels.add(x)
	where := fmt.Sprintf("%s seed %d", x.name, x.seed)
	for k := range x.Raises {
		r.addRaise(where, x, &x.Raises[k])
	}
	if x.sweep {
		r.Sweep.add(where, x)
		return
	}
	r.Reverse.add(x)
	if len(x.sc.Expect) == 0 && len(x.sc.Faults) == 0 {
		r.Healthy += x.length.Hours() / 24
	}
	for _, name := range x.sc.Expect {
		r.addExpected(where, name, x)
	}
}

// addRaise adds one raise. One about a condition too near its limit to tell counts where the condition
// was or became true: it is neither false nor early.
func (r *Report) addRaise(where string, x *result, raise *score.Raise) {
	ok, early := x.True(raise)
	if raise.Doubtful && !ok {
		return
	}
	row := r.row(raise.Finding)
	row.Raised++
	line := fmt.Sprintf("%s: %s %s at %s%s", where, raise.Finding, raise.Subject, raise.From.Round(time.Second),
		raise.Evidence)
	switch {
	case ok && early > score.Linger && !raise.Doubtful && !x.sweep:
		row.Early++
		r.Early = append(r.Early, fmt.Sprintf("%s, by %s", line, early.Round(time.Minute)))
	case ok:
	case !x.sweep:
		row.False++
		r.False = append(r.False, line)
	case raise.Finding != "sense-fault" && raise.Finding != "middle-tap-open":
		r.Sweep.False = append(r.Sweep.False, line)
	}
}

func (s *Sweep) add(where string, x *result) {
	s.Cases++
	found := slices.ContainsFunc(x.Spans, func(s score.Span) bool { return s.Finding == "sense-fault" && s.Found >= 0 }) ||
		slices.ContainsFunc(x.Raises, func(s score.Raise) bool { return s.Finding == "middle-tap-open" && (s.Behind || s.Doubtful) })
	if found {
		s.Found++
	} else {
		s.Silent = append(s.Silent, where)
	}
}

// addExpected scores one expected finding of one run. Of several spans or subjects the first is
// timed. One found is found.
func (r *Report) addExpected(where, name string, x *result) {
	row := r.row(name)
	var timed *score.Span
	found := false
	for k := range x.Spans {
		s := &x.Spans[k]
		if s.Finding != name || s.To-s.From <= bounds[name].within {
			continue // not long enough to have been found
		}
		if timed == nil || timed.Found < 0 && s.Found >= 0 {
			timed = s
		}
		found = found || s.Found >= 0
	}
	if timed == nil {
		return // the story, cut short, has not come to it
	}
	row.Cases++
	if !found {
		r.Missed = append(r.Missed, fmt.Sprintf("%s: %s %s from %s to %s",
			where, name, timed.Subject, timed.From.Round(time.Second), timed.To.Round(time.Second)))
		return
	}
	row.Found++
	delay := timed.Found - timed.From
	if bounds[name].wake {
		delay = timed.FoundWake - timed.FromWake
	}
	row.Delays = append(row.Delays, delay.Seconds())
	if strings.Contains(x.name, bounds[name].of) {
		row.held = append(row.held, delay.Seconds())
	}
	row.Runs = append(row.Runs, float64(timed.FoundRuns-timed.FromRuns))
	row.Bound = row.bound()
	if is, looked := x.first[name]; looked {
		row.RootCases++
		if is.root {
			row.RootFirst++
		} else {
			r.NotRoot = append(r.NotRoot, fmt.Sprintf("%s: %s, and %s is shown first", where, name, is.shown))
		}
	}
}

// bound is what a finding's detection is held to: a time, or motor runs.
type bound struct {
	within time.Duration
	runs   float64
	wake   bool   // only time with the wake line on counts: without it there is nothing to be seen
	of     string // the bound is about scenarios with this in their names alone
}

// bounds of the time to detect, 95th percentile. Findings not named have none.
var bounds = map[string]bound{
	"series-wired": {within: 10 * time.Second}, "motor-stuck": {within: 10 * time.Second},
	"feed-high": {within: 10 * time.Second},
	"feed-lost": {within: 10 * time.Minute, wake: true}, "motor-dead": {within: 10 * time.Minute},
	"link-resistive": {runs: 10}, "motor-drop": {runs: 10}, "battery-tired": {runs: 30},
	"feed-low": {within: 7 * 24 * time.Hour}, "wake-missing": {within: 24 * time.Hour},
	"bank-flat":    {within: 24 * time.Hour},
	"control-dead": {within: 10 * time.Minute}, "indicator-dead": {runs: 20}, "relief-off": {runs: 20},
	"share-uneven": {within: 7 * 24 * time.Hour},

	"parallel-wired": {within: time.Minute}, "feed-mismatch": {within: time.Minute}, "near-reversal": {within: 10 * time.Second},
	"middle-tap-open": {within: 10 * time.Minute}, "blocks-unequal": {within: 7 * 24 * time.Hour, of: "tap-load"},
}

// quick: findings with a bound of at most this are timed at one scan a second, whatever is asked
// for.
const quick = 10 * time.Second

// bound returns the bound of a finding and whether it was kept.
func (x *Row) bound() string {
	b, ok := bounds[x.Finding]
	if !ok || len(x.held) == 0 {
		return "-"
	}
	word, kept := fmt.Sprint(b.within), score.P95(x.held) <= b.within.Seconds()
	if b.of != "" {
		word += " of " + b.of
	}
	if b.wake {
		word += " of wake line"
	}
	if b.runs > 0 {
		word, kept = fmt.Sprintf("%.0f runs", b.runs), score.P95(x.Runs) <= b.runs
	}
	if kept {
		return word + " kept"
	}
	return word + " MISSED"
}
