//go:build !board

package main

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"time"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/agent/recording"
	"liftbank/cmd/internal/playback"
	"liftbank/cmd/internal/player"
	"liftbank/rules"
	"liftbank/rules/unit"
	"liftbank/sim/curve"
)

type replayCmd struct {
	Config    string        `placeholder:"UNIT.yaml" help:"Configuration of the unit that was recorded: run the whole engine, and say what it found; - is standard input."`
	Bank      string        `placeholder:"BANK.yaml" help:"Bank file, or a unit's configuration: run the estimators of its batteries alone, over a curve or a recording; - is standard input."`
	Out       string        `placeholder:"EST.csv" help:"Write the estimates of each battery; - is standard output, where they go without --config anyway."`
	Every     time.Duration `default:"1m" placeholder:"TIME" help:"With --config: time between two rows of --out (default ${default}); 0 is every scan."`
	Findings  string        `placeholder:"OUT.json" help:"With --config: also write the findings as a JSON list, each with when it was raised and cleared, its cause and its evidence; - is standard output."`
	Plot      string        `placeholder:"OUT.svg" help:"With --config: plot voltage, current, charge and findings on one time axis; .svg or .png."`
	AnyUnit   bool          `name:"any-unit" help:"With --config: take the recording of another unit."`
	Board     bool          `help:"With --bank: send every reading through the emulated board: input-chip registers on an I2C bus, driver, calibration, scan schedule."`
	Recording string        `arg:"" placeholder:"RECORDING" help:"Recording or curve, plain or compressed with gzip; with --config also a folder of recordings; - is standard input."`
}

// Help describes the formats and gives an example.
func (replayCmd) Help() string {
	return "With --config, the recording is that of a unit, as run --record, demo --data and simulate --record write " +
		"it: CSV with the columns time_s,signal,battery,value,quality, a row for each reading. Signals have the names of the " +
		"configuration. What happened to findings goes to standard output with times and evidence, unless something else " +
		"does. What could not be judged at this rate or without what is missing, and why, goes to standard error. Of a " +
		"simulated unit, whose truth stands beside the recording, so does the error of the charge. A recording that was " +
		"cut off is read up to the cut.\n\n" +
		"With --bank, the curve has the columns time_s,battery,voltage_v,current_a,temperature_c. Others are ignored. An " +
		"empty temperature keeps the last one. Current into the battery is positive. The output has one row for each row " +
		"of the curve, with the estimates after it. An empty field means not known.\n\n" +
		"A summary goes to standard error.\n\n" +
		"Example: liftbank replay --config unit.yaml --findings week.json --plot week.svg recording.csv.gz\n\n" +
		"Example: liftbank replay --bank bank.yaml --out estimates.csv curve.csv"
}

const replayHeader = "time_s,battery,soc_pct,soc_sigma_pct,rested_v,resistance_mohm,cranking_a,verdict\n"

// check reports flags that do not go together.
func (c replayCmd) check() error {
	switch {
	case (c.Config == "") == (c.Bank == ""):
		return usageError{errors.New("--config, --bank: want one of them: --config UNIT.yaml for a unit's recording, " +
			"--bank BANK.yaml for a curve of batteries")}
	case c.Bank != "" && (c.Findings != "" || c.Plot != "" || c.AnyUnit):
		return usageError{errors.New("--findings, --plot, --any-unit: want --config with them")}
	case c.Config != "" && c.Board:
		return usageError{errors.New("--board: want --bank with it")}
	case c.Plot != "" && plotFormat(c.Plot) == "":
		return usageError{fmt.Errorf("--plot %s: want a name that ends in .svg or .png", c.Plot)}
	case c.Every < 0:
		return usageError{fmt.Errorf("--every %v: want 0 or more", c.Every)}
	case dashes(c.Config, c.Bank, c.Recording) > 1:
		return usageError{errors.New("--config, --bank, RECORDING: several on standard input: want files for all but one " +
			"of them")}
	case dashes(c.Out, c.Findings) > 1:
		return usageError{errors.New("--out and --findings: both on standard output: want a file for one of them")}
	}
	return nil
}

// Run replays.
func (c replayCmd) Run(s streams) error {
	if err := c.check(); err != nil {
		return err
	}
	if c.Config != "" {
		return c.unit(s)
	}
	c.Out = cmp.Or(c.Out, "-")
	return c.curve(s)
}

// curve runs the estimators over a curve.
func (c replayCmd) curve(s streams) error {
	cfg, err := c.bank(s.in)
	if err != nil {
		return err
	}
	in, name, err := openInput(c.Recording, s.in)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := createOutput(c.Out, s.out, c.Recording, c.Bank)
	if err != nil {
		return err
	}
	w := bufio.NewWriterSize(out, 64<<10)
	next, note, err := instants(s.ctx, in, name, &cfg)
	var sum replaySummary
	if err == nil {
		sum, err = c.replay(s, cfg, next, w)
	}
	if err != nil {
		err = usageError{err}
	}
	if flushErr := w.Flush(); err == nil && flushErr != nil {
		err = fmt.Errorf("write %s: %w", c.Out, flushErr)
	}
	if err = out.finish(err); err != nil {
		return err
	}
	fmt.Fprintf(s.err, "replayed %d rows, %.1f h, %d batteries: %s\n", sum.rows, sum.span.Hours(), len(cfg.Batteries),
		sum.last)
	for _, n := range append(note(), sum.notJudged...) {
		fmt.Fprintln(s.err, n)
	}
	return nil
}

// unitSection is at the start of a line of a unit's configuration, and of no bank file.
var unitSection = regexp.MustCompile(`(?m)^(unit|board):`)

// bank reads the bank that a curve was recorded on, from a bank file or a unit's configuration.
func (c replayCmd) bank(stdin io.Reader) (rules.Config, error) {
	data, name, err := readAll(c.Bank, stdin)
	if err != nil {
		return rules.Config{}, usageError{fmt.Errorf("read bank: %w", err)}
	}
	var bank config.Bank
	if unitSection.Match(data) {
		unit, err := config.Parse(name, data)
		if err != nil {
			return rules.Config{}, usageError{err}
		}
		bank = unit.Bank
	} else if bank, err = config.LoadBank(name, data); err != nil {
		return rules.Config{}, usageError{err}
	}
	bats, err := agent.Batteries(bank)
	if err != nil {
		return rules.Config{}, err
	}
	return rules.Config{Batteries: bats, Layout: bank.Layout.Rules()}, nil
}

// instants returns what gives the instants of a curve one after another, or those of a unit's
// recording, and what is to be said of it in the end.
func instants(ctx context.Context, in io.Reader, name string, cfg *rules.Config) (func() (curve.Instant, error),
	func() []string, error) {
	b := bufio.NewReaderSize(in, 64<<10)
	start, err := b.Peek(4096) // lines of # come before the header
	if err != nil && err != io.EOF && len(start) == 0 {
		return nil, nil, fmt.Errorf("read %s: %w", name, err)
	}
	if !bytes.Contains(start, []byte(recording.Columns)) {
		return curve.NewReader(b, name).Next, func() []string { return nil }, nil
	}
	var ids []string
	for _, bat := range cfg.Batteries {
		ids = append(ids, bat.ID)
	}
	return playback.Curve(ctx, b, name, ids, cfg.Layout)
}

type replaySummary struct {
	rows      int
	span      time.Duration
	last      string
	notJudged []string
}

// replay steps through the curve and writes a row for each of its rows.
func (c replayCmd) replay(s streams, cfg rules.Config, next func() (curve.Instant, error), w *bufio.Writer) (
	sum replaySummary, err error) {
	step, err := c.stepper(cfg)
	if err != nil {
		return sum, err
	}
	index := map[string]int{}
	for i, b := range cfg.Batteries {
		index[b.ID] = i
	}
	w.WriteString(replayHeader)
	var out *rules.Output
	first := -1.0
	var rates playback.Rates
	for {
		at, err := next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return sum, err
		}
		if err := s.ctx.Err(); err != nil {
			return sum, fmt.Errorf("stopped at %g s", at.TimeS)
		}
		if first < 0 {
			first = at.TimeS
		}
		if out, err = step(at, index); err != nil {
			return sum, err
		}
		rates.Step(out)
		for _, row := range at.Rows {
			writeEstimate(w, at.TimeS, &out.Battery[index[row.Battery]])
			sum.rows++
		}
		sum.span = seconds(at.TimeS - first)
	}
	sum.last = describe(out)
	if out != nil {
		sum.notJudged = rates.NotJudged(out, false)
	}
	return sum, nil
}

// stepper returns the way from an instant of the curve to the rules: straight, or through the
// emulated board.
func (c replayCmd) stepper(cfg rules.Config) (func(curve.Instant, map[string]int) (*rules.Output, error), error) {
	if c.Board {
		p, err := player.New(cfg)
		if err != nil {
			return nil, err
		}
		return p.Step, nil
	}
	engine, err := rules.New(cfg)
	if err != nil {
		return nil, err
	}
	var in rules.Input
	return func(at curve.Instant, index map[string]int) (*rules.Output, error) {
		in.At.Mono = seconds(at.TimeS)
		for i := range cfg.Batteries {
			in.Battery[i] = rules.BatteryInput{} // a battery without a row here was not read
		}
		for _, row := range at.Rows {
			i, known := index[row.Battery]
			if !known {
				return nil, fmt.Errorf("curve at %g s: battery %q: not in the bank: want one of its batteries",
					at.TimeS, row.Battery)
			}
			in.Battery[i] = rules.BatteryInput{VoltageV: good(row.VoltageV), CurrentA: good(row.CurrentA)}
			if row.TempKnown {
				in.Battery[i].TempC = good(row.TempC)
			}
		}
		cfg.Layout.Stack(&in, len(cfg.Batteries))
		return engine.Step(&in), nil
	}, nil
}

func good(v float64) rules.Reading { return rules.Reading{Value: v, Quality: unit.Good} }

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

func writeEstimate(w *bufio.Writer, timeS float64, b *rules.BatteryState) {
	buf := w.AvailableBuffer()
	buf = strconv.AppendFloat(buf, timeS, 'f', -1, 64)
	buf = append(append(buf, ','), b.ID...)
	field := func(known bool, v float64, decimals int) {
		buf = append(buf, ',')
		if known {
			buf = strconv.AppendFloat(buf, v, 'f', decimals, 64)
		}
	}
	field(b.SoCPct.Known, b.SoCPct.Value, 2)
	field(b.SoCPct.Known, b.SoCPct.Sigma, 2)
	field(b.RestedV.Known, b.RestedV.Value, 3)
	field(b.Resistance.Known, b.Resistance.Value, 3)
	field(b.CrankingA.Known, b.CrankingA.Value, 0)
	buf = append(append(append(buf, ','), b.Verdict.String()...), '\n')
	w.Write(buf)
}

// describe says in a few words where a curve ended.
func describe(out *rules.Output) string {
	if out == nil {
		return "nothing known yet"
	}
	text := ""
	for i := range out.Battery {
		b := &out.Battery[i]
		if i > 0 {
			text += "; "
		}
		if !b.SoCPct.Known {
			text += fmt.Sprintf("%s charge unknown", b.ID)
		} else {
			text += fmt.Sprintf("%s %.0f ± %.1f %%", b.ID, b.SoCPct.Value, b.SoCPct.Sigma)
		}
		text += fmt.Sprintf(" (%s, in %.1f Ah, out %.1f Ah)", b.Verdict, b.ChargedAh, b.DrawnAh)
	}
	active := 0
	for i := range out.Findings {
		if r := &out.Findings[i]; r.Active() {
			text += ", " + r.Def.Name
			active++
		}
	}
	if active == 0 {
		text += ", no findings"
	}
	return text
}
