package main

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"liftbank/agent/config"
	"liftbank/rules/detect"
	"liftbank/rules/finding"
)

type explainCmd struct {
	Finding string `arg:"" optional:"" help:"Name of the finding, such as feed-lost; without it, all are listed."`
}

// Help gives an example.
func (explainCmd) Help() string { return "Example: liftbank explain feed-lost" }

// Run prints the finding's entry in the catalog, with its limits.
func (c explainCmd) Run(s streams) error {
	if c.Finding == "" {
		for _, d := range detect.Catalog() {
			if _, err := fmt.Fprintf(s.out, "%-18s %-7s %s\n", d.Name, d.Severity, d.SummaryOf("")); err != nil {
				return err
			}
		}
		return nil
	}
	d := detect.Lookup(c.Finding)
	if d == nil {
		var names []string
		for _, d := range detect.Catalog() {
			names = append(names, d.Name)
		}
		return usageError{fmt.Errorf("finding %q: want one of %s", c.Finding, strings.Join(names, ", "))}
	}
	_, err := fmt.Fprint(s.out, explanation(d))
	return err
}

// explanation returns all that the catalog says of a finding.
func explanation(d *finding.Definition) string {
	var b strings.Builder
	part := func(head, text string) { fmt.Fprintf(&b, "\n%s\n%s\n", head, wrap(text, "  ", "  ")) }
	fmt.Fprintf(&b, "%s (%s)\n%s\n", d.Name, d.Severity, d.SummaryOf(""))
	part("How it is detected", d.Detected)
	b.WriteString("\nLikely causes, most likely first; the evidence may put another first\n")
	for i, cause := range d.Causes {
		fmt.Fprintln(&b, wrap(cause.English, fmt.Sprintf("  %d. ", i+1), "     "))
	}
	b.WriteString("\nCheck next\n")
	for i, step := range d.NextCheck {
		fmt.Fprintln(&b, wrap(step, fmt.Sprintf("  %d. ", i+1), "     "))
	}
	part("What clears it", d.Clears)
	part("What keeps it steady", d.Steady)
	part("Raised within", d.RaisedWithin)
	settings := d.Settings
	for _, l := range detect.LimitsOf(d.Name) {
		settings = append(settings, l.Describe().Path)
	}
	if len(settings) > 0 {
		b.WriteString("\nLimits, in the configuration\n")
	}
	for _, name := range settings {
		if f, ok := config.Describe(name); ok {
			fmt.Fprintln(&b, wrap(fmt.Sprintf("%s: %s (%s). %s", name, f.Default, f.Accepts, f.Doc), "  ", "    "))
		}
	}
	if len(d.ExplainedBy) > 0 {
		part("What may explain it; it is then listed under that", strings.Join(d.ExplainedBy, ", "))
	}
	b.WriteString("\nFollow local codes and the lift maker's manual. Lock out before work. " +
		"Leave licensed work to those who hold the license.\n")
	return b.String()
}

// wrap breaks a text into lines of at most 100 characters, the first with one indent and the rest
// with another.
func wrap(text, first, rest string) string {
	const width = 100
	var b strings.Builder
	line := first
	empty := true
	for word := range strings.FieldsSeq(text) {
		if !empty && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > width {
			b.WriteString(line + "\n")
			line, empty = rest, true
		}
		if !empty {
			line += " "
		}
		line, empty = line+word, false
	}
	return b.String() + line
}
