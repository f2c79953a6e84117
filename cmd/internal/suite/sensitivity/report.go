package sensitivity

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"strings"
	"text/tabwriter"
)

// Report is the result of the suite.
type Report struct {
	Changes []*Change `json:"changes"`
	Fixed   []string  `json:"cannot_be_changed"` // constants such as lengths of arrays
}

// Jobs returns the number of changes.
func (r *Report) Jobs() int { return len(r.Changes) }

// Table writes what moves a verdict, what moves a figure, and what moves nothing.
func (r *Report) Table(w io.Writer) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	var verdicts, figures, crashes int
	var still []string
	for _, c := range r.Changes {
		what := ""
		switch {
		case c.Crash != "":
			crashes++
			what = "refused: " + c.Crash
		case len(c.Verdicts) > 0:
			verdicts++
			what = "verdict: " + shortened(c.Verdicts)
		case len(c.Figures) > 0:
			figures++
			what = "figure: " + shortened(c.Figures)
		default:
			still = append(still, fmt.Sprintf("%s x %g", c.Name, c.Factor))
			continue
		}
		fmt.Fprintf(t, "%s x %g\t%s\t%s\n", c.Name, c.Factor, c.Origin, what)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	for _, s := range still {
		fmt.Fprintf(w, "moves nothing: %s\n", s)
	}
	_, err := fmt.Fprintf(w, "%d changes by a quarter: %d move a verdict, %d a figure, %d nothing, %d are refused; "+
		"%d constants can't be changed\n", len(r.Changes), verdicts, figures, len(still), crashes, len(r.Fixed))
	return err
}

// shortened returns the first of some texts, and how many more there are.
func shortened(all []string) string {
	const most = 2
	if len(all) <= most {
		return strings.Join(all, "; ")
	}
	return fmt.Sprintf("%s; and %d more", strings.Join(all[:most], "; "), len(all)-most)
}

// crashError is the end of a program that can't work with a change.
type crashError struct{ text string }

func (e *crashError) Error() string { return e.text }

// run runs the program and returns what it prints.
func (p *prober) run(ctx context.Context, env, args []string) ([]byte, error) {
	cmd := exec.CommandContext(ctx, p.program, args...)
	cmd.Env = env
	var errs bytes.Buffer
	cmd.Stderr = &errs
	text, err := cmd.Output()
	var exit *exec.ExitError
	switch {
	case ctx.Err() != nil:
		return nil, ctx.Err()
	case errors.As(err, &exit):
		lines := strings.Split(strings.TrimSpace(errs.String()), "\n")
		for _, line := range lines {
			if strings.HasPrefix(line, "panic:") || strings.HasPrefix(line, "liftbank:") {
				return nil, &crashError{line}
			}
		}
		return nil, &crashError{lines[len(lines)-1]}
	}
	return text, err
}
