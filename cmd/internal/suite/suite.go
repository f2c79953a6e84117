// Package suite runs libraries of trials side by side. Each suite is a package below it; they share
// how jobs are handed out, how progress is shown, and what is done if somebody stops them.
package suite

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"regexp"
	"slices"
	"time"

	"liftbank/cmd/internal/draw"
	"liftbank/cmd/scenariofile"
	"liftbank/sim/scenario"
)

// Options say how a suite is run. A suite ignores what its Flags don't name.
type Options struct {
	Seeds   int            // runs of each scenario, or units
	First   uint64         // first seed
	Days    float64        // longest run; 0: the suite's own
	Step    time.Duration  // between scans while the motor is stopped
	Workers int            // runs side by side
	Sensors draw.Style     // how their sensors err; empty: random
	TapPct  float64        // class of their dividers, %; 0: that of the rules, 1 %
	Only    *regexp.Regexp // of the names of scenarios or descriptions of units; nil for all
	Layout  string         // that the units are built for; empty: parallel

	Fine      bool // no coarser steps during quiet times
	NoCommand bool // the contactor coil is not wired
	Sweep     bool // also every sensor fault on a healthy unit

	Progress *Progress // nil for none
}

// Result is what a suite found. It is also written as JSON.
type Result interface {
	// Table writes the result for people.
	Table(w io.Writer) error
	// Jobs returns the number of runs that it is made of.
	Jobs() int
}

// Suite is a library of trials.
type Suite struct {
	Name  string
	About string   // one sentence
	Flags []string // that it takes besides those of all suites
	Seeds int      // default
	// Run runs it. With an error the result is made of the runs that had ended.
	Run func(context.Context, Options) (Result, error)
}

// Takes reports whether the suite takes a flag.
func (s *Suite) Takes(flag string) bool { return slices.Contains(s.Flags, flag) }

// Draw gives the sensors of a unit their errors.
func (o *Options) Draw(sc *scenario.Scenario, seed uint64) {
	draw.Sensors(sc, o.Sensors, seed)
	if o.TapPct > 0 {
		draw.Taps(sc, o.TapPct)
	}
}

// Matches reports whether Only lets a name pass.
func (o *Options) Matches(name string) bool { return o.Only == nil || o.Only.MatchString(name) }

// Built returns the layout that the units are built for.
func (o *Options) Built() string { return cmp.Or(o.Layout, scenario.Parallel) }

// Scenarios returns the names of the library's units of the layout that Only lets pass, in order.
func (o *Options) Scenarios() (names []string, err error) {
	for _, e := range scenariofile.Names() {
		if !o.Matches(e.Name) {
			continue
		}
		sc, err := scenariofile.Load(e.Name)
		if err != nil {
			return nil, err
		}
		if sc.Bank.Configured == o.Built() {
			names = append(names, e.Name)
		}
	}
	if len(names) == 0 {
		return nil, fmt.Errorf("--only %v: no scenario matches of a unit built for %s (--layout); liftbank simulate --list lists the names",
			o.Only, o.Built())
	}
	return names, nil
}

// Units returns the seeds of the units whose description Only lets pass.
func (o *Options) Units(about func(seed uint64) string) (seeds []uint64, err error) {
	for k := range o.Seeds {
		if seed := o.First + uint64(k); o.Matches(about(seed)) {
			seeds = append(seeds, seed)
		}
	}
	if len(seeds) == 0 {
		return nil, fmt.Errorf("--only %v: no unit's description matches", o.Only)
	}
	return seeds, nil
}

// LibraryDays returns the length of a scenario's run that is cut at --days or, without it, at most
// days.
func (o *Options) LibraryDays(own, most float64) float64 {
	if o.Days > 0 {
		most = o.Days
	}
	return min(own, most)
}
