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
	"slices"
	"strings"
	"syscall"

	"github.com/alecthomas/kong"
)

type cli struct {
	ShowHelp    helpFlag    `name:"help" short:"h" help:"Show help for a command: what it does, its flags, an example."`
	ShowVersion versionFlag `name:"version" help:"Print the version."`

	Run        runCmd        `cmd:"" help:"Watch the bank connected to this machine's board."`
	Demo       demoCmd       `cmd:"" help:"Run everything in one process: simulated bank, emulated board, agent, broker, page."`
	Check      checkCmd      `cmd:"" help:"Check a configuration and the files that it names. With --probe, also read the board once."`
	PIN        pinCmd        `cmd:"" name:"pin" help:"Set the PIN required for changes on the page."`
	Sticker    stickerCmd    `cmd:"" help:"Make the sticker with the code that leads a phone to a unit's page."`
	Explain    explainCmd    `cmd:"" help:"Explain a finding: what it means, how it is detected, what to check, what clears it."`
	Replay     replayCmd     `cmd:"" help:"Run the engine on a unit's recording, or the estimators on a recorded curve."`
	Simulate   simulateCmd   `cmd:"" help:"Simulate a bank with known truth and compare the results with it."`
	Suite      suiteCmd      `cmd:"" help:"Run a library of simulated units and print one table."`
	Constants  constantsCmd  `cmd:"" help:"Print every numeric constant of the rules: value, unit, place, origin."`
	Fleet      fleetCmd      `cmd:"" help:"The fleet's side: certificates of units, and checks of all their configurations."`
	Completion completionCmd `cmd:"" help:"Print a script that completes commands, flags and names in a shell."`
	Version    versionCmd    `cmd:"" help:"Print the version."`
	HelpCmd    helpCmd       `cmd:"" name:"help" help:"List the commands, or show help for one."`
	Complete   completeCmd   `cmd:"" hidden:"" help:"Print what may come next on a command line; for the scripts of completion."`
	Man        manCmd        `cmd:"" hidden:"" help:"Print the manual page, for the package."`
}

const description = "Watches the battery bank of a battery-powered lift. Observes only; never switches anything."

// Help lists the exit codes.
func (cli) Help() string {
	return "Wherever a file is read, - is standard input.\n\nExit codes:\n\n" + exitTable()
}

// streams are what a command reads and writes.
type streams struct {
	ctx      context.Context
	in       io.Reader
	out, err io.Writer
}

func main() {
	signals := []os.Signal{os.Interrupt, syscall.SIGTERM}
	if !signal.Ignored(syscall.SIGHUP) { // nohup asks to go on without a terminal
		signals = append(signals, syscall.SIGHUP)
	}
	ctx, stop := signal.NotifyContext(context.Background(), signals...)
	context.AfterFunc(ctx, stop) // a second signal ends the process at once
	code := run(streams{ctx, os.Stdin, os.Stdout, os.Stderr}, os.Args[1:])
	stop()
	os.Exit(code)
}

// newParser returns the parser of the command line.
func newParser(s streams) *kong.Kong {
	parser, err := kong.New(&cli{}, kong.Name("liftbank"), kong.NoDefaultHelp(), kong.Writers(s.out, s.err),
		kong.UsageOnError(), kong.Description(description),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, NoExpandSubcommands: true, WrapUpperBound: 120}))
	if err != nil {
		panic("bug: command line: " + err.Error())
	}
	return parser
}

// run is the program: it parses args, runs the command and gives the exit code.
func run(s streams, args []string) int {
	if len(args) == 0 {
		args = []string{"help"}
	}
	parser := newParser(s)
	ctx, err := parser.Parse(args)
	if errors.Is(err, errAnswered) {
		return 0
	}
	if err != nil {
		command, help := commandOf(err), "liftbank help"
		if command != "" {
			help = "liftbank " + command + " --help"
		}
		fmt.Fprintf(s.err, "liftbank: %v\ntry: %s\n", err, help)
		return exitCodeOf(command, usageError{err})
	}
	err = ctx.Run(s, parser)
	if err == nil {
		return 0
	}
	if _, shown := errors.AsType[shownError](err); !shown {
		fmt.Fprintf(s.err, "liftbank: %v\n", err)
	}
	return exitCodeOf(nameOf(ctx.Selected()), err)
}

// commandOf returns the command whose command line could not be parsed, or "".
func commandOf(err error) string {
	if parse, ok := errors.AsType[*kong.ParseError](err); ok {
		if node := parse.Context.Selected(); node != nil {
			return nameOf(node)
		}
	}
	return ""
}

// nameOf returns what a command is called by: its groups and its name.
func nameOf(n *kong.Node) string {
	if n.Parent == nil || n.Parent.Parent == nil {
		return n.Name
	}
	return nameOf(n.Parent) + " " + n.Name
}

// errAnswered ends parsing where a flag has been answered already.
var errAnswered = errors.New("answered")

// helpFlag prints help and stops parsing before anything else is wanted of the command line.
type helpFlag bool

// BeforeReset runs before flags are validated.
func (helpFlag) BeforeReset(ctx *kong.Context) error {
	if err := ctx.PrintUsage(false); err != nil {
		return err
	}
	return errAnswered
}

type helpCmd struct {
	Command []string `arg:"" optional:"" help:"Name of the command, after that of its group; without it, all are listed."`
}

// Run lists the commands, or shows help for one.
func (c helpCmd) Run(_ streams, parser *kong.Kong) error {
	among := parser.Model.Node
	for _, name := range c.Command {
		i := slices.IndexFunc(among.Children, func(n *kong.Node) bool { return n.Name == name })
		if i < 0 {
			return usageError{fmt.Errorf("help: %q: want one of the commands that liftbank help lists", strings.Join(c.Command, " "))}
		}
		among = among.Children[i]
	}
	ctx, err := kong.Trace(parser, c.Command)
	if err != nil {
		return err
	}
	return ctx.PrintUsage(false)
}
