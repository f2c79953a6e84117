package main

import (
	"fmt"
	"strings"

	"liftbank/rules/finding"
)

type explainCmd struct {
	Finding string `arg:"" help:"Name of the finding, such as feed-lost."`
}

// Help gives an example.
func (explainCmd) Help() string { return "Example: liftbank explain feed-lost" }

// Run prints the finding's entry in the catalogue.
func (c explainCmd) Run(s streams) error {
	d := finding.Lookup(c.Finding)
	if d == nil {
		var names []string
		for _, d := range finding.Catalogue {
			names = append(names, d.Name)
		}
		return usageError{fmt.Errorf("finding %q: want one of %s", c.Finding, strings.Join(names, ", "))}
	}
	fmt.Fprintf(s.out, "%s (%s)\n%s\n\nHow it is told\n  %s\n\nLikely causes, most likely first\n", d.Name, d.Severity, d.Summary, d.Detected)
	for i, cause := range d.Causes {
		fmt.Fprintf(s.out, "  %d. %s\n", i+1, cause)
	}
	_, err := fmt.Fprintf(s.out, "\nWhat to check next\n  %s\n\nWhat clears it\n  %s\n", d.NextCheck, d.Clears)
	return err
}
