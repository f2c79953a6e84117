//go:build !board

package main

import (
	"fmt"
	"slices"
	"strings"
	"text/tabwriter"

	"liftbank/rules/constants"
)

type constantsCmd struct {
	JSON   bool   `name:"json" help:"Print JSON."`
	Origin string `placeholder:"WORD" help:"Only constants with this word in their origin, such as published or simulator."`
}

// Help gives an example.
func (constantsCmd) Help() string { return "Example: liftbank constants --origin published" }

// Run prints the constants, and how many there are of each kind of origin.
func (c constantsCmd) Run(s streams) error {
	all := slices.DeleteFunc(constants.All(), func(k constants.Constant) bool {
		return !strings.Contains(strings.ToLower(k.Origin), strings.ToLower(c.Origin))
	})
	if c.JSON {
		return writeJSON(s.out, all)
	}
	t := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	count := map[string]int{}
	for _, k := range all {
		count[k.Kind()]++
		fmt.Fprintf(t, "%s.%s\t%s %s\t%s\t%s\t%s\n", k.Package, k.Name, k.Value, k.Unit, k.Origin, k.File, k.What)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	var kinds []string
	for _, kind := range constants.Kinds {
		if n := count[kind]; n > 0 {
			kinds = append(kinds, fmt.Sprintf("%d %s", n, kind))
		}
	}
	closing := fmt.Sprintf("%d constants", len(all))
	if len(kinds) > 0 {
		closing += ": " + strings.Join(kinds, ", ")
	}
	_, err := fmt.Fprintln(s.out, closing)
	return err
}
