// Command liftbank is the agent of one battery-powered lift, and the tools around it: check a
// configuration, replay a recorded curve, simulate a bank with known truth, show all of it in one
// process.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"

	"github.com/alecthomas/kong"

	"liftbank/agent/config"
)

// version is set when a release is built.
var version = "devel"

// Exit codes.
const (
	exitFailed = 1 // it ran and failed
	exitUsage  = 2 // a flag, a configuration or an input file is wrong: nothing was begun
)

type cli struct {
	Help      helpFlag     `short:"h" help:"Show help for a command: what it does, its flags, an example."`
	Run       runCmd       `cmd:"" help:"Watch the bank connected to this machine's board."`
	Demo      demoCmd      `cmd:"" help:"Run everything in one process: simulated bank, emulated board, agent, broker, page."`
	Check     checkCmd     `cmd:"" help:"Check a configuration. With --probe, also read the board once."`
	PIN       pinCmd       `cmd:"" name:"pin" help:"Set the PIN required for changes on the page."`
	Explain   explainCmd   `cmd:"" help:"Explain a finding: what it means, how it is detected, what to check, what clears it."`
	Replay    replayCmd    `cmd:"" help:"Run the engine on a unit's recording, or the estimators on a recorded curve."`
	Simulate  simulateCmd  `cmd:"" help:"Simulate a bank with known truth and compare the results with it."`
	Suite     suiteCmd     `cmd:"" help:"Run a library of simulated units and print one table."`
	Constants constantsCmd `cmd:"" help:"Print every numeric constant of the rules: value, unit, place, origin."`
	Version   versionCmd   `cmd:"" help:"Print the version."`
	HelpCmd   helpCmd      `cmd:"" name:"help" help:"List the commands."`
}

// streams are what a command reads and writes.
type streams struct {
	ctx      context.Context
	in       io.Reader
	out, err io.Writer
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second signal ends the process at once
	code := run(streams{ctx, os.Stdin, os.Stdout, os.Stderr}, os.Args[1:])
	stop()
	os.Exit(code)
}

// run is the program: it parses args, runs the command and gives the exit code.
func run(s streams, args []string) int {
	var c cli
	parser, err := kong.New(&c, kong.Name("liftbank"), kong.NoDefaultHelp(), kong.Writers(s.out, s.err),
		kong.UsageOnError(),
		kong.Description("Watches the battery bank of a battery-powered lift. Observes only; never switches anything."),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, NoExpandSubcommands: true, WrapUpperBound: 120}))
	if err != nil {
		panic("bug: command line: " + err.Error())
	}
	if len(args) == 0 {
		args = []string{"help"}
	}
	ctx, err := parser.Parse(args)
	if errors.Is(err, errHelpShown) {
		return 0
	}
	if err != nil {
		fmt.Fprintf(s.err, "liftbank: %v\ntry: %s\n", err, helpFor(err))
		return exitUsage
	}
	if err := ctx.Run(s, parser); err != nil {
		fmt.Fprintf(s.err, "liftbank: %v\n", err)
		return exitCode(err)
	}
	return 0
}

// helpFor returns the command line that explains what went wrong with another.
func helpFor(err error) string {
	if parse, ok := errors.AsType[*kong.ParseError](err); ok {
		if node := parse.Context.Selected(); node != nil {
			return "liftbank " + node.Name + " --help"
		}
	}
	return "liftbank help"
}

// usageError is an error of what the command was given.
type usageError struct{ error }

func (u usageError) Unwrap() error { return u.error }

func exitCode(err error) int {
	if _, usage := errors.AsType[usageError](err); usage {
		return exitUsage
	}
	if _, bad := errors.AsType[config.Errors](err); bad {
		return exitUsage
	}
	return exitFailed
}

var errHelpShown = errors.New("help shown")

// helpFlag prints help and stops parsing before anything else is wanted of the command line.
type helpFlag bool

// BeforeReset runs before flags are validated.
func (helpFlag) BeforeReset(ctx *kong.Context) error {
	if err := ctx.PrintUsage(false); err != nil {
		return err
	}
	return errHelpShown
}

type helpCmd struct{}

// Run lists the commands.
func (helpCmd) Run(_ streams, parser *kong.Kong) error {
	ctx, err := kong.Trace(parser, nil)
	if err != nil {
		return err
	}
	return ctx.PrintUsage(false)
}

type versionCmd struct{}

// Run prints version and revision.
func (versionCmd) Run(s streams) error {
	_, err := fmt.Fprintf(s.out, "liftbank %s %s\n", version, revision())
	return err
}

// revision returns the source's revision that the tool chain recorded.
func revision() string {
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, kv := range info.Settings {
			if kv.Key == "vcs.revision" {
				return kv.Value
			}
		}
	}
	return "unknown"
}
