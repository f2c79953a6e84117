package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"text/tabwriter"
	"time"

	"liftbank/cmd/internal/trial"
	"liftbank/cmd/scenariofile"
	"liftbank/sim/scenario"
)

type simulateCmd struct {
	Scenario  string        `placeholder:"FILE|NAME" help:"Scenario by name, or a scenario file."`
	Days      float64       `placeholder:"N" help:"Length of the run; without it, the scenario's own."`
	Seed      *uint64       `placeholder:"S" help:"Seed of duty, weather and sensor noise; without it, the scenario's own."`
	Step      time.Duration `default:"1s" help:"Time between scans while the motor stands, 200ms to 1m (default ${default})."`
	Curve     string        `placeholder:"OUT.csv" help:"Write what the sensors read, in the replay format with the true charge added; - is standard output."`
	Report    string        `placeholder:"OUT.json" help:"Write the comparison with the truth as JSON; - is standard output."`
	Plot      string        `placeholder:"OUT.svg" help:"Draw voltage, current, charge true and estimated, and findings on one time axis; .svg or .png."`
	NoCommand bool          `name:"no-command" help:"Leave the contactor coil unwired: motor runs show by current alone."`
	Restart   time.Duration `placeholder:"EVERY" help:"Let the agent lose power every so often, one minute each time, and go on from what it had saved; 1h or more."`
	Board     bool          `help:"Take every reading byte by byte over the emulated I2C bus: slower, same scans."`
	List      bool          `help:"Name the scenarios and end."`
	Suite     string        `placeholder:"NAME" help:"Run many units with the sensors at the limits of their class and print one table: estimator or findings (the whole library), healthy (years of sound units: what is said of them that is not so), wiring (two weeks each of differently wired units: leads and links), capability (units of aged batteries: the cold cranking capability)."`
	Only      string        `placeholder:"REGEXP" help:"With --suite: only scenarios whose name matches."`
	Years     int           `default:"10" placeholder:"N" help:"With --suite healthy: unit-years, each of another unit; --seed is the first (default ${default})."`
	Fine      bool          `help:"With --suite healthy or wiring: no coarser steps while nothing happens; several times slower."`
	Seeds     int           `default:"3" placeholder:"N" help:"With --suite estimator or findings: runs of each scenario; with wiring or capability: units (default ${default})."`
	Workers   int           `default:"0" placeholder:"N" help:"With --suite: runs side by side; 0 is one a processor."`
	Sweep     bool          `help:"With --suite findings: also every fault of every sensor on a sound unit."`
}

// Help gives an example.
func (simulateCmd) Help() string {
	return "A summary goes to standard error.\n\nExample: liftbank simulate --scenario feed-lost --days 3 --report -"
}

// Run simulates.
func (c simulateCmd) Run(s streams) (err error) {
	if c.List {
		return listScenarios(s.out)
	}
	switch c.Suite {
	case "":
	case "healthy":
		return c.healthy(s)
	case "wiring":
		return c.wiring(s)
	case "capability":
		return c.capability(s)
	default:
		return c.suite(s)
	}
	sc, err := c.scenario()
	if err != nil {
		return err
	}
	o := trial.Options{Days: c.Days, RestEvery: c.Step, ThroughBus: c.Board, NoCommand: c.NoCommand}
	if c.Restart > 0 {
		o.Restarts = trial.Restarts{Every: c.Restart, Off: time.Minute}
	}
	begun := time.Now()
	o.Elapsed = func() time.Duration { return time.Since(begun) }
	if c.Curve != "" {
		out, err2 := createOutput(c.Curve, s.out)
		if err2 != nil {
			return err2
		}
		defer func() { err = errors.Join(err, out.Close()) }()
		o.Curve = out
	}
	if c.Plot != "" {
		o.Trace = newTrace(sc, c.Days)
	}
	rep, err := trial.Run(s.ctx, sc, o)
	if err != nil {
		return err
	}
	if c.Plot != "" {
		if err := writePlot(c.Plot, sc.Name, o.Trace); err != nil {
			return err
		}
	}
	fmt.Fprintln(s.err, summarise(rep))
	if c.Report == "" {
		return nil
	}
	return writeReport(c.Report, s.out, rep)
}

// suiteDays is the longest run of a scenario in the suite; with --days another.
const suiteDays = 8

// suite runs the library and prints its table where the report would go.
func (c simulateCmd) suite(s streams) (err error) {
	switch {
	case c.Suite != "estimator" && c.Suite != "findings":
		return usageError{fmt.Errorf("--suite %q: want estimator, findings, healthy, wiring or capability", c.Suite)}
	case c.Workers < 0 || c.Workers > 256:
		return usageError{fmt.Errorf("--workers %d: want 0 to 256", c.Workers)}
	case c.Seeds < 1 || c.Seeds > 1000:
		return usageError{fmt.Errorf("--seeds %d: want 1 to 1000", c.Seeds)}
	case c.Days != 0 && (c.Days < 3 || c.Days > 4000):
		return usageError{fmt.Errorf("--days %g: want 3 to 4000", c.Days)}
	}
	workers := c.workers()
	if c.Suite == "findings" {
		return c.findingsSuite(s, workers)
	}
	suite := trial.Suite{Seeds: c.Seeds, MaxDays: suiteDays, Workers: workers}
	if c.Days > 0 {
		suite.MaxDays = c.Days
	}
	if suite.Match, err = regexp.Compile(c.Only); err != nil {
		return usageError{fmt.Errorf("--only: %w", err)}
	}
	if c.Scenario != "" {
		suite.Only = strings.Split(c.Scenario, ",")
	}
	rows, err := trial.RunSuite(s.ctx, suite)
	return c.writeEnded(s, err, len(rows) > 0, func(out io.Writer) error { return trial.WriteSuite(out, rows) })
}

// healthy plays years of sound units. Each unit's year is told on standard error as it ends.
func (c simulateCmd) healthy(s streams) (err error) {
	switch {
	case c.Years < 1 || c.Years > 100000:
		return usageError{fmt.Errorf("--years %d: want 1 to 100000", c.Years)}
	case c.Days != 0 && (c.Days < 1 || c.Days > 4000):
		return usageError{fmt.Errorf("--days %g: want 1 to 4000", c.Days)}
	}
	begun := time.Now()
	units, err := trial.RunHealthy(s.ctx, trial.Healthy{Years: c.Years, First: c.firstSeed(), Days: c.Days, Workers: c.workers(), Fine: c.Fine, RestEvery: c.Step,
		Progress: func(u trial.HealthyUnit) { fmt.Fprintln(s.err, u.Sentence()) }})
	return c.writeEnded(s, err, len(units) > 0, func(out io.Writer) error { return trial.WriteHealthy(out, units, time.Since(begun)) })
}

// wiring plays differently wired units. What was told wrong of one is told on standard error as it ends.
func (c simulateCmd) wiring(s streams) error {
	if c.Seeds < 1 || c.Seeds > 100000 {
		return usageError{fmt.Errorf("--seeds %d: want 1 to 100000", c.Seeds)}
	}
	begun := time.Now()
	units, err := trial.RunWirings(s.ctx, trial.Wirings{Units: c.Seeds, First: c.firstSeed(), Days: c.Days, Workers: c.workers(), Fine: c.Fine,
		Progress: func(u trial.WiredUnit) {
			if u.Wrong != "" {
				fmt.Fprintln(s.err, u.Sentence())
			}
		}})
	return c.writeEnded(s, err, len(units) > 0, func(out io.Writer) error { return trial.WriteWirings(out, units, time.Since(begun)) })
}

// capability plays units of aged batteries; each battery is told on standard error as its unit ends.
func (c simulateCmd) capability(s streams) error {
	if c.Seeds < 1 || c.Seeds > 100000 {
		return usageError{fmt.Errorf("--seeds %d: want 1 to 100000", c.Seeds)}
	}
	begun := time.Now()
	all, err := trial.RunCapability(s.ctx, trial.Capability{Units: c.Seeds, First: c.firstSeed(), Days: c.Days, Workers: c.workers(), NoCommand: c.NoCommand,
		Progress: func(batteries []trial.AgedBattery) {
			for i := range batteries {
				fmt.Fprintln(s.err, batteries[i].Sentence())
			}
		}})
	return c.writeEnded(s, err, len(all) > 0, func(out io.Writer) error { return trial.WriteCapability(out, all, time.Since(begun)) })
}

// workers gives how many runs go side by side: as told, else one a processor.
func (c simulateCmd) workers() int {
	if c.Workers > 0 {
		return min(c.Workers, 256)
	}
	return runtime.GOMAXPROCS(0)
}

func (c simulateCmd) firstSeed() uint64 {
	if c.Seed != nil {
		return *c.Seed
	}
	return 1
}

// writeTable writes where the report would go, else on standard output.
func (c simulateCmd) writeTable(s streams, write func(io.Writer) error) (err error) {
	name := c.Report
	if name == "" {
		name = "-"
	}
	out, err := createOutput(name, s.out)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, out.Close()) }()
	return write(out)
}

// writeEnded writes a suite's table. A suite that broke off, by a signal or an error, gives that of the runs that had ended, under a line that
// says so; without any there is only the error.
func (c simulateCmd) writeEnded(s streams, broke error, some bool, write func(io.Writer) error) error {
	switch {
	case broke == nil:
		return c.writeTable(s, write)
	case !some:
		return broke
	}
	return errors.Join(broke, c.writeTable(s, func(out io.Writer) error {
		if _, err := fmt.Fprintf(out, "broken off (%v): of the runs that had ended\n", broke); err != nil {
			return err
		}
		return write(out)
	}))
}

// scenario loads and checks what the flags ask for.
func (c simulateCmd) scenario() (scenario.Scenario, error) {
	var none scenario.Scenario
	switch {
	case c.Scenario == "":
		return none, usageError{errors.New("--scenario: missing: want a file or a name; --list names them")}
	case c.Days < 0 || c.Days > 4000:
		return none, usageError{fmt.Errorf("--days %g: want more than 0, to 4000", c.Days)}
	case c.Step < 200*time.Millisecond || c.Step > time.Minute:
		return none, usageError{fmt.Errorf("--step %v: want 200ms to 1m", c.Step)}
	case c.Restart != 0 && c.Restart < time.Hour:
		return none, usageError{fmt.Errorf("--restart %v: want 1h or more", c.Restart)}
	case c.Plot != "" && plotFormat(c.Plot) == "":
		return none, usageError{fmt.Errorf("--plot %s: want a name that ends in .svg or .png", c.Plot)}
	case c.Curve == "-" && c.Report == "-":
		return none, usageError{errors.New("--curve and --report: both to standard output")}
	}
	sc, err := loadScenario(c.Scenario)
	if c.Seed != nil {
		sc.Seed = *c.Seed
	}
	return sc, err
}

// loadScenario takes a name of the library, or a file.
func loadScenario(name string) (scenario.Scenario, error) {
	if !strings.ContainsAny(name, "./\\") {
		sc, err := scenariofile.Load(name)
		if err != nil {
			return sc, usageError{err}
		}
		return sc, nil
	}
	data, err := os.ReadFile(name)
	if err != nil {
		return scenario.Scenario{}, usageError{fmt.Errorf("read scenario: %w", err)}
	}
	sc, err := scenariofile.Parse(name, data)
	if err != nil {
		return sc, usageError{err}
	}
	return sc, nil
}

func newTrace(sc scenario.Scenario, days float64) *trial.Trace {
	var ids []string
	for _, b := range sc.Bank.Batteries {
		ids = append(ids, b.ID)
	}
	return trial.NewTrace(trial.Length(sc, days), ids)
}

// plotFormat gives the format that a file's name asks for, empty for another.
func plotFormat(name string) string {
	switch ext := strings.ToLower(filepath.Ext(name)); ext {
	case ".svg", ".png":
		return ext[1:]
	}
	return ""
}

func writePlot(name, title string, t *trial.Trace) (err error) {
	f, err := os.Create(name)
	if err != nil {
		return usageError{fmt.Errorf("create plot: %w", err)}
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	return trial.Plot(f, title, plotFormat(name), t)
}

func listScenarios(out io.Writer) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, e := range scenariofile.Names() {
		fmt.Fprintf(w, "%s\t%s\n", e.Name, e.Description)
	}
	return w.Flush()
}

func summarise(r *trial.Report) string {
	text := fmt.Sprintf("%s, seed %d: %.1f days in %.1f s (%.0f simulated seconds a second), %d scans; motor runs %d of %d", r.Scenario, r.Seed,
		r.SimulatedS/86400, r.WallS, r.SpeedSPerS, r.Scans, r.Runs.Counted, r.Runs.True)
	for _, b := range r.Batteries {
		text += fmt.Sprintf("; %s charge error %.1f %% RMS", b.ID, b.RMSPct)
	}
	for _, f := range r.Findings {
		if f.DelayS == nil {
			text += fmt.Sprintf("; %s not found", f.Finding)
		} else {
			text += fmt.Sprintf("; %s found after %v", f.Finding, time.Duration(*f.DelayS*float64(time.Second)).Round(time.Second))
		}
	}
	return text + fmt.Sprintf("; %d false findings", len(r.False))
}

func writeReport(name string, stdout io.Writer, rep *trial.Report) (err error) {
	out, err := createOutput(name, stdout)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, out.Close()) }()
	enc := json.NewEncoder(out)
	enc.SetIndent("", "  ")
	if err := enc.Encode(rep); err != nil {
		return fmt.Errorf("write report: %w", err)
	}
	return nil
}
