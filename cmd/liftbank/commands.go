//go:build !board

package main

import "liftbank/cmd/scenariofile"

// about says which program this is.
const about = "the whole program"

type cli struct {
	ShowHelp    bool `name:"help" short:"h" help:"Show help for a command: what it does, its flags, an example."`
	ShowVersion bool `name:"version" help:"Print the version."`

	Run        runCmd        `cmd:"" help:"Watch the bank connected to this machine's board."`
	Demo       demoCmd       `cmd:"" help:"Run everything in one process: simulated bank, emulated board, agent, broker, page."`
	Check      checkCmd      `cmd:"" help:"Check a configuration and the files that it names. With --probe, also read the board once."`
	Fit        fitCmd        `cmd:"" help:"Fit a board, step by step: find wires and sensors that are not as the configuration says."`
	Wiring     wiringCmd     `cmd:"" help:"Draw how a unit is wired, from its configuration."`
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

// namesOf returns the names that an argument or a flag of this name takes, apart from those of every program.
func namesOf(value string) (all []choice) {
	switch value {
	case "scenario":
		for _, e := range scenariofile.Names() {
			all = append(all, choice{e.Name, e.Description})
		}
	case "name":
		for _, s := range suites {
			all = append(all, choice{s.Name, s.About})
		}
	}
	return all
}
