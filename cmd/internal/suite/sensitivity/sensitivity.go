// Package sensitivity is the suite that makes each constant of the rules a quarter smaller and a
// quarter larger, and says what that changes in a choice of the library's scenarios.
package sensitivity

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"liftbank/cmd/internal/suite"
	"liftbank/cmd/internal/suite/estimator"
	"liftbank/cmd/internal/suite/findings"
	"liftbank/cmd/internal/tweak"
	"liftbank/rules/constants"
)

// Suite is the suite.
var Suite = suite.Suite{
	Name:  "sensitivity",
	About: "each constant of the rules by a quarter: what moves; needs the sources and Go",
	Flags: []string{"seeds", "only"}, Seeds: 1, Run: run,
}

// probes are the runs that each change is judged by: one scenario for each part of the rules, and
// charge from full to empty in each chemistry.
var probes = []struct{ suite, only, days string }{
	{"findings", "^(healthy-four|battery-tired|link-resistive|motor-hungry|feed-weak-cable|circulating|parked-drain|sense-off)$", "5"},
	{"estimator", "^(cycled-agm-cold|cycled-flooded|cycled-gel-hot|healthy-light|cell-shorted|balance-negative)$", "5"},
}

// A figure has moved when it changed by so much; our choice: less than the last digit of the tables
// that people read.
const (
	movedSoCPct        = 0.05 // of charge, RMS
	movedCapabilityPct = 0.5  // of the capability, RMS
	movedInBandPct     = 2
)

// Change is what came of a change of one constant.
type Change struct {
	Name     string   `json:"name"`
	Factor   float64  `json:"factor"`
	Origin   string   `json:"origin"`
	Verdicts []string `json:"verdicts"` // that moved: what is missed, false or not first now, and what no longer
	Figures  []string `json:"figures"`  // that moved
	Crash    string   `json:"crash,omitempty"`
}

// outcome is what the probes gave.
type outcome struct {
	findings  findings.Report
	estimator estimator.Report
}

func run(ctx context.Context, o suite.Options) (suite.Result, error) {
	root, err := tweak.Root(".")
	if err != nil {
		return nil, err
	}
	folder, err := os.MkdirTemp("", "sensitivity")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(folder)
	sources, err := tweak.New(ctx, root, folder)
	if err != nil {
		return nil, err
	}
	p := prober{program: filepath.Join(folder, "liftbank"), options: &o}
	if out, err := sources.Go(ctx, "build", "-o", p.program, "./cmd/liftbank").CombinedOutput(); err != nil {
		return nil, fmt.Errorf("build: %w\n%s", err, out)
	}
	if p.base, err = p.probe(ctx, os.Environ()); err != nil {
		return nil, fmt.Errorf("with nothing changed: %w", err)
	}
	changes := changesOf(&o, sources.Names)
	if len(changes) == 0 {
		return nil, fmt.Errorf("--only %v: no constant matches; liftbank constants lists them", o.Only)
	}
	ended, err := suite.Each(ctx, &o, len(changes), func(ctx context.Context, k int) (*Change, error) {
		return &changes[k], p.try(ctx, &changes[k])
	})
	return &Report{Changes: ended, Fixed: sources.Fixed}, err
}

func changesOf(o *suite.Options, names []string) (all []Change) {
	origins := map[string]string{}
	for _, c := range constants.All() {
		origins[c.Package+"."+c.Name] = c.Origin
	}
	for _, name := range names {
		for _, factor := range []float64{0.75, 1.25} {
			if o.Matches(name) {
				all = append(all, Change{Name: name, Factor: factor, Origin: origins[name], Verdicts: []string{}, Figures: []string{}})
			}
		}
	}
	return all
}

// prober runs the probes.
type prober struct {
	program string
	options *suite.Options
	base    *outcome
}

// probe runs the probes with an environment.
func (p *prober) probe(ctx context.Context, env []string) (*outcome, error) {
	var out outcome
	for _, probe := range probes {
		args := []string{"suite", probe.suite, "--only", probe.only, "--days", probe.days, "--json", "--workers", "1",
			"--seeds", fmt.Sprint(p.options.Seeds), "--seed", fmt.Sprint(p.options.First),
			"--step", p.options.Step.String(), "--sensors", string(p.options.Sensors)}
		text, err := p.run(ctx, env, args)
		if err != nil {
			return nil, err
		}
		var to any = &out.findings
		if probe.suite == "estimator" {
			to = &out.estimator
		}
		if err := json.Unmarshal(text, to); err != nil {
			return nil, fmt.Errorf("%s: %w", strings.Join(args, " "), err)
		}
	}
	return &out, nil
}

// try runs the probes with a constant changed and compares.
func (p *prober) try(ctx context.Context, c *Change) error {
	out, err := p.probe(ctx, tweak.With(c.Name, c.Factor))
	var stopped *crashError
	switch {
	case errors.As(err, &stopped):
		c.Crash = stopped.Error()
		return nil
	case err != nil:
		return err
	}
	c.compare(p.base, out)
	return nil
}

func (c *Change) compare(was, is *outcome) {
	for _, list := range []struct {
		name    string
		was, is []string
	}{
		{"missed", was.findings.Missed, is.findings.Missed}, {"false", was.findings.False, is.findings.False},
		{"not first", was.findings.NotRoot, is.findings.NotRoot},
	} {
		for _, x := range list.is {
			if !slices.Contains(list.was, x) {
				c.Verdicts = append(c.Verdicts, list.name+": "+x)
			}
		}
		for _, x := range list.was {
			if !slices.Contains(list.is, x) {
				c.Verdicts = append(c.Verdicts, "no longer "+list.name+": "+x)
			}
		}
	}
	for i := range was.findings.Rows {
		c.delays(&was.findings.Rows[i], &is.findings.Rows[i])
	}
	for i := range was.estimator.Rows {
		a, b := &was.estimator.Rows[i], &is.estimator.Rows[i]
		for _, f := range []struct {
			name        string
			was, is, by float64
		}{
			{"charge RMS %", a.RMSPct, b.RMSPct, movedSoCPct},
			{"charge in band %", a.InBandPct, b.InBandPct, movedInBandPct},
			{"charge known %", a.KnownPct, b.KnownPct, movedInBandPct},
			{"capability RMS %", a.Capability.RMSPct, b.Capability.RMSPct, movedCapabilityPct},
		} {
			if math.Abs(f.was-f.is) > f.by {
				c.Figures = append(c.Figures, fmt.Sprintf("%s %s %.3g -> %.3g", a.Scenario, f.name, f.was, f.is))
			}
		}
	}
}

// delays notes findings that come at another time, or more or less often.
func (c *Change) delays(was, is *findings.Row) {
	switch {
	case was.Raised != is.Raised:
		c.Figures = append(c.Figures, fmt.Sprintf("%s raised %d -> %d times", was.Finding, was.Raised, is.Raised))
	case !slices.Equal(was.Delays, is.Delays) && len(was.Delays) == len(is.Delays):
		c.Figures = append(c.Figures, fmt.Sprintf("%s detected after %.0f -> %.0f s", was.Finding, slices.Max(was.Delays),
			slices.Max(is.Delays)))
	}
}
