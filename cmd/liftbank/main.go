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
	"strings"
	"syscall"

	"liftbank/cmd/internal/commands"
)

const description = "Watches the battery bank of a battery-powered lift. Observes only; never switches anything."

// Help lists the exit codes.
func (cli) Help() string {
	return "This is " + about + ".\n\nWherever a file is read, - is standard input.\n\nExit codes:\n\n" + exitTable()
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

// newProgram returns the program's commands.
func newProgram() *commands.Command { return commands.New("liftbank", description, &cli{}) }

// run is the program: it parses args, runs the command and gives the exit code.
func run(s streams, args []string) int {
	if len(args) == 0 {
		args = []string{"help"}
	}
	var answered error
	cmd, done, err := newProgram().Parse(args, func(cmd *commands.Command, flag *commands.Value) bool {
		switch flag.Name {
		case "help":
			answered = cmd.Usage(s.out)
			return true
		case "version":
			answered = printVersion(s.out)
			return true
		}
		return false
	})
	if done && answered == nil {
		return 0
	}
	if err != nil {
		command, help := "", "liftbank help"
		if bad, ok := errors.AsType[*commands.Error](err); ok && bad.Command.Parent != nil {
			command = bad.Command.Path()
			help = "liftbank " + command + " --help"
		}
		fmt.Fprintf(s.err, "liftbank: %v\ntry: %s\n", err, help)
		return exitCodeOf(command, usageError{err})
	}
	if err = answered; !done {
		err = runCommand(s, cmd)
	}
	if err == nil {
		return 0
	}
	if _, shown := errors.AsType[shownError](err); !shown {
		fmt.Fprintf(s.err, "liftbank: %v\n", err)
	}
	return exitCodeOf(cmd.Path(), err)
}

// runCommand runs a command, which may want to know where among the commands it is.
func runCommand(s streams, cmd *commands.Command) error {
	switch c := cmd.Target().(type) {
	case interface{ Run(streams) error }:
		return c.Run(s)
	case interface {
		Run(streams, *commands.Command) error
	}:
		return c.Run(s, cmd)
	}
	panic("bug: command that can't be run: " + cmd.Path())
}

type helpCmd struct {
	Command []string `arg:"" optional:"" help:"Name of the command, after that of its group; without it, all are listed."`
}

// Run lists the commands, or shows help for one.
func (c helpCmd) Run(s streams, cmd *commands.Command) error {
	among := cmd.Program()
	for _, name := range c.Command {
		if among = among.Child(name); among == nil {
			return usageError{fmt.Errorf("help: %q: want one of the commands that liftbank help lists", strings.Join(c.Command, " "))}
		}
	}
	return among.Usage(s.out)
}
