//go:build !board

package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"time"

	"liftbank/agent/config"
	"liftbank/agent/recording"
	"liftbank/cmd/internal/playback"
	"liftbank/cmd/internal/plot"
	"liftbank/rules"
)

// unit runs the whole engine on a unit's recording.
func (c replayCmd) unit(s streams) (err error) {
	cfg, err := loadConfig(c.Config, s.in)
	if err != nil {
		return err
	}
	inputs, total, err := c.inputs(s)
	if err != nil {
		return usageError{err}
	}
	scans := recording.New(&cfg, recording.Options{AnyUnit: c.AnyUnit}, inputs...)
	defer func() { err = errors.Join(err, scans.Close()) }()
	var truth *playback.TrueCharge
	if c.Recording != "-" {
		if truth, err = playback.OpenTrueCharge(c.Recording); err != nil {
			return usageError{err}
		}
		defer func() { err = errors.Join(err, truth.Close()) }()
	}
	p, err := playback.New(cfg, scans, truth)
	if err != nil {
		return usageError{err}
	}
	v, err := c.newUnitReplay(s, &cfg)
	if err != nil {
		return err
	}
	progress := newReplayProgress(s.err, total)
	err = p.Run(s.ctx, func(out *rules.Output, changes []playback.Change) error {
		progress.step(scans.Bytes(), p.Span())
		return v.step(out, changes, p)
	})
	progress.end()
	if err == nil && !p.Played() {
		err = fmt.Errorf("%s: no scan: want rows of the configuration's channels", c.Recording)
	}
	if err != nil && s.ctx.Err() == nil && !v.failed {
		err = usageError{err}
	}
	if err = v.end(p, err); err != nil {
		return err
	}
	c.summarize(s, p)
	return nil
}

// inputs returns the files to read, and how long they are together; 0 where that is not known.
func (c replayCmd) inputs(s streams) (inputs []recording.Input, total int64, err error) {
	if c.Recording == "-" {
		return []recording.Input{{Name: "standard input",
			Open: func() (io.ReadCloser, error) { return io.NopCloser(s.in), nil }}}, 0, nil
	}
	if inputs, err = recording.Inputs(c.Recording); err != nil {
		return nil, 0, err
	}
	for _, in := range inputs {
		total += in.Bytes
	}
	return inputs, total, nil
}

// unitReplay writes what a replay of a unit shows.
type unitReplay struct {
	c         replayCmd
	outputs   []*output
	said      *bufio.Writer // nil: standard output has something else
	findings  *output       // nil: none
	episodes  playback.Episodes
	estimates *bufio.Writer // nil: none
	due       time.Duration
	begun     bool
	trace     *plot.Trace // nil: no plot
	now       time.Duration
	failed    bool // in writing
}

func (c replayCmd) newUnitReplay(s streams, cfg *config.Config) (*unitReplay, error) {
	v := &unitReplay{c: c}
	if dashes(c.Out, c.Findings) == 0 {
		v.said = bufio.NewWriter(s.out)
	}
	if c.Findings != "" {
		out, err := createOutput(c.Findings, s.out, c.Recording, c.Config)
		if err != nil {
			return nil, err
		}
		v.outputs, v.findings = append(v.outputs, out), out
	}
	if c.Out != "" {
		out, err := createOutput(c.Out, s.out, c.Recording, c.Config, c.Findings)
		if err != nil {
			for _, o := range v.outputs {
				err = o.finish(err)
			}
			return nil, err
		}
		v.outputs, v.estimates = append(v.outputs, out), bufio.NewWriterSize(out, 64<<10)
		v.estimates.WriteString(replayHeader)
	}
	if c.Plot != "" {
		var ids []string
		for _, b := range cfg.Bank.Batteries {
			ids = append(ids, b.ID)
		}
		v.trace = plot.NewOpenTrace(ids)
	}
	return v, nil
}

// step takes the result of a scan.
func (v *unitReplay) step(out *rules.Output, changes []playback.Change, p *playback.Player) error {
	v.now = out.At.Mono
	if err := v.say(changes); err != nil {
		v.failed = true
		return fmt.Errorf("write findings: %w", err)
	}
	v.episodes.Take(changes)
	if v.trace != nil {
		v.trace.Add(out, func(battery int) float64 {
			if pct, ok := p.TruePct(out.Battery[battery].ID); ok {
				return pct
			}
			return math.NaN()
		})
	}
	if v.estimates == nil || v.begun && out.At.Mono < v.due {
		return nil
	}
	v.begun, v.due = true, out.At.Mono+v.c.Every
	v.estimate(out)
	return nil
}

func (v *unitReplay) say(changes []playback.Change) error {
	if v.said == nil {
		return nil
	}
	for i := range changes {
		if err := changes[i].WriteText(v.said); err != nil {
			return err
		}
	}
	return nil
}

func (v *unitReplay) estimate(out *rules.Output) {
	for i := range out.Battery {
		writeEstimate(v.estimates, out.At.Mono.Seconds(), &out.Battery[i])
	}
}

// end completes the files, or removes them if err is not nil.
func (v *unitReplay) end(p *playback.Player, err error) error {
	if err == nil {
		if v.estimates != nil && v.c.Every > 0 {
			v.estimate(p.Core.Output())
		}
		if v.estimates != nil {
			err = v.estimates.Flush()
		}
		if v.findings != nil {
			err = errors.Join(err, writeJSON(v.findings, v.episodes.List()))
		}
	}
	if v.said != nil {
		err = errors.Join(err, v.said.Flush()) // after an error, too: what was found so far stays
	}
	for _, out := range v.outputs {
		err = out.finish(err)
	}
	if err != nil || v.trace == nil {
		return err
	}
	since := func(s float64) time.Duration { return v.trace.Since(seconds(s)) }
	for _, e := range v.episodes.All {
		spell := plot.Spell{Name: e.Finding, From: since(e.RaisedS), Until: v.trace.Since(v.now)}
		if e.ClearedS != nil {
			spell.Until = since(*e.ClearedS)
		}
		v.trace.Detected = append(v.trace.Detected, spell)
	}
	return writePlot(v.c.Plot, filepath.Base(v.c.Recording), v.trace)
}

// summarize says on standard error how it ended, and what could not be judged.
func (c replayCmd) summarize(s streams, p *playback.Player) {
	out := p.Core.Output()
	text := fmt.Sprintf("replayed %d scans, %.1f h, %d motor runs: %s", p.Core.Stats().Scans, p.Span().Hours(),
		out.Motor.Runs, describe(out))
	if n := p.Scans.Starts(); n > 1 {
		text += fmt.Sprintf("; %d starts of the agent, as one", n)
	}
	for i := range out.Battery {
		if pct, ok := p.ChargeError(i); ok {
			text += fmt.Sprintf("; %s charge error %.1f %% RMS", out.Battery[i].ID, pct)
		}
	}
	fmt.Fprintln(s.err, text)
	for _, n := range append(p.Scans.Notes(), p.NotJudged()...) {
		fmt.Fprintln(s.err, n)
	}
}

// replayProgress shows how far a replay is: on a terminal in one line, in a file now and then.
type replayProgress struct {
	w     io.Writer
	total int64
	over  bool
	every time.Duration
	last  time.Time
	steps int
	shown bool
}

func newReplayProgress(w io.Writer, total int64) *replayProgress {
	p := &replayProgress{w: w, total: total, over: isTerminal(w), every: time.Minute, last: time.Now()}
	if p.over {
		p.every = time.Second
	}
	return p
}

// step looks at the clock now and then only.
func (p *replayProgress) step(bytes int64, span time.Duration) {
	const often = 4096
	if p.steps++; p.steps%often != 0 || time.Since(p.last) < p.every {
		return
	}
	p.last = time.Now()
	line := fmt.Sprintf("replay: %.1f days", span.Hours()/24)
	if p.total > 0 {
		line += fmt.Sprintf(", %.0f %% of the recording", 100*float64(min(bytes, p.total))/float64(p.total))
	}
	if !p.over {
		fmt.Fprintln(p.w, line)
		return
	}
	fmt.Fprint(p.w, "\r\x1b[K", line)
	p.shown = true
}

func (p *replayProgress) end() {
	if p.shown {
		fmt.Fprint(p.w, "\r\x1b[K")
	}
}
