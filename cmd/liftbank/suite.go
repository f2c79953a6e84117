//go:build !board

package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"time"

	"liftbank/cmd/internal/draw"
	"liftbank/cmd/internal/suite"
	"liftbank/cmd/internal/suite/capability"
	"liftbank/cmd/internal/suite/estimator"
	"liftbank/cmd/internal/suite/findings"
	"liftbank/cmd/internal/suite/healthy"
	"liftbank/cmd/internal/suite/sensitivity"
	"liftbank/cmd/internal/suite/wiring"
	"liftbank/sim/scenario"
)

// suites lists the suites in the order of the help.
var suites = []*suite.Suite{&estimator.Suite, &findings.Suite, &healthy.Suite, &wiring.Suite, &capability.Suite,
	&sensitivity.Suite}

// layouts that a unit can be built for.
var layouts = []string{scenario.Parallel, scenario.Series, scenario.SeriesPairs}

type suiteCmd struct {
	Name      string        `arg:"" optional:"" placeholder:"NAME" help:"Name of the suite."`
	Seeds     *int          `placeholder:"N" help:"Runs of each scenario, each with other sensor errors, or units (default: the suite's)."`
	Years     *int          `placeholder:"N" help:"healthy: unit-years, each a different unit; the same as --seeds."`
	Seed      uint64        `default:"1" placeholder:"S" help:"First seed (default ${default})."`
	Days      float64       `placeholder:"N" help:"Days of each run, at most (default: the suite's)."`
	Step      time.Duration `default:"1s" help:"Time between scans while the motor is stopped, 200ms to 1m (default ${default})."`
	Sensors   string        `default:"random" placeholder:"STYLE" help:"How sensors err: ideal, random inside their class, limits, drifting over temperature, wandering, or each in turn by seed (default ${default})."`
	Taps      float64       `default:"1" placeholder:"PCT" help:"How far the gain of the voltage dividers may be off, 0.05 to 5 % (default ${default}); a reference board with resistors of 0.1 % has 0.4."`
	Only      string        `placeholder:"REGEXP" help:"Only scenarios whose names match, or units whose descriptions match."`
	Layout    string        `placeholder:"LAYOUT" help:"estimator, findings, healthy: of units built for parallel, series or series-pairs (default parallel)."`
	Fine      bool          `help:"healthy, wiring: no coarser steps during quiet times. Several times slower."`
	NoCommand bool          `name:"no-command" help:"capability: the contactor coil is not wired."`
	Sweep     bool          `help:"findings: also every sensor fault on a healthy unit."`
	Workers   int           `default:"0" placeholder:"N" help:"Parallel runs; 0 is one per processor."`
	List      bool          `help:"List the suites and exit."`
	JSON      bool          `name:"json" help:"Print JSON instead of a table."`
}

// Help lists the suites and gives an example.
func (suiteCmd) Help() string {
	text := "Runs many units, each with other sensor errors, and prints one table. Progress goes to " +
		"standard error. " +
		"Ctrl-C prints the results of the runs that have finished.\n\nSuites:\n"
	for _, s := range suites {
		text += fmt.Sprintf("  %-11s %s\n", s.Name, s.About)
	}
	return text + "\nExample: liftbank suite findings --seeds 3 --step 10s --days 14"
}

// Run runs a suite and prints its result. If it is interrupted, it prints that of the runs that had
// ended.
func (c suiteCmd) Run(s streams) error {
	if c.List {
		return c.list(s.out)
	}
	of, o, err := c.options()
	if err != nil {
		return usageError{err}
	}
	o.Progress = suite.NewProgress(s.err, of.Name, isTerminal(s.err))
	result, stopErr := of.Run(s.ctx, o)
	switch {
	case stopErr == nil:
		return c.print(s.out, result)
	case result == nil:
		return usageError{stopErr} // nothing to run
	case result.Jobs() == 0:
		return stopErr
	}
	note := s.out
	if c.JSON {
		note = s.err
	}
	_, err = fmt.Fprintf(note, "interrupted (%v): results of the runs that finished\n", stopErr)
	return errors.Join(stopErr, err, c.print(s.out, result))
}

// list prints names and what the suites are about.
func (c suiteCmd) list(out io.Writer) error {
	if c.JSON {
		type entry struct {
			Name  string `json:"name"`
			About string `json:"about"`
		}
		var all []entry
		for _, s := range suites {
			all = append(all, entry{s.Name, s.About})
		}
		return writeJSON(out, all)
	}
	for _, s := range suites {
		if _, err := fmt.Fprintf(out, "%-11s %s\n", s.Name, s.About); err != nil {
			return err
		}
	}
	return nil
}

func (c suiteCmd) print(out io.Writer, r suite.Result) error {
	if !c.JSON {
		return r.Table(out)
	}
	return writeJSON(out, r)
}

// options checks the flags and returns the suite that they ask for.
func (c suiteCmd) options() (*suite.Suite, suite.Options, error) {
	var o suite.Options
	names := make([]string, len(suites))
	for i, s := range suites {
		names[i] = s.Name
	}
	k := slices.Index(names, c.Name)
	if k < 0 {
		return nil, o, fmt.Errorf("suite %q: want %s", c.Name, strings.Join(names, ", "))
	}
	of := suites[k]
	if err := c.foreign(of); err != nil {
		return nil, o, err
	}
	seeds, flag := c.Seeds, "--seeds"
	if c.Years != nil {
		seeds, flag = c.Years, "--years"
	}
	o = suite.Options{
		Seeds: of.Seeds, First: c.Seed, Days: c.Days, Step: c.Step, Workers: c.Workers,
		Fine: c.Fine, NoCommand: c.NoCommand, Sweep: c.Sweep, Layout: c.Layout,
	}
	if c.Taps != 1 {
		o.TapPct = c.Taps
	}
	var err error
	if o.Sensors, err = draw.StyleNamed(c.Sensors); err != nil {
		return nil, o, fmt.Errorf("--%w", err)
	}
	if seeds != nil {
		o.Seeds = *seeds
	}
	if o.Workers == 0 {
		o.Workers = runtime.GOMAXPROCS(0)
	}
	switch {
	case c.Seeds != nil && c.Years != nil:
		return nil, o, errors.New("--seeds and --years: both given: want one of them")
	case o.Seeds < 1 || o.Seeds > 100000:
		return nil, o, fmt.Errorf("%s %d: want 1 to 100000", flag, o.Seeds)
	case c.Days != 0 && !(c.Days >= 1 && c.Days <= 4000):
		return nil, o, fmt.Errorf("--days %g: want 1 to 4000", c.Days)
	case c.Step < 200*time.Millisecond || c.Step > time.Minute:
		return nil, o, fmt.Errorf("--step %v: want 200ms to 1m", c.Step)
	case !(c.Taps >= 0.05 && c.Taps <= 5):
		return nil, o, fmt.Errorf("--taps %g: want 0.05 to 5", c.Taps)
	case c.Layout != "" && !slices.Contains(layouts, c.Layout):
		return nil, o, fmt.Errorf("--layout %q: want %s", c.Layout, strings.Join(layouts, ", "))
	case c.Workers < 0 || c.Workers > 256:
		return nil, o, fmt.Errorf("--workers %d: want 0 to 256", c.Workers)
	}
	if c.Only == "" {
		return of, o, nil
	}
	only, err := regexp.Compile(c.Only)
	if err != nil {
		return nil, o, fmt.Errorf("--only: %w", err)
	}
	o.Only = only
	return of, o, nil
}

// foreign returns an error about a flag that the suite does not take.
func (c suiteCmd) foreign(of *suite.Suite) error {
	for flag, given := range map[string]bool{"years": c.Years != nil, "fine": c.Fine, "no-command": c.NoCommand,
		"sweep": c.Sweep, "layout": c.Layout != ""} {
		if given && !of.Takes(flag) {
			return fmt.Errorf("--%s: not a flag of the suite %s: liftbank suite --help lists the flags", flag, of.Name)
		}
	}
	return nil
}

// isTerminal reports whether w is a terminal, or another device that shows lines to somebody.
func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}
