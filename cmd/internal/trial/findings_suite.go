package trial

import (
	"context"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"liftbank/cmd/scenariofile"
	"liftbank/rules"
	"liftbank/rules/finding"
	"liftbank/sim/scenario"
)

// FindingsSuite says how the library is run for the table of the findings.
type FindingsSuite struct {
	Seeds     int     // runs of each scenario, each with its own duty, weather and sensor errors
	MaxDays   float64 // longer scenarios are cut; 0: none
	Workers   int
	RestEvery time.Duration  // between scans at rest
	Only      []string       // scenario names; nil for all
	Match     *regexp.Regexp // of these, those whose name matches; nil for all
	Sweep     bool           // also every fault of every channel on a sound unit
	Progress  func(done, all int)
}

// FindingRow is what the suite gave for one finding.
type FindingRow struct {
	Finding   string
	Cases     int // scenario, seed and subject in which it was expected and true
	Found     int
	Raised    int // how often it was raised, over all scenarios
	False     int // with nothing behind it
	Early     int // before the condition was so, which it then became while the finding stood
	RootCases int // cases in which it is the root cause and was found
	RootFirst int // it, or another root of the same story, stood first then
	Delays    []float64
	Runs      []float64 // motor runs from onset to detection
}

// FindingsReport is what the suite gave.
type FindingsReport struct {
	Rows    []FindingRow
	Missed  []string // scenario, seed and finding
	False   []string
	Early   []string
	NotRoot []string
	Healthy float64 // unit-days without a fault in them
	Sweep   SweepReport
	Runs    int
}

// SweepReport is what the faults of single channels gave on a sound unit.
type SweepReport struct {
	Cases, Told int      // faults, and those for which a sense-fault was raised
	Silent      []string // those without
	False       []string // findings about anything but sensors
}

// job is one run of the suite.
type suiteJob struct {
	name  string
	sc    scenario.Scenario
	seed  uint64
	sweep bool
}

// RunFindings runs the library, and the sweep if it is asked for. With an error it reports on the runs that have ended.
func RunFindings(ctx context.Context, s FindingsSuite) (*FindingsReport, error) {
	jobs, err := s.jobs()
	if err != nil {
		return nil, err
	}
	results := make([]*findingsRun, len(jobs))
	var mu sync.Mutex
	done := 0
	ended, err := inParallel(ctx, s.Workers, len(jobs), func(k int) (err error) {
		results[k], err = s.play(ctx, &jobs[k])
		mu.Lock()
		defer mu.Unlock()
		done++
		if s.Progress != nil {
			s.Progress(done, len(jobs))
		}
		return err
	})
	rep := &FindingsReport{}
	for i := range jobs {
		if ended[i] {
			rep.add(&jobs[i], results[i])
		}
	}
	return rep, err
}

func (s *FindingsSuite) jobs() (jobs []suiteJob, err error) {
	names := s.Only
	if names == nil {
		for _, e := range scenariofile.Names() {
			names = append(names, e.Name)
		}
	}
	for k := range s.Seeds {
		seed := uint64(k + 1)
		for _, name := range names {
			if name == sweepName || s.Match != nil && !s.Match.MatchString(name) {
				continue
			}
			sc, err := scenariofile.Load(name)
			if err != nil {
				return nil, err
			}
			sc.Seed += seed - 1
			SensorClass(&sc, seed)
			if s.MaxDays > 0 {
				sc.Days = min(sc.Days, s.MaxDays)
			}
			jobs = append(jobs, suiteJob{name: name, sc: sc, seed: seed})
		}
		if s.Sweep || slices.Contains(names, sweepName) {
			swept, err := sweepJobs(seed)
			if err != nil {
				return nil, err
			}
			jobs = append(jobs, swept...)
		}
	}
	if len(jobs) == 0 {
		return nil, fmt.Errorf("findings: no scenario's name matches %v; liftbank simulate --list names them", s.Match)
	}
	return jobs, nil
}

// truthSpan is one stretch in which a condition was so.
type truthSpan struct {
	finding, subject string
	root             bool
	from, to         time.Duration // to: the end of the run while it lasts
	open             bool
	found            time.Duration // -1: not
	runsAt, runsTo   uint64
	wakeAt, wakeTo   time.Duration // wake line on, in all
}

// raise is one stretch in which a finding stood.
type raise struct {
	finding, subject string
	from, to         time.Duration
	open             bool
	evidence         string
}

// said writes a finding's evidence on a line.
func said(rec *finding.Record) string {
	var b strings.Builder
	for i := range rec.Evidence {
		e := &rec.Evidence[i]
		if text := e.Text(); text != "" {
			fmt.Fprintf(&b, "; %s: %s", e.What.Said(), text)
		} else {
			fmt.Fprintf(&b, "; %s %.4g %s", e.What.Said(), e.Value, e.Unit)
		}
	}
	return b.String()
}

// findingsRun is what one run gave.
type findingsRun struct {
	spans  []truthSpan
	raises []raise
	length time.Duration
	first  map[string]bool // root finding: whether a root stood first when it was last looked at
	firstW map[string]string
}

// lookEvery is how often the truth is looked at while nothing happens.
const lookEvery = 10 * time.Second

func (s *FindingsSuite) play(ctx context.Context, j *suiteJob) (*findingsRun, error) {
	o := Options{RestEvery: s.RestEvery}
	if slices.ContainsFunc(j.sc.Expect, func(name string) bool { b := bounds[name]; return b.within > 0 && b.within <= quick }) {
		o.RestEvery = 0 // rare scans would be what is measured
	}
	r, err := newRun(j.sc, o)
	if err != nil {
		return nil, err
	}
	f := &findingsRun{length: j.sc.Length(), first: map[string]bool{}, firstW: map[string]string{}}
	var look, order time.Duration
	for r.rig.Clock.Now() < f.length {
		out, err := r.core.Next(ctx)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", j.name, err)
		}
		now := out.At.Mono
		changed := false
		for _, ev := range out.Events {
			changed = changed || ev.Kind != rules.RunEnded
		}
		if !changed && now < look {
			continue
		}
		look = now + lookEvery
		f.followTruth(r, now)
		for _, ev := range out.Events {
			f.note(ev, out, r)
		}
		if now >= order {
			order = now + 10*time.Minute
			f.lookFirst(r, out)
		}
	}
	f.followTruth(r, f.length)
	f.lookFirst(r, r.core.Output())
	return f, nil
}

func (f *findingsRun) followTruth(r *run, now time.Duration) {
	out := r.core.Output()
	for _, c := range r.rig.Unit.Conditions() {
		k := slices.IndexFunc(f.spans, func(t truthSpan) bool { return t.open && t.finding == c.Finding && t.subject == c.Subject })
		switch {
		case c.Active && k < 0:
			t := truthSpan{finding: c.Finding, subject: c.Subject, root: c.Cause, from: c.Since, to: f.length, open: true, found: -1}
			t.runsAt, t.wakeAt = r.rig.Unit.Truth().MotorRuns, out.Feed.WakeTime
			for i := range out.Findings { // raised before
				if rec := &out.Findings[i]; rec.Active() && matches(c.Finding, c.Subject, rec, out) {
					t.found, t.runsTo, t.wakeTo = c.Since, t.runsAt, t.wakeAt
				}
			}
			f.spans = append(f.spans, t)
		case c.Active:
			f.spans[k].root = c.Cause
		case k >= 0:
			f.spans[k].open, f.spans[k].to = false, now
		}
	}
}

func matches(name, subject string, rec *finding.Record, out *rules.Output) bool {
	return rec.Def.Name == name && matchesSubject(name, subject, rec.Subject, out)
}

// matchesSubject compares a subject in the scenario's words with one in the rules'.
func matchesSubject(name, truth, said string, out *rules.Output) bool {
	switch {
	case truth == "" || said == "" || truth == said:
		return true
	case name == "sense-fault":
		return sameSubject(truth, said)
	case name != "link-resistive":
		return false
	}
	// positive-link-ab, negative-post-b against "positive link a-b", "negative post b"; the joint at an end battery is told with its link.
	side, rest, _ := strings.Cut(truth, "-")
	kind, at, _ := strings.Cut(rest, "-")
	saidSide, saidRest, _ := strings.Cut(said, " ")
	saidKind, saidAt, _ := strings.Cut(saidRest, " ")
	if side != saidSide {
		return false
	}
	if kind == saidKind {
		return strings.ReplaceAll(saidAt, "-", "") == at
	}
	last := out.Battery[len(out.Battery)-1].ID
	return kind == "post" && (at == out.Battery[0].ID || at == last) && strings.Contains(saidAt, at)
}

func (f *findingsRun) note(ev rules.Event, out *rules.Output, r *run) {
	if ev.Kind != rules.FindingRaised && ev.Kind != rules.FindingCleared {
		return
	}
	rec, now := &out.Findings[ev.Finding], out.At.Mono
	if ev.Kind == rules.FindingCleared {
		for k := range f.raises {
			if x := &f.raises[k]; x.open && x.finding == rec.Def.Name && x.subject == rec.Subject {
				x.open, x.to = false, now
			}
		}
		return
	}
	if r.rig.Unit.Doubtful(rec.Def.Name, rec.Subject) {
		return
	}
	f.raises = append(f.raises, raise{rec.Def.Name, rec.Subject, now, f.length, true, said(rec)})
	for k := range f.spans {
		t := &f.spans[k]
		if t.found < 0 && (t.open || now-t.to <= linger) && matches(t.finding, t.subject, rec, out) {
			t.found, t.runsTo, t.wakeTo = now, r.rig.Unit.Truth().MotorRuns, out.Feed.WakeTime
		}
	}
}

// lookFirst notes for each root cause that is so now, and was found, whether a root cause stands first among what is shown.
func (f *findingsRun) lookFirst(r *run, out *rules.Output) {
	shown := ""
	subject := ""
	for _, x := range r.core.Snapshot("suite", 1).Findings {
		if x.Alarming() && x.CausedBy == "" {
			shown, subject = x.Name, x.Subject
			break
		}
	}
	if shown == "" {
		return
	}
	isRoot := false
	for k := range f.spans {
		t := &f.spans[k]
		recent := t.open || out.At.Mono-t.to <= time.Hour // one that chatters stays for so long
		isRoot = isRoot || recent && t.root && t.finding == shown && matchesSubject(t.finding, t.subject, subject, out)
	}
	for k := range f.spans {
		if t := &f.spans[k]; t.open && t.root && t.found >= 0 {
			f.first[t.finding], f.firstW[t.finding] = isRoot, shown
		}
	}
}

// truthful reports whether something was behind a raise: so at the time, over for no longer than linger, or so before it cleared; and, in
// the last case, by how much it was early.
func (f *findingsRun) truthful(x *raise, of func(t *truthSpan) bool) (ok bool, early time.Duration) {
	for k := range f.spans {
		t := &f.spans[k]
		if !of(t) || t.from > x.to || t.to < x.from-linger {
			continue
		}
		if by := max(t.from-x.from, 0); !ok || by < early {
			ok, early = true, by
		}
	}
	return ok, early
}

func (rep *FindingsReport) row(name string) *FindingRow {
	for i := range rep.Rows {
		if rep.Rows[i].Finding == name {
			return &rep.Rows[i]
		}
	}
	if rep.Rows == nil {
		for _, n := range scenario.Findings {
			rep.Rows = append(rep.Rows, FindingRow{Finding: n})
		}
		return rep.row(name)
	}
	rep.Rows = append(rep.Rows, FindingRow{Finding: name})
	return &rep.Rows[len(rep.Rows)-1]
}

// add takes one run's result in.
func (rep *FindingsReport) add(j *suiteJob, f *findingsRun) {
	rep.Runs++
	where := fmt.Sprintf("%s seed %d", j.name, j.seed)
	batteries := &rules.Output{}
	batteries.Battery = make([]rules.BatteryState, len(j.sc.Bank.Batteries))
	for i := range j.sc.Bank.Batteries {
		batteries.Battery[i].ID = j.sc.Bank.Batteries[i].ID
	}
	for k := range f.raises {
		x := &f.raises[k]
		row := rep.row(x.finding)
		row.Raised++
		ok, early := f.truthful(x, func(t *truthSpan) bool {
			return t.finding == x.finding && matchesSubject(t.finding, t.subject, x.subject, batteries)
		})
		line := fmt.Sprintf("%s: %s %s at %s%s", where, x.finding, x.subject, x.from.Round(time.Second), x.evidence)
		if ok && early > linger && !j.sweep {
			row.Early++
			rep.Early = append(rep.Early, fmt.Sprintf("%s, by %s", line, early.Round(time.Minute)))
		}
		if ok {
			continue
		}
		if j.sweep {
			if x.finding != "sense-fault" {
				rep.Sweep.False = append(rep.Sweep.False, line)
			}
			continue
		}
		row.False++
		rep.False = append(rep.False, line)
	}
	if j.sweep {
		rep.addSweep(where, f)
		return
	}
	if len(j.sc.Expect) == 0 && len(j.sc.Faults) == 0 {
		rep.Healthy += f.length.Hours() / 24
	}
	for _, name := range j.sc.Expect {
		rep.addExpected(where, name, f)
	}
}

func (rep *FindingsReport) addSweep(where string, f *findingsRun) {
	rep.Sweep.Cases++
	for k := range f.spans {
		if f.spans[k].finding == "sense-fault" && f.spans[k].found >= 0 {
			rep.Sweep.Told++
			return
		}
	}
	rep.Sweep.Silent = append(rep.Sweep.Silent, where)
}

// enough is how long a condition must have been so to have been found: its bound, with a margin for what comes in stretches.
func enough(name string) time.Duration {
	if b, ok := bounds[name]; ok && b.within > 0 {
		return b.within
	}
	return 0
}

// addExpected scores one expected finding of one run. Of several stretches or subjects the first is timed; one found is found.
func (rep *FindingsReport) addExpected(where, name string, f *findingsRun) {
	row := rep.row(name)
	var first *truthSpan
	found := false
	for k := range f.spans {
		t := &f.spans[k]
		if t.finding != name || t.to-t.from < enough(name) {
			continue
		}
		if first == nil || first.found < 0 && t.found >= 0 {
			first = t
		}
		found = found || t.found >= 0
	}
	if first == nil {
		return // the story, cut short, has not come to it
	}
	row.Cases++
	if !found {
		rep.Missed = append(rep.Missed, fmt.Sprintf("%s: %s %s from %s to %s", where, name, first.subject, first.from.Round(time.Second), first.to.Round(time.Second)))
		return
	}
	row.Found++
	delay := first.found - first.from
	if bounds[name].wake {
		delay = first.wakeTo - first.wakeAt
	}
	row.Delays = append(row.Delays, delay.Seconds())
	row.Runs = append(row.Runs, float64(first.runsTo-first.runsAt))
	if ok, looked := f.first[name]; looked {
		row.RootCases++
		if ok {
			row.RootFirst++
		} else {
			rep.NotRoot = append(rep.NotRoot, fmt.Sprintf("%s: %s, and %s stands first", where, name, f.firstW[name]))
		}
	}
}

// bound is what a finding's detection is held to: a time, or motor runs.
type bound struct {
	within time.Duration
	runs   float64
	wake   bool // only time with the wake line on counts: off, there is nothing to be seen
}

// bounds of the time to detect, 95th percentile. Those not named have none set.
var bounds = map[string]bound{
	"series-wired": {within: 10 * time.Second}, "motor-stuck": {within: 10 * time.Second}, "feed-high": {within: 10 * time.Second},
	"feed-lost": {within: 10 * time.Minute, wake: true}, "motor-dead": {within: 10 * time.Minute},
	"link-resistive": {runs: 10}, "motor-drop": {runs: 10}, "battery-tired": {runs: 30},
	"share-uneven": {within: 7 * 24 * time.Hour},
}

// quick: findings bound to this or less are timed at the usual pace of scans, whatever is asked for.
const quick = 10 * time.Second

// p95 gives the 95th percentile, 0 of none.
func p95(x []float64) float64 {
	s := slices.Clone(x)
	slices.Sort(s)
	if len(s) == 0 {
		return 0
	}
	return s[min(int(math.Ceil(0.95*float64(len(s))))-1, len(s)-1)]
}
