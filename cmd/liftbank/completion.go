package main

import (
	"embed"
	"fmt"
	"slices"
	"strings"

	"liftbank/cmd/internal/commands"
	"liftbank/rules/detect"
)

// completionFiles are the scripts for the shells. They ask the program itself (completeCmd), so that
// they fit every version of it.
//
//go:embed completion/liftbank.bash completion/_liftbank completion/liftbank.fish
var completionFiles embed.FS

// shells are the scripts by shell.
var shells = []struct{ name, file string }{{"bash", "liftbank.bash"}, {"fish", "liftbank.fish"}, {"zsh", "_liftbank"}}

type completionCmd struct {
	Shell string `arg:"" enum:"bash,fish,zsh" help:"bash, fish or zsh."`
}

// Help gives an example.
func (completionCmd) Help() string {
	return "The package installs the scripts. Without it, put the output where the shell looks for it, or read it at " +
		"its start.\n\nExample: liftbank completion bash > ~/.local/share/bash-completion/completions/liftbank"
}

// Run prints a script.
func (c completionCmd) Run(s streams) error {
	for _, shell := range shells {
		if shell.name != c.Shell {
			continue
		}
		script, err := completionFiles.ReadFile("completion/" + shell.file)
		if err != nil {
			return err
		}
		_, err = s.out.Write(script)
		return err
	}
	panic("bug: shell without a script: " + c.Shell)
}

type completeCmd struct {
	Words []string `arg:"" optional:"" help:"The words after the program's name, up to the one to complete."`
}

// filesToo is the line that says that file names may come, too.
const filesToo = ":files"

// Run prints what the last word may be: a line each, with a tab before what it means.
func (c completeCmd) Run(s streams, cmd *commands.Command) error {
	if len(c.Words) == 0 {
		c.Words = []string{""}
	}
	last := len(c.Words) - 1
	choices, files := choicesFor(cmd.Program(), c.Words[:last], c.Words[last])
	for _, choice := range choices {
		if strings.HasPrefix(choice.word, c.Words[last]) {
			if _, err := fmt.Fprintf(s.out, "%s\t%s\n", choice.word, choice.help); err != nil {
				return err
			}
		}
	}
	if files {
		if _, err := fmt.Fprintln(s.out, filesToo); err != nil {
			return err
		}
	}
	return nil
}

// choice is a word that may come next, and what it means.
type choice struct{ word, help string }

// choicesFor returns what may follow the words before, where what is written of the next is known.
func choicesFor(app *commands.Command, before []string, next string) (all []choice, files bool) {
	cmd := app
	for len(cmd.Children) > 0 && len(before) > 0 {
		i := slices.IndexFunc(cmd.Children, func(n *commands.Command) bool { return n.Name == before[0] && !n.Hidden })
		if i < 0 {
			return nil, false
		}
		cmd, before = cmd.Children[i], before[1:]
	}
	if len(cmd.Children) > 0 {
		if strings.HasPrefix(next, "-") {
			return flagsOf(cmd, nil), false
		}
		return commandsOf(cmd), false
	}
	given, args := before, 0
	for i := 0; i < len(given); i++ {
		flag := cmd.Flag(given[i])
		switch {
		case flag == nil && !strings.HasPrefix(given[i], "-"):
			args++
		case flag != nil && !flag.IsBool() && !strings.Contains(given[i], "="):
			if i++; i == len(given) {
				return valuesOf(app, flag)
			}
		}
	}
	if name, _, has := strings.Cut(next, "="); has {
		if flag := cmd.Flag(name); flag != nil {
			all, files = valuesOf(app, flag)
			for i := range all {
				all[i].word = name + "=" + all[i].word
			}
			return all, files
		}
	}
	if strings.HasPrefix(next, "-") {
		return flagsOf(cmd, given), false
	}
	if args < len(cmd.Args) {
		return valuesOf(app, cmd.Args[args])
	}
	return nil, false
}

func commandsOf(app *commands.Command) (all []choice) {
	for _, n := range app.Children {
		if !n.Hidden {
			all = append(all, choice{n.Name, n.Help})
		}
	}
	return all
}

// flagsOf returns the flags of a command that are not among the given words.
func flagsOf(cmd *commands.Command, given []string) (all []choice) {
	there := map[*commands.Value]bool{}
	for _, word := range given {
		there[cmd.Flag(word)] = true
	}
	for _, f := range cmd.AllFlags() {
		if !there[f] {
			all = append(all, choice{"--" + f.Name, f.Help})
		}
	}
	return all
}

// valuesOf returns the values of a flag or an argument that are known by name, and whether it may be
// the name of a file.
func valuesOf(app *commands.Command, v *commands.Value) (all []choice, files bool) {
	switch v.Name {
	case "finding":
		for _, d := range detect.Catalog() {
			all = append(all, choice{d.Name, d.SummaryOf("")})
		}
	case "command":
		all = commandsOf(app)
	default:
		all = namesOf(v.Name)
	}
	for _, word := range v.Enum {
		all = append(all, choice{word, ""})
	}
	for _, kind := range []string{"FILE", "DIR", ".", "OUT", "RECORDING"} {
		files = files || strings.Contains(v.Placeholder, kind)
	}
	return all, files
}
