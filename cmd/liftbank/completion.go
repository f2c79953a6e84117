package main

import (
	"embed"
	"fmt"
	"slices"
	"strings"

	"github.com/alecthomas/kong"

	"liftbank/cmd/scenariofile"
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
func (c completeCmd) Run(s streams, parser *kong.Kong) error {
	if len(c.Words) == 0 {
		c.Words = []string{""}
	}
	last := len(c.Words) - 1
	choices, files := choicesFor(parser.Model.Node, c.Words[:last], c.Words[last])
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
func choicesFor(app *kong.Node, before []string, next string) (all []choice, files bool) {
	cmd := app
	for len(cmd.Children) > 0 && len(before) > 0 {
		i := slices.IndexFunc(cmd.Children, func(n *kong.Node) bool { return n.Name == before[0] && !n.Hidden })
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
		flag := flagNamed(cmd, given[i])
		switch {
		case flag == nil && !strings.HasPrefix(given[i], "-"):
			args++
		case flag != nil && !flag.IsBool() && !strings.Contains(given[i], "="):
			if i++; i == len(given) {
				return valuesOf(app, flag.Value, flag.PlaceHolder)
			}
		}
	}
	if name, _, has := strings.Cut(next, "="); has {
		if flag := flagNamed(cmd, name); flag != nil {
			all, files = valuesOf(app, flag.Value, flag.PlaceHolder)
			for i := range all {
				all[i].word = name + "=" + all[i].word
			}
			return all, files
		}
	}
	if strings.HasPrefix(next, "-") {
		return flagsOf(cmd, given), false
	}
	if args < len(cmd.Positional) {
		return valuesOf(app, cmd.Positional[args], cmd.Positional[args].Tag.PlaceHolder)
	}
	return nil, false
}

func commandsOf(app *kong.Node) (all []choice) {
	for _, n := range app.Children {
		if !n.Hidden {
			all = append(all, choice{n.Name, n.Help})
		}
	}
	return all
}

// flagsOf returns the flags of a command that are not among the given words.
func flagsOf(cmd *kong.Node, given []string) (all []choice) {
	there := map[*kong.Flag]bool{}
	for _, word := range given {
		there[flagNamed(cmd, word)] = true
	}
	for _, group := range cmd.AllFlags(true) {
		for _, f := range group {
			if !there[f] {
				all = append(all, choice{"--" + f.Name, f.Help})
			}
		}
	}
	return all
}

// flagNamed returns the flag of a command that a word is, or nil.
func flagNamed(cmd *kong.Node, word string) *kong.Flag {
	name, _, _ := strings.Cut(word, "=")
	for _, group := range cmd.AllFlags(true) {
		for _, f := range group {
			if name == "--"+f.Name || f.Short != 0 && name == "-"+string(f.Short) {
				return f
			}
		}
	}
	return nil
}

// valuesOf returns the values of a flag or an argument that are known by name, and whether it may be
// the name of a file.
func valuesOf(app *kong.Node, v *kong.Value, placeHolder string) (all []choice, files bool) {
	switch v.Name {
	case "finding":
		for _, d := range detect.Catalog() {
			all = append(all, choice{d.Name, d.SummaryOf("")})
		}
	case "scenario":
		for _, e := range scenariofile.Names() {
			all = append(all, choice{e.Name, e.Description})
		}
	case "name":
		for _, s := range suites {
			all = append(all, choice{s.Name, s.About})
		}
	case "command":
		all = commandsOf(app)
	}
	if v.Enum != "" {
		for _, word := range v.EnumSlice() {
			all = append(all, choice{word, ""})
		}
	}
	for _, kind := range []string{"FILE", "DIR", ".", "OUT", "RECORDING"} {
		files = files || strings.Contains(placeHolder, kind)
	}
	return all, files
}
