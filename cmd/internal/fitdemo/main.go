// Command fitdemo fits emulated boards whose configuration is wrong, by somebody with meters: without flags
// a table of all mis-wirings, with --show the whole dialog of some at once. Run it from the root of the
// source.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"

	"liftbank/agent/config"
	"liftbank/agent/fit"
	"liftbank/agent/safefile"
	"liftbank/cmd/internal/fitter"
	"liftbank/cmd/internal/fitting"
)

func main() {
	show := flag.String("show", "", "print the dialog with these mis-wirings, separated by commas; none: a sound board")
	file := flag.String("config", "deploy/board-two-batteries.yaml", "configuration of the board as it is wired")
	seed := flag.Uint64("seed", 7, "of the errors of sensors and meters")
	flag.Parse()
	if err := do(*show, *file, *seed); err != nil {
		fmt.Fprintln(os.Stderr, "fitdemo:", err)
		os.Exit(1)
	}
}

func do(show, file string, seed uint64) error {
	if show != "" {
		_, _, err := one(file, strings.Split(show, ","), seed, os.Stdout)
		return err
	}
	w := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "MIS-WIRING\tBOARD\tFOUND\tTHEN")
	wrong := 0
	files, err := filepath.Glob(filepath.Join("deploy", "board-*.yaml"))
	if err == nil && len(files) == 0 {
		err = errors.New("no deploy/board-*.yaml here: want the root of the source")
	}
	if err != nil {
		return err
	}
	for _, file := range files {
		board := strings.TrimSuffix(filepath.Base(file), ".yaml")
		for _, m := range fitter.Miswirings {
			r, right, err := one(file, []string{m.Name}, seed, nil)
			if errors.Is(err, errCant) {
				continue
			}
			if err != nil {
				return err
			}
			then := "the configuration says what the board is"
			if !right {
				then, wrong = "NOT as wired", wrong+1
			}
			fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", m.Name, board, found(r), then)
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if wrong > 0 {
		return fmt.Errorf("%d not put right", wrong)
	}
	return nil
}

func found(r fitting.Result) string {
	var all []string
	for _, v := range r.Document.Verdicts {
		if v.Outcome == fit.Changed || v.Outcome == fit.ByHand {
			all = append(all, v.Text)
		}
	}
	return strings.Join(all, "; ")
}

var errCant = errors.New("this board can't have it")

// one fits one board, and says whether its configuration is right then.
func one(file string, names []string, seed uint64, echo io.Writer) (r fitting.Result, right bool, err error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return r, false, err
	}
	wired, err := config.Parse(file, text)
	if err != nil {
		return r, false, err
	}
	written := text
	for _, name := range names {
		if name == "none" {
			continue
		}
		m, err := fitter.Named(name)
		if err != nil {
			return r, false, err
		}
		now, err := config.Parse(file, written)
		if err != nil {
			return r, false, err
		}
		changes := m.Of(&now)
		if changes == nil {
			return r, false, fmt.Errorf("%s: %w", name, errCant)
		}
		if written, err = fit.Edit(file, written, changes); err != nil {
			return r, false, err
		}
	}
	dir, err := os.MkdirTemp("", "liftbank-fit-")
	if err != nil {
		return r, false, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	path := filepath.Join(dir, filepath.Base(file))
	if err := safefile.WriteFile(path, written); err != nil {
		return r, false, err
	}
	cfg, err := config.Parse(path, written)
	if err != nil {
		return r, false, err
	}
	unit, meters, err := fitter.Unit(wired, seed, true)
	if err != nil {
		return r, false, err
	}
	f := fitter.New(unit)
	f.Meters, f.Echo = meters, echo
	r, err = f.Go(context.Background(), &fitting.Terminal{Path: path, Text: written, Config: cfg, Write: safefile.WriteFile, Program: "fitdemo"})
	if err != nil {
		return r, false, err
	}
	got, err := config.Load(path)
	return r, err == nil && fit.Same(&got.Board, &wired.Board), err
}
