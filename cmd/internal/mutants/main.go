// Mutants says which of the constants of rules the tests of rules notice, when each in turn is a
// quarter smaller or larger. Run it in a checkout:
//
//	go run ./cmd/internal/mutants --sample 60
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"os/signal"
	"path"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"liftbank/cmd/internal/commands"
	"liftbank/cmd/internal/tweak"
)

type options struct {
	Help    bool    `short:"h" help:"Show the flags."`
	Only    string  `placeholder:"REGEXP" help:"Only constants whose names match."`
	Sample  int     `placeholder:"N" help:"Only so many changes, drawn at random."`
	Seed    uint64  `default:"1" help:"Of the draw."`
	Atleast float64 `name:"at-least" placeholder:"PCT" help:"Fail where fewer percent are noticed."`
	Own     bool    `help:"Only try the tests of each constant's own package: quick."`
	Verbose bool    `short:"v" help:"Also say which test notices what."`
}

func main() {
	var o options
	program := commands.New("mutants", "Which changes of the constants of rules by a quarter the tests of rules notice.", &o)
	_, done, err := program.Parse(os.Args[1:], func(_ *commands.Command, flag *commands.Value) bool {
		if flag.Name == "help" {
			_ = program.Usage(os.Stdout)
		}
		return flag.Name == "help"
	})
	if err != nil {
		fmt.Fprintln(os.Stderr, "mutants:", err)
		os.Exit(2)
	}
	if done {
		return
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := run(ctx, &o, os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "mutants:", err)
		os.Exit(1)
	}
}

// mutant is a change of a constant.
type mutant struct {
	name    string
	factor  float64
	tried   bool
	noticed string // the test package that did, or the unit played; empty for none
}

func run(ctx context.Context, o *options, out io.Writer) error {
	root, err := tweak.Root(".")
	if err != nil {
		return err
	}
	folder, err := os.MkdirTemp("", "mutants")
	if err != nil {
		return err
	}
	defer os.RemoveAll(folder)
	sources, err := tweak.New(ctx, root, folder)
	if err != nil {
		return err
	}
	mutants, err := o.mutants(sources.Names)
	if err != nil {
		return err
	}
	tests, err := o.tests(ctx, sources, mutants)
	if err != nil {
		return err
	}
	began := time.Now()
	err = each(ctx, mutants, func(m *mutant) error { return m.try(ctx, tests, o.Own) })
	if err != nil && !errors.Is(err, context.Canceled) {
		return err
	}
	mutants = slices.DeleteFunc(mutants, func(m mutant) bool { return !m.tried }) // interrupted
	return errors.Join(o.report(out, mutants, sources, time.Since(began)), err)
}

// own returns the package that the constant is of.
func (m *mutant) own() string {
	own, _, _ := strings.Cut(m.name, ".")
	return own
}

// factors are by what constants are changed.
var factors = []float64{0.75, 1.25}

func (o *options) mutants(names []string) (all []mutant, err error) {
	only, err := regexp.Compile(o.Only)
	if err != nil {
		return nil, fmt.Errorf("--only: %w", err)
	}
	for _, name := range names {
		for _, f := range factors {
			if only.MatchString(name) {
				all = append(all, mutant{name: name, factor: f})
			}
		}
	}
	if o.Sample > 0 && o.Sample < len(all) {
		random := rand.New(rand.NewPCG(o.Seed, 1))
		random.Shuffle(len(all), func(i, k int) { all[i], all[k] = all[k], all[i] })
		all = all[:o.Sample]
		slices.SortFunc(all, func(a, b mutant) int { return strings.Compare(a.name, b.name) })
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("--only %s: no constant matches", o.Only)
	}
	return all, nil
}

// test is a test program of a package, or a part of it.
type test struct {
	name, program, folder string
	args                  []string
	needs                 []string      // packages of rules that it is made of
	took                  time.Duration // with nothing changed
	once                  sync.Once
	broken                error // it fails with nothing changed
}

// played is the slow test of rules: each of its units is a test of its own here.
const played = "TestPlayed"

// tests returns the tests of rules, those of the units played last: they take longest.
func (o *options) tests(ctx context.Context, s *tweak.Sources, all []mutant) (tests []*test, err error) {
	needs, err := needed(ctx, s)
	if err != nil {
		return nil, err
	}
	entries, err := filepath.Glob(filepath.Join(s.Root, "rules", "*"))
	if err != nil {
		return nil, err
	}
	for _, dir := range append(entries, filepath.Join(s.Root, "rules")) {
		name := filepath.Base(dir)
		if files, _ := filepath.Glob(filepath.Join(dir, "*_test.go")); len(files) == 0 || name == "constants" ||
			o.Own && !slices.ContainsFunc(all, func(m mutant) bool { return m.own() == name }) {
			continue
		}
		t := &test{name: name, program: s.Test(name), folder: dir, needs: needs[name]}
		tests = append(tests, t.parts()...)
	}
	return tests, nil
}

// passes runs a test once with nothing changed: how long that takes, and whether it fails by itself.
func (t *test) passes(ctx context.Context) error {
	t.once.Do(func() {
		began := time.Now()
		out, failed, err := t.run(ctx, tweak.With("none", 1), 10*time.Minute)
		if failed || err != nil {
			t.broken = fmt.Errorf("the tests of %s fail with nothing changed: %w\n%s", t.name, err, out)
		}
		t.took = time.Since(began)
	})
	return t.broken
}

// needed returns of what packages of rules the tests of each are made: only those can notice.
func needed(ctx context.Context, s *tweak.Sources) (map[string][]string, error) {
	out, err := s.Go(ctx, "list", "-test", "-f", `{{.ForTest}} {{join .Deps " "}}`, "./rules/...").Output()
	if err != nil {
		return nil, fmt.Errorf("list the tests of rules: %w", err)
	}
	needs := map[string][]string{}
	for line := range strings.Lines(string(out)) {
		of, deps, _ := strings.Cut(strings.TrimSpace(line), " ")
		if of == "" { // no test
			continue
		}
		name := path.Base(of)
		needs[name] = append(needs[name], name)
		for _, d := range strings.Fields(deps) { // "liftbank/rules/unit", "[liftbank/rules/detect.test]"
			if strings.HasPrefix(d, "liftbank/rules") {
				needs[name] = append(needs[name], path.Base(d))
			}
		}
	}
	return needs, nil
}

// parts returns the test of rules in parts, any other as it is.
func (t *test) parts() []*test {
	units, _ := filepath.Glob(filepath.Join(t.folder, "testdata", "played", "*.txt"))
	if t.name != "rules" || len(units) == 0 {
		return []*test{t}
	}
	of := func(name, args string) *test {
		return &test{name: name, program: t.program, folder: t.folder, needs: t.needs, args: []string{args}}
	}
	parts := []*test{of(t.name, "-test.skip=^"+played+"$")}
	for _, u := range units {
		unit := strings.TrimSuffix(filepath.Base(u), ".txt")
		parts = append(parts, of(unit, fmt.Sprintf("-test.run=^%s$/^%s$", played, unit)))
	}
	return parts
}

// run runs the tests and reports whether one failed. A program that hangs or crashes has failed.
func (t *test) run(ctx context.Context, env []string, most time.Duration) (out []byte, failed bool, err error) {
	limited, cancel := context.WithTimeout(ctx, most)
	defer cancel()
	cmd := exec.CommandContext(limited, t.program, append([]string{"-test.failfast", "-test.short"}, t.args...)...)
	cmd.Dir, cmd.Env = t.folder, append(env, "GOMAXPROCS=1") // there are as many programs as processors
	out, err = cmd.CombinedOutput()
	var exit *exec.ExitError
	switch {
	case ctx.Err() != nil:
		return out, false, ctx.Err()
	case err == nil:
		return out, false, nil
	case errors.As(err, &exit), limited.Err() != nil:
		return out, true, nil
	}
	return out, false, fmt.Errorf("run the tests of %s: %w", t.name, err)
}

// try runs the tests of the constant's own package, then of those that are made of it, until one
// notices.
func (m *mutant) try(ctx context.Context, tests []*test, onlyOwn bool) error {
	own := m.own()
	var ordered []*test
	for _, t := range tests {
		switch {
		case t.name == own:
			ordered = slices.Insert(ordered, 0, t)
		case !onlyOwn && slices.Contains(t.needs, own):
			ordered = append(ordered, t)
		}
	}
	for _, t := range ordered {
		if err := t.passes(ctx); err != nil {
			return err
		}
		_, failed, err := t.run(ctx, tweak.With(m.name, m.factor), 20*t.took+10*time.Second)
		if err != nil {
			return err
		}
		if failed {
			m.noticed = t.name
			break
		}
	}
	m.tried = true
	return nil
}

// each calls f for all, as many at once as there are processors.
func each[T any](ctx context.Context, all []T, f func(*T) error) error {
	next := make(chan *T)
	errs := make(chan error, runtime.GOMAXPROCS(0))
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var workers sync.WaitGroup
	for range cap(errs) {
		workers.Go(func() {
			for m := range next {
				if err := f(m); err != nil {
					errs <- err
					cancel()
					return
				}
			}
		})
	}
	for i := range all {
		select {
		case next <- &all[i]:
		case <-ctx.Done():
		}
	}
	close(next)
	workers.Wait()
	select {
	case err := <-errs:
		return err
	default:
		return ctx.Err()
	}
}

func (o *options) report(out io.Writer, mutants []mutant, s *tweak.Sources, took time.Duration) error {
	type count struct{ all, noticed int }
	total, packages := count{}, map[string]*count{}
	for _, m := range mutants {
		own := m.own()
		p := packages[own]
		if p == nil {
			p = &count{}
			packages[own] = p
		}
		p.all++
		total.all++
		if m.noticed != "" {
			p.noticed++
			total.noticed++
			if o.Verbose {
				fmt.Fprintf(out, "noticed by %-10s %s x %g\n", m.noticed, m.name, m.factor)
			}
			continue
		}
		fmt.Fprintf(out, "not noticed        %s x %g\n", m.name, m.factor)
	}
	names := make([]string, 0, len(packages))
	for name := range packages {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		fmt.Fprintf(out, "%-10s %4d of %4d\n", name, packages[name].noticed, packages[name].all)
	}
	pct := 100 * float64(total.noticed) / float64(max(total.all, 1))
	fmt.Fprintf(out, "noticed: %d of %d changes, %.0f %%; %d constants can be changed, %d can't; %v\n", total.noticed,
		total.all, pct, len(s.Names), len(s.Fixed), took.Round(time.Second))
	if pct < o.Atleast {
		return fmt.Errorf("%.0f %% of the changes were noticed: want %g %%", pct, o.Atleast)
	}
	return nil
}
