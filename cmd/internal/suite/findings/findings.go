// Package findings is the suite that plays the library of scenarios and holds each finding against
// what is true in the simulated unit.
package findings

import (
	"context"
	"fmt"
	"slices"
	"time"

	"liftbank/cmd/internal/score"
	"liftbank/cmd/internal/suite"
	"liftbank/cmd/internal/trial"
	"liftbank/cmd/scenariofile"
	"liftbank/rules"
	"liftbank/sim/scenario"
)

// Suite is the suite.
var Suite = suite.Suite{
	Name: "findings", About: "the library of scenarios: findings raised, missed, false and early",
	Flags: []string{"seeds", "only", "sweep", "layout"}, Seeds: 3, Run: run,
}

// maxDays is the longest run of a scenario. All stories but the year's are shorter; our choice.
const maxDays = 40

// job is one run of the suite.
type job struct {
	name  string
	sc    scenario.Scenario
	seed  uint64
	sweep bool
}

// result is what one run gave.
type result struct {
	*job
	*score.Findings
	length time.Duration
	first  map[string]first // by root finding
}

// first is what was shown first when a root cause that had been found was last looked at.
type first struct {
	root  bool // a root cause
	shown string
}

func run(ctx context.Context, o suite.Options) (suite.Result, error) {
	jobs, err := jobsOf(&o)
	if err != nil {
		return nil, err
	}
	results, err := suite.Each(ctx, &o, len(jobs), func(ctx context.Context, k int) (*result, error) {
		return play(ctx, &o, &jobs[k])
	})
	r := newReport()
	for _, x := range results {
		r.add(x)
	}
	return r, err
}

func jobsOf(o *suite.Options) (jobs []job, err error) {
	names, err := o.Scenarios()
	if err != nil && !o.Sweep {
		return nil, err
	}
	for k := range o.Seeds {
		seed := o.First + uint64(k)
		for _, name := range names {
			sc, err := scenariofile.Load(name)
			if err != nil {
				return nil, err
			}
			sc.Seed += seed - 1
			o.Draw(&sc, seed)
			sc.Days = o.LibraryDays(sc.Days, maxDays)
			jobs = append(jobs, job{name: name, sc: sc, seed: seed})
		}
		if o.Sweep {
			swept, err := sweepJobs(o, seed)
			if err != nil {
				return nil, err
			}
			jobs = append(jobs, swept...)
		}
	}
	if len(jobs) == 0 {
		return nil, fmt.Errorf("--only %v: no scenario matches; liftbank simulate --list lists the names", o.Only)
	}
	return jobs, nil
}

// firstEvery is how often it is looked at what is shown first.
const firstEvery = 10 * time.Minute

func play(ctx context.Context, o *suite.Options, j *job) (*result, error) {
	options := trial.Options{RestEvery: o.Step, TapPct: o.TapPct, Moved: o.Progress.Moved}
	bound := func(name string) bool { return bounds[name].within > 0 && bounds[name].within <= quick }
	if slices.ContainsFunc(j.sc.Expect, bound) {
		options.RestEvery = 0 // slow scans would be what is measured
	}
	t, err := trial.New(j.sc, options)
	if err != nil {
		return nil, err
	}
	x := &result{job: j, length: j.sc.Length(), first: map[string]first{}}
	x.Findings = score.NewFindings(t.Rig.Unit, score.BatteryIDs(&j.sc), x.length)
	var next time.Duration
	err = t.Play(ctx, x.length, func(out *rules.Output) error {
		if now := out.At.Mono; x.Step(now, out) && now >= next {
			next = now + firstEvery
			x.lookFirst(t)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	x.Finish(t.Core.Output())
	x.lookFirst(t)
	return x, nil
}

// lookFirst notes for each root cause that is true and was found whether a root cause is shown
// first.
func (x *result) lookFirst(t *trial.Trial) {
	shown, subject := "", ""
	for _, f := range t.Core.Snapshot("suite", 1).Findings {
		if f.Alarming() && f.CausedBy == "" {
			shown, subject = f.Name, f.Subject
			break
		}
	}
	if shown == "" {
		return
	}
	is := first{x.RootShown(t.Core.Output().At.Mono, shown, subject), shown}
	for k := range x.Spans {
		if s := &x.Spans[k]; s.Open && s.Root && s.Found >= 0 {
			x.first[s.Finding] = is
		}
	}
}
