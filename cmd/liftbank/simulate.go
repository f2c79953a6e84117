package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"liftbank/cmd/internal/plot"
	"liftbank/cmd/internal/score"
	"liftbank/cmd/internal/trial"
	"liftbank/cmd/scenariofile"
	"liftbank/rules"
	"liftbank/sim/curve"
	"liftbank/sim/scenario"
)

type simulateCmd struct {
	Scenario  string        `placeholder:"FILE|NAME" help:"Scenario name or file."`
	Days      float64       `placeholder:"N" help:"Days to simulate (default: the scenario's)."`
	Seed      *uint64       `placeholder:"S" help:"Seed for duty, weather and sensor noise (default: the scenario's)."`
	Step      time.Duration `default:"1s" help:"Time between scans while the motor is stopped, 200ms to 1m (default ${default})."`
	Curve     string        `placeholder:"OUT.csv" help:"Write the sensor readings in replay format plus the true charge; - is standard output."`
	Report    string        `placeholder:"OUT.json" help:"Write the comparison with the truth as JSON; - is standard output."`
	Plot      string        `placeholder:"OUT.svg" help:"Plot voltage, current, true and estimated charge, and findings on one time axis; .svg or .png."`
	NoCommand bool          `name:"no-command" help:"Simulate a board without the contactor coil wired: motor runs are detected from current only."`
	Restart   time.Duration `placeholder:"EVERY" help:"Cut the agent's power for one minute at this interval, and continue from its saved state; 1h or more."`
	Board     bool          `help:"Read every value byte by byte over the emulated I2C bus. Slower, same scans."`
	List      bool          `help:"List the scenarios and exit."`
}

// Help returns an example.
func (simulateCmd) Help() string {
	return "A summary goes to standard error.\n\nExample: liftbank simulate --scenario feed-lost --days 3 --report -"
}

// Run simulates.
func (c simulateCmd) Run(s streams) (err error) {
	if c.List {
		return listScenarios(s.out)
	}
	sc, err := c.scenario()
	if err != nil {
		return err
	}
	o := trial.Options{RestEvery: c.Step, ThroughBus: c.Board, NoCommand: c.NoCommand}
	if c.Restart > 0 {
		o.Restarts = trial.Restarts{Every: c.Restart, Off: time.Minute}
	}
	length := sc.Length()
	if c.Days > 0 {
		length = time.Duration(c.Days * float64(24*time.Hour))
	}
	var watch []func(*trial.Trial, *rules.Output) error
	if c.Curve != "" {
		out, err2 := createOutput(c.Curve, s.out)
		if err2 != nil {
			return err2
		}
		w := curve.NewWriter(out)
		defer func() { err = errors.Join(err, w.Flush(), out.Close()) }()
		watch = append(watch, func(t *trial.Trial, o *rules.Output) error { return t.WriteCurve(w, o) })
	}
	var trace *plot.Trace
	if c.Plot != "" {
		trace = plot.NewTrace(length, score.BatteryIDs(&sc))
		watch = append(watch, func(t *trial.Trial, o *rules.Output) error {
			trace.Add(o, t.Rig.Unit.SoCPct)
			return nil
		})
	}
	began := time.Now()
	rep, findings, err := trial.Run(s.ctx, sc, o, length, func(t *trial.Trial, o *rules.Output) error {
		for _, w := range watch {
			if err := w(t, o); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("simulate %w", err)
	}
	rep.Took(time.Since(began))
	if c.Plot != "" {
		trace.Close(findings)
		if err := writePlot(c.Plot, sc.Name, trace); err != nil {
			return err
		}
	}
	fmt.Fprintln(s.err, summarize(rep))
	if c.Report == "" {
		return nil
	}
	return writeReport(c.Report, s.out, rep)
}

// scenario loads and checks what the flags ask for.
func (c simulateCmd) scenario() (scenario.Scenario, error) {
	var none scenario.Scenario
	switch {
	case c.Scenario == "":
		return none, usageError{errors.New("--scenario: missing: want a file or a name; --list lists the names")}
	case c.Days < 0 || c.Days > 4000:
		return none, usageError{fmt.Errorf("--days %g: want more than 0, to 4000", c.Days)}
	case c.Step < 200*time.Millisecond || c.Step > time.Minute:
		return none, usageError{fmt.Errorf("--step %v: want 200ms to 1m", c.Step)}
	case c.Restart != 0 && c.Restart < time.Hour:
		return none, usageError{fmt.Errorf("--restart %v: want 1h or more", c.Restart)}
	case c.Plot != "" && plotFormat(c.Plot) == "":
		return none, usageError{fmt.Errorf("--plot %s: want a name that ends in .svg or .png", c.Plot)}
	case c.Curve == "-" && c.Report == "-":
		return none, usageError{errors.New("--curve and --report: both on standard output: want a file for one of " +
			"them")}
	}
	sc, err := loadScenario(c.Scenario)
	if c.Seed != nil {
		sc.Seed = *c.Seed
	}
	return sc, err
}

// loadScenario loads a scenario of the library by name, or from a file.
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

// plotFormat returns the format that a file's name asks for, or "".
func plotFormat(name string) string {
	switch ext := strings.ToLower(filepath.Ext(name)); ext {
	case ".svg", ".png":
		return ext[1:]
	}
	return ""
}

func writePlot(name, title string, t *plot.Trace) (err error) {
	f, err := os.Create(name)
	if err != nil {
		return usageError{fmt.Errorf("create plot: %w", err)}
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	return plot.Write(f, title, plotFormat(name), t)
}

func listScenarios(out io.Writer) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, e := range scenariofile.Names() {
		fmt.Fprintf(w, "%s\t%s\n", e.Name, e.Description)
	}
	return w.Flush()
}

func summarize(r *score.Report) string {
	text := fmt.Sprintf("%s, seed %d: %.1f days in %.1f s (%.0f simulated seconds per second), %d scans; %d of %d "+
		"motor runs counted",
		r.Scenario, r.Seed, r.SimulatedS/86400, r.WallS, r.SpeedSPerS, r.Scans, r.Runs.Counted, r.Runs.True)
	for _, b := range r.Batteries {
		text += fmt.Sprintf("; %s charge error %.1f %% RMS", b.ID, b.RMSPct)
	}
	for _, f := range r.Findings {
		if f.DelayS == nil {
			text += fmt.Sprintf("; %s not found", f.Finding)
		} else {
			delay := time.Duration(*f.DelayS * float64(time.Second)).Round(time.Second)
			text += fmt.Sprintf("; %s found after %v", f.Finding, delay)
		}
	}
	return text + fmt.Sprintf("; %d false findings", len(r.False))
}

func writeReport(name string, stdout io.Writer, rep any) (err error) {
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
