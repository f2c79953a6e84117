//go:build !board

package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"liftbank/cmd/internal/playback"
	"liftbank/cmd/internal/plot"
	"liftbank/cmd/internal/score"
	"liftbank/cmd/internal/trial"
	"liftbank/cmd/scenariofile"
	"liftbank/rules"
	"liftbank/sim/curve"
	"liftbank/sim/scenario"
)

type simulateCmd struct {
	Scenario  string        `placeholder:"FILE|NAME" help:"Scenario name or file; - is standard input."`
	Days      float64       `placeholder:"N" help:"Days to simulate (default: the scenario's)."`
	Seed      *uint64       `placeholder:"S" help:"Seed for duty, weather and sensor noise (default: the scenario's)."`
	Step      time.Duration `default:"1s" help:"Time between scans while the motor is stopped, 200ms to 1m (default ${default})."`
	Record    string        `placeholder:"OUT.csv.gz" help:"Write a recording of the unit for liftbank replay, every scan, compressed if the name ends in .gz; and beside OUT.csv.gz its configuration OUT.unit.yaml, the truth of its batteries OUT.truth.csv, and the comparison with the truth OUT.truth.json."`
	Findings  string        `placeholder:"OUT.json" help:"Write the findings as a JSON list, as replay does; - is standard output."`
	Curve     string        `placeholder:"OUT.csv" help:"Write the readings of each scan as a curve of the batteries, with the true charge; - is standard output."`
	Report    string        `placeholder:"OUT.json" help:"Write the comparison with the truth as JSON; - is standard output."`
	Plot      string        `placeholder:"OUT.svg" help:"Plot voltage, current, true and estimated charge, and findings on one time axis; .svg or .png."`
	NoCommand bool          `name:"no-command" help:"Simulate a board without the contactor coil wired: motor runs are detected from current only."`
	Restart   time.Duration `placeholder:"EVERY" help:"Cut the agent's power for one minute at this interval, and continue from its saved state; 1h or more."`
	Board     bool          `help:"Read every value byte by byte over the emulated I2C bus. Slower, same scans."`
	List      bool          `help:"List the scenarios and exit."`
	JSON      bool          `name:"json" help:"With --list: print JSON."`
}

// Help returns an example.
func (simulateCmd) Help() string {
	return "A summary goes to standard error.\n\n" +
		"Example: liftbank simulate --scenario feed-lost --days 3 --report -\n\n" +
		"Example: liftbank simulate --scenario battery-tired --days 14 --record r.csv.gz\n" +
		"         liftbank replay --config r.unit.yaml r.csv.gz"
}

// Run simulates.
func (c simulateCmd) Run(s streams) (err error) {
	if c.List {
		return listScenarios(s.out, c.JSON)
	}
	sc, err := c.scenario(s.in)
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
	watch, err := c.watchers(s)
	if err != nil {
		return err
	}
	defer func() {
		for _, w := range watch {
			err = w.end(err)
		}
	}()
	var trace *plot.Trace
	if c.Plot != "" {
		trace = plot.NewTrace(length, score.BatteryIDs(&sc))
		watch = append(watch, watcher{
			step: func(t *trial.Trial, o *rules.Output) error { trace.Add(o, t.Rig.Unit.SoCPct); return nil },
			end:  func(err error) error { return err },
		})
	}
	began := time.Now()
	rep, findings, err := trial.Run(s.ctx, sc, o, length, func(t *trial.Trial, o *rules.Output) error {
		for _, w := range watch {
			if err := w.step(t, o); err != nil {
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
	if c.Record != "" {
		err = errors.Join(
			writeText(playback.Beside(c.Record, playback.UnitEnd), trial.ConfigText(&sc, o)),
			writeReport(playback.Beside(c.Record, playback.ReportEnd), s.out, rep),
		)
	}
	if c.Report == "" || err != nil {
		return err
	}
	return writeReport(c.Report, s.out, rep)
}

// watcher writes a file while a trial is played.
type watcher struct {
	step func(*trial.Trial, *rules.Output) error
	end  func(error) error // takes and returns what became of the command
}

// watchers opens the files that the flags ask for.
func (c simulateCmd) watchers(s streams) (all []watcher, err error) {
	truth := ""
	if c.Record != "" {
		truth = playback.Beside(c.Record, playback.TruthEnd)
	}
	for _, f := range []struct {
		name string
		make func(name string, out *output) watcher
	}{{c.Curve, curveWatcher}, {c.Record, recordWatcher}, {truth, truthWatcher}, {c.Findings, findingsWatcher}} {
		if f.name == "" {
			continue
		}
		out, err := createOutput(f.name, s.out)
		if err != nil {
			for _, w := range all {
				err = w.end(err)
			}
			return nil, err
		}
		all = append(all, f.make(f.name, out))
	}
	return all, nil
}

func curveWatcher(_ string, out *output) watcher {
	w := curve.NewWriter(out)
	return watcher{
		step: func(t *trial.Trial, o *rules.Output) error { return t.WriteCurve(w, o) },
		end:  func(err error) error { return out.finish(errors.Join(err, w.Flush())) },
	}
}

func recordWatcher(name string, out *output) watcher {
	var rec *playback.Record
	return watcher{
		step: func(t *trial.Trial, _ *rules.Output) error {
			if rec == nil {
				rec = playback.NewRecord(out, name, t.Config())
			}
			return rec.Step(t)
		},
		end: func(err error) error {
			if rec != nil {
				err = errors.Join(err, rec.Close())
			}
			return out.finish(err)
		},
	}
}

func truthWatcher(_ string, out *output) watcher {
	var truth *playback.Truth
	return watcher{
		step: func(t *trial.Trial, _ *rules.Output) (err error) {
			if truth == nil {
				if truth, err = playback.NewTruth(out, "", t.Rig.Unit); err != nil {
					return err
				}
			}
			return truth.Step(t.Core.Scan().At)
		},
		end: func(err error) error {
			if truth != nil {
				err = errors.Join(err, truth.Flush())
			}
			return out.finish(err)
		},
	}
}

func findingsWatcher(_ string, out *output) watcher {
	var episodes playback.Episodes
	return watcher{
		step: func(_ *trial.Trial, o *rules.Output) error {
			episodes.Take(playback.ChangesOf(o, time.UTC))
			return nil
		},
		end: func(err error) error { return out.finish(errors.Join(err, writeJSON(out, episodes.List()))) },
	}
}

func writeText(name, text string) error {
	out, err := createOutput(name, nil)
	if err != nil {
		return err
	}
	_, err = io.WriteString(out, text)
	return out.finish(err)
}

// scenario loads and checks what the flags ask for.
func (c simulateCmd) scenario(stdin io.Reader) (scenario.Scenario, error) {
	var none scenario.Scenario
	switch {
	case c.JSON:
		return none, usageError{errors.New("--json: want --list with it; --report - prints the comparison as JSON")}
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
	case c.Record == "-":
		return none, usageError{errors.New("--record: -: want a file")}
	case dashes(c.Curve, c.Report, c.Findings) > 1:
		return none, usageError{errors.New("--curve, --report and --findings: several on standard output: want files for " +
			"all but one of them")}
	}
	sc, err := loadScenario(c.Scenario, stdin)
	if c.Seed != nil {
		sc.Seed = *c.Seed
	}
	return sc, err
}

// dashes counts the files that are standard input or output.
func dashes(names ...string) (n int) {
	for _, name := range names {
		if name == "-" {
			n++
		}
	}
	return n
}

// loadScenario loads a scenario of the library by name, or from a file, standard input for "-".
func loadScenario(name string, stdin io.Reader) (scenario.Scenario, error) {
	if name != "-" && !strings.ContainsAny(name, "./\\") {
		sc, err := scenariofile.Load(name)
		if err != nil {
			return sc, usageError{err}
		}
		return sc, nil
	}
	data, shown, err := readAll(name, stdin)
	if err != nil {
		return scenario.Scenario{}, usageError{fmt.Errorf("read scenario: %w", err)}
	}
	sc, err := scenariofile.Parse(shown, data)
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

func writePlot(name, title string, t *plot.Trace) error {
	f, err := createOutput(name, nil)
	if err != nil {
		return err
	}
	return f.finish(plot.Write(f, title, plotFormat(name), t))
}

func listScenarios(out io.Writer, asJSON bool) error {
	if asJSON {
		return writeJSON(out, scenariofile.Names())
	}
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
	if p := r.Power; p.Sleeps > 0 {
		text += fmt.Sprintf("; its own board took %.1f Ah (true %.1f), asleep for %.0f days; %.0f lifts left", p.DrawnAh, p.TrueAh,
			p.AsleepDays, p.TrueLifts)
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

func writeReport(name string, stdout io.Writer, rep any) error {
	out, err := createOutput(name, stdout)
	if err != nil {
		return err
	}
	enc := json.NewEncoder(out)
	enc.SetIndent("", "  ")
	if err := enc.Encode(rep); err != nil {
		return out.finish(fmt.Errorf("write report: %w", err))
	}
	return out.finish(nil)
}
