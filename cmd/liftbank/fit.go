package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"time"

	"liftbank/agent"
	"liftbank/agent/config"
	"liftbank/agent/disk"
	"liftbank/agent/safefile"
	"liftbank/cmd/internal/fitting"
)

type fitCmd struct {
	Config  string `required:"" placeholder:"FILE" help:"Configuration of the unit: what the board is meant to be."`
	Restart bool   `help:"Forget what was done before, instead of going on with it."`
}

// Help returns an example.
func (fitCmd) Help() string {
	return "Leads through a board's fitting on a terminal: what to measure and to type, runs of the pump, ignition and disconnect. " +
		"Finds taps, sensors and pins that are swapped, sensors that are reversed or of another size, dividers and thermistors that are " +
		"others than the configuration says, and contacts that are inverted. It changes the configuration where the steps prove it and you " +
		"say yes, in place, with the old one beside it; the rest it names for you to check. The record, fit-UNIT-TIME.json, is written " +
		"beside the configuration. It only reads the board.\n\n" +
		"Ctrl-C and quit keep what was done in FILE.fit; the same command goes on, or the unit's page at /fit. What was begun there goes on " +
		"here. Corrections stored at the unit are left out while measuring; it says what becomes of them. The service has the board while it runs: stop it " +
		"first, with systemctl stop liftbank, and start it again afterward.\n\n" +
		"Example: liftbank fit --config /etc/liftbank/unit.yaml"
}

// serviceUnit is the unit of the agent's service.
const serviceUnit = "liftbank.service"

// serviceRuns reports whether the agent's service has the board.
func serviceRuns(ctx context.Context) bool {
	systemctl, err := exec.LookPath("systemctl")
	return err == nil && exec.CommandContext(ctx, systemctl, "is-active", "--quiet", serviceUnit).Run() == nil
}

// Run leads through the fitting.
func (c fitCmd) Run(s streams) (err error) {
	if c.Config == "-" {
		return usageError{errors.New("--config -: want a file: it may be changed")}
	}
	path, err := filepath.EvalSymlinks(c.Config) // the link stays
	if err != nil {
		return configError{fmt.Errorf("read config: %w", err)}
	}
	text, err := disk.ReadFile(path)
	if err != nil {
		return configError{fmt.Errorf("read config: %w", err)}
	}
	cfg, err := parseConfig(path, text)
	if err != nil {
		return configError{err}
	}
	if serviceRuns(s.ctx) {
		return usageError{fmt.Errorf("%s runs and has the board: fit it on the unit's page at /fit, or stop it with systemctl stop liftbank, and start it again "+
			"afterward", serviceUnit)}
	}
	belongs, err := existing(path)
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	hw, err := openBoard(&cfg)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, hw.Close()) }()
	board, err := agent.NewBoard(fitting.Paced(cfg), partsOf(hw))
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(s.ctx)
	var contacts sync.WaitGroup
	contacts.Go(func() { _ = hw.Run(ctx) }) // ends with ctx, whose end is no error here
	defer contacts.Wait()
	defer cancel()
	t := fitting.Terminal{
		Path: path, Text: text, Config: cfg, Board: board, Lines: typedLines(ctx, s.in), Out: s.out, Now: time.Now,
		Program: "liftbank " + version, Restart: c.Restart,
		Write: func(path string, data []byte) error { return safefile.Replace(path, data, belongs.give) },
		Kept:  keptByAgent(cfg), Share: belongs.share,
	}
	_, err = t.Run(ctx)
	return err
}

// serviceState is the state folder of the agent's service.
const serviceState = "/var/lib/liftbank"

// keptByAgent returns the folder of visits and settings of a unit's agent; empty where it is not known.
func keptByAgent(cfg config.Config) string {
	dir := stateDir(&cfg)
	switch {
	case cfg.Visits.Dir != "":
		return cfg.Visits.Dir
	case dir == "":
		dir = serviceState
	}
	dir = filepath.Join(dir, "visits")
	if info, err := os.Stat(dir); err != nil || !info.IsDir() {
		return ""
	}
	return dir
}

// keyboard is what is typed, line by line.
type keyboard struct {
	lines chan string
	ended error // why lines was closed; read after that
}

// typedLines reads lines in the background until the input or ctx ends. A read that waits for a key ends
// with the process.
func typedLines(ctx context.Context, in io.Reader) *keyboard {
	k := &keyboard{lines: make(chan string)}
	go func() {
		defer close(k.lines)
		scan := bufio.NewScanner(in)
		for scan.Scan() {
			select {
			case k.lines <- scan.Text():
			case <-ctx.Done():
				k.ended = ctx.Err()
				return
			}
		}
		if k.ended = scan.Err(); k.ended == nil {
			k.ended = errors.New("the input ended")
		}
	}()
	return k
}

// Poll returns a line if one has been typed.
func (k *keyboard) Poll() (string, bool, error) {
	select {
	case line, open := <-k.lines:
		if !open {
			return "", false, k.ended
		}
		return line, true, nil
	default:
		return "", false, nil
	}
}
