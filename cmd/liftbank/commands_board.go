//go:build board

package main

import (
	"fmt"

	"liftbank/cmd/internal/commands"
)

// The program for the board, as its package has it: what a unit needs, so that it starts fast and leaves
// memory to others. What simulates, draws or belongs to the fleet's side is in the whole program.

// about says which program this is.
const about = "the program for the board, without demo, wiring, replay, simulate, suite, constants and fleet"

type cli struct {
	ShowHelp    bool `name:"help" short:"h" help:"Show help for a command: what it does, its flags, an example."`
	ShowVersion bool `name:"version" help:"Print the version."`

	Run        runCmd        `cmd:"" help:"Watch the bank connected to this machine's board."`
	Check      checkCmd      `cmd:"" help:"Check a configuration and the files that it names. With --probe, also read the board once."`
	Fit        fitCmd        `cmd:"" help:"Fit a board, step by step: find wires and sensors that are not as the configuration says."`
	PIN        pinCmd        `cmd:"" name:"pin" help:"Set the PIN required for changes on the page."`
	Sticker    stickerCmd    `cmd:"" help:"Make the sticker with the code that leads a phone to a unit's page."`
	Explain    explainCmd    `cmd:"" help:"Explain a finding: what it means, how it is detected, what to check, what clears it."`
	Completion completionCmd `cmd:"" help:"Print a script that completes commands, flags and names in a shell."`
	Version    versionCmd    `cmd:"" help:"Print the version."`
	HelpCmd    helpCmd       `cmd:"" name:"help" help:"List the commands, or show help for one."`
	Complete   completeCmd   `cmd:"" hidden:"" help:"Print what may come next on a command line; for the scripts of completion."`
	Man        manCmd        `cmd:"" hidden:"" help:"Print the manual page, for the package."`

	Demo      elsewhereCmd `cmd:"" hidden:"" help:"Not in this program."`
	Wiring    elsewhereCmd `cmd:"" hidden:"" help:"Not in this program."`
	Replay    elsewhereCmd `cmd:"" hidden:"" help:"Not in this program."`
	Simulate  elsewhereCmd `cmd:"" hidden:"" help:"Not in this program."`
	Suite     elsewhereCmd `cmd:"" hidden:"" help:"Not in this program."`
	Constants elsewhereCmd `cmd:"" hidden:"" help:"Not in this program."`
	Fleet     elsewhereCmd `cmd:"" hidden:"" help:"Not in this program."`
}

// where says who has the commands that are not in this program.
const where = "this program is for the board; the whole one is in the package liftbank-fleet, or comes with " +
	"go build ./cmd/liftbank from the source"

// elsewhereCmd is a command of the whole program.
type elsewhereCmd struct {
	Words []string `arg:"" optional:"" passthrough:"" help:"Whatever follows."`
}

// Help says where the command is.
func (elsewhereCmd) Help() string { return "It is elsewhere: " + where + "." }

// Run says so, too.
func (elsewhereCmd) Run(_ streams, cmd *commands.Command) error {
	return usageError{fmt.Errorf("%s: not in this program: %s", cmd.Path(), where)}
}

// namesOf returns the names that an argument or a flag of this name takes, apart from those of every program.
func namesOf(string) []choice { return nil }
