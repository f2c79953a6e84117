package main

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"liftbank/agent/config"
	"liftbank/rules/detect"
	"liftbank/rules/finding"
)

type explainCmd struct {
	Finding string `arg:"" optional:"" help:"Name of the finding, such as feed-lost; without it, all are listed."`
	JSON    bool   `name:"json" help:"Print JSON."`
}

// Help gives an example.
func (explainCmd) Help() string { return "Example: liftbank explain feed-lost" }

// Run prints the finding's entry in the catalog, with its limits.
func (c explainCmd) Run(s streams) error {
	if c.Finding == "" {
		if c.JSON {
			var all []explained
			for _, d := range detect.Catalog() {
				all = append(all, explainedOf(d))
			}
			return writeJSON(s.out, all)
		}
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
	if c.JSON {
		return writeJSON(s.out, explainedOf(d))
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
	limits := limitsOf(d)
	if len(limits) > 0 {
		b.WriteString("\nLimits, in the configuration\n")
	}
	for _, l := range limits {
		fmt.Fprintln(&b, wrap(fmt.Sprintf("%s: %s (%s). %s", l.Field, l.Default, l.Accepts, l.Doc), "  ", "    "))
	}
	if len(d.ExplainedBy) > 0 {
		part("What may explain it; it is then listed under that", strings.Join(d.ExplainedBy, ", "))
	}
	b.WriteString("\nFollow local codes and the lift maker's manual. Lock out before work. " +
		"Leave licensed work to those who hold the license.\n")
	return b.String()
}

// explained is a finding's entry in the catalog as JSON.
type explained struct {
	Name         string   `json:"name"`
	Severity     string   `json:"severity"`
	Title        string   `json:"title"`
	Summary      string   `json:"summary"`
	Detected     string   `json:"detected"`
	Causes       []string `json:"causes"` // most likely first; the evidence may put another first
	NextCheck    []string `json:"next_check"`
	Clears       string   `json:"clears"`
	Steady       string   `json:"steady"`
	RaisedWithin string   `json:"raised_within"`
	Limits       []limit  `json:"limits"`
	ExplainedBy  []string `json:"explained_by"`
}

// limit is a field of the configuration that a finding depends on.
type limit struct {
	Field   string `json:"field"`
	Default string `json:"default"`
	Accepts string `json:"accepts"`
	Doc     string `json:"doc"`
}

func explainedOf(d *finding.Definition) explained {
	e := explained{
		Name: d.Name, Severity: d.Severity.String(), Title: d.TitleOf(""), Summary: d.SummaryOf(""), Detected: d.Detected,
		Causes: []string{}, NextCheck: d.NextCheck, Clears: d.Clears, Steady: d.Steady, RaisedWithin: d.RaisedWithin,
		Limits: limitsOf(d), ExplainedBy: append([]string{}, d.ExplainedBy...),
	}
	for _, cause := range d.Causes {
		e.Causes = append(e.Causes, cause.English)
	}
	return e
}

// limitsOf returns the fields of the configuration that a finding depends on.
func limitsOf(d *finding.Definition) []limit {
	names := slices.Clone(d.Settings)
	for _, l := range detect.LimitsOf(d.Name) {
		names = append(names, l.Describe().Path)
	}
	all := []limit{}
	for _, name := range names {
		if f, ok := config.Describe(name); ok {
			all = append(all, limit{name, f.Default, f.Accepts, f.Doc})
		}
	}
	return all
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
