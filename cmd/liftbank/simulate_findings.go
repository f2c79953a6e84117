package main

import (
	"fmt"
	"io"
	"regexp"
	"strings"

	"liftbank/cmd/internal/trial"
)

// findingsDays is the longest run of a scenario in the suite of the findings; with --days another. All stories but the year's are shorter.
const findingsDays = 40

// findingsSuite runs the library for the findings and prints its table where the report would go.
func (c simulateCmd) findingsSuite(s streams, workers int) (err error) {
	suite := trial.FindingsSuite{Seeds: c.Seeds, MaxDays: findingsDays, Workers: workers, RestEvery: c.Step, Sweep: c.Sweep}
	if c.Days > 0 {
		suite.MaxDays = c.Days
	}
	if suite.Match, err = regexp.Compile(c.Only); err != nil {
		return usageError{fmt.Errorf("--only: %w", err)}
	}
	if c.Scenario != "" {
		suite.Only = strings.Split(c.Scenario, ",")
	}
	suite.Progress = func(done, all int) { fmt.Fprintf(s.err, "\r%d of %d", done, all) }
	rep, err := trial.RunFindings(s.ctx, suite)
	fmt.Fprintln(s.err)
	return c.writeEnded(s, err, rep != nil && rep.Runs > 0, func(out io.Writer) error { return trial.WriteFindings(out, rep) })
}
