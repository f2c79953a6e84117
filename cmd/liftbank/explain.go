package main

import (
	"fmt"
	"strings"

	"liftbank/agent/config"
	"liftbank/rules/finding"
)

type explainCmd struct {
	Finding string `arg:"" optional:"" help:"Name of the finding, such as feed-lost; without it, all are listed."`
}

// Help gives an example.
func (explainCmd) Help() string { return "Example: liftbank explain feed-lost" }

// Run prints the finding's entry in the catalogue, with its limits from the reference of the configuration.
func (c explainCmd) Run(s streams) error {
	if c.Finding == "" {
		for _, d := range finding.Catalogue {
			if _, err := fmt.Fprintf(s.out, "%-18s %-8s %s\n", d.Name, d.Severity, d.Summary); err != nil {
				return err
			}
		}
		return nil
	}
	d := finding.Lookup(c.Finding)
	if d == nil {
		var names []string
		for _, d := range finding.Catalogue {
			names = append(names, d.Name)
		}
		return usageError{fmt.Errorf("finding %q: want one of %s", c.Finding, strings.Join(names, ", "))}
	}
	_, err := fmt.Fprint(s.out, explanation(d))
	return err
}

// explanation writes what the catalogue has of a finding.
func explanation(d *finding.Definition) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s (%s)\n%s\n\nHow it is told\n  %s\n\nLikely causes, most likely first; the evidence may put another first\n", d.Name, d.Severity, d.Summary, d.Detected)
	for i, cause := range d.Causes {
		fmt.Fprintf(&b, "  %d. %s\n", i+1, cause)
	}
	fmt.Fprintf(&b, "\nWhat to check next\n  %s\n\nWhat clears it\n  %s\n\nWhat keeps it steady\n  %s\n\nWithin what time it is raised\n  %s\n", d.NextCheck, d.Clears, d.Hysteresis, d.Bound)
	if len(d.Settings) > 0 {
		fmt.Fprintf(&b, "\nLimits, in the configuration\n")
		for _, name := range d.Settings {
			if f, ok := config.Describe(name); ok {
				fmt.Fprintf(&b, "  %s: %s (%s). %s\n", name, f.Default, f.Accepts, f.Doc)
			}
		}
	}
	if len(d.Under) > 0 {
		fmt.Fprintf(&b, "\nWhat may explain it; it is then shown under that\n  %s\n", strings.Join(d.Under, ", "))
	}
	return b.String()
}
