package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"time"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/cmd/internal/player"
	"liftbank/rules"
	"liftbank/rules/unit"
	"liftbank/sim/curve"
)

type replayCmd struct {
	Bank  string `required:"" placeholder:"BANK.yaml" help:"Bank file: the batteries that the curve was recorded on."`
	Out   string `default:"-" placeholder:"OUT.csv" help:"Output file; - is standard output (default ${default})."`
	Board bool   `help:"Send every reading through the emulated board: input-chip registers on an I2C bus, driver, calibration, scan schedule."`
	Curve string `arg:"" placeholder:"CURVE.csv" help:"Recorded curve; - is standard input."`
}

// Help describes the formats and gives an example.
func (replayCmd) Help() string {
	return "The curve has the columns time_s,battery,voltage_v,current_a,temperature_c. Others are ignored. An " +
		"empty temperature keeps " +
		"the last one. Current into the battery is positive. The output has one row for each row of the curve, with " +
		"the estimates after it. An " +
		"empty field means not known. A summary goes to standard error.\n\n" +
		"Example: liftbank replay --bank bank.yaml --out estimates.csv curve.csv"
}

const replayHeader = "time_s,battery,soc_pct,soc_sigma_pct,rested_v,resistance_mohm,cranking_a,verdict\n"

// Run replays the curve.
func (c replayCmd) Run(s streams) (err error) {
	cfg, err := c.config()
	if err != nil {
		return err
	}
	in, name, err := openInput(c.Curve, s.in)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := createOutput(c.Out, s.out)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, out.Close()) }()
	w := bufio.NewWriterSize(out, 64<<10)
	sum, err := c.replay(s, cfg, curve.NewReader(in, name), w)
	if flushErr := w.Flush(); err == nil && flushErr != nil {
		return fmt.Errorf("write %s: %w", c.Out, flushErr)
	}
	if err != nil {
		return usageError{err}
	}
	fmt.Fprintf(s.err, "replayed %d rows, %.1f h, %d batteries: %s\n", sum.rows, sum.span.Hours(), len(cfg.Batteries),
		sum.last)
	return nil
}

func (c replayCmd) config() (rules.Config, error) {
	data, err := os.ReadFile(c.Bank)
	if err != nil {
		return rules.Config{}, usageError{fmt.Errorf("read bank: %w", err)}
	}
	bank, err := config.LoadBank(c.Bank, data)
	if err != nil {
		return rules.Config{}, err
	}
	bats, err := agent.Batteries(bank)
	if err != nil {
		return rules.Config{}, err
	}
	return rules.Config{Batteries: bats}, nil
}

type replaySummary struct {
	rows int
	span time.Duration
	last string
}

// replay steps through the curve and writes a row for each of its rows.
func (c replayCmd) replay(s streams, cfg rules.Config, r *curve.Reader, w *bufio.Writer) (sum replaySummary,
	err error) {
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
	for {
		at, err := r.Next()
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
		for _, row := range at.Rows {
			writeEstimate(w, at.TimeS, &out.Battery[index[row.Battery]])
			sum.rows++
		}
		sum.span = seconds(at.TimeS - first)
	}
	sum.last = describe(out)
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
