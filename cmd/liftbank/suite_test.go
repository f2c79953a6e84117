//go:build !board

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/slowtest"
)

// stopper ends a context as soon as a line about a unit is written.
type stopper struct {
	bytes.Buffer
	stop context.CancelFunc
}

func (w *stopper) Write(p []byte) (int, error) {
	if bytes.HasPrefix(p, []byte("unit ")) {
		w.stop()
	}
	return w.Buffer.Write(p)
}

// A suite that a signal interrupts still prints the table of the units that had ended, and fails.
func TestInterruptedSuitePrintsItsTable(t *testing.T) {
	for suite, args := range map[string][]string{
		"capability": {"--seeds", "50", "--days", "1"},
		"healthy":    {"--years", "50", "--days", "1"},
	} {
		t.Run(suite, func(t *testing.T) {
			ctx, stop := context.WithCancel(t.Context())
			defer stop()
			var out bytes.Buffer
			errs := stopper{stop: stop}
			args := append([]string{"suite", suite, "--workers", "1"}, args...)
			code := run(streams{ctx, strings.NewReader(""), &out, &errs}, args)
			assert.Equal(t, exitFailed, code)
			assert.Contains(t, out.String(), "interrupted")
			assert.Contains(t, out.String(), "hour")
			assert.True(t, strings.HasPrefix(errs.String(), suite+": 0 of 50 runs"), "progress from the beginning")
			assert.Contains(t, errs.String(), "unit 1 ")
			assert.NotContains(t, errs.String(), "unit 3 ")
		})
	}
}

// With --json every suite prints one document on standard output, with the runs and their scores.
func TestSuitesPrintJSON(t *testing.T) {
	slowtest.SkipUnderRace(t)
	for suite, c := range map[string]struct {
		args []string
		has  string
	}{
		"estimator":  {[]string{"--only", "^series-wired$", "--days", "1", "--step", "10s"}, "scenarios"},
		"findings":   {[]string{"--only", "^series-wired$", "--days", "1", "--step", "10s"}, "findings"},
		"healthy":    {[]string{"--days", "1", "--step", "10s"}, "units"},
		"wiring":     {[]string{"--days", "1", "--step", "10s"}, "units"},
		"capability": {[]string{"--days", "1", "--step", "10s"}, "batteries"},
	} {
		t.Run(suite, func(t *testing.T) {
			out, errs, code := command(t, "", append([]string{"suite", suite, "--json", "--seeds", "1"}, c.args...)...)
			require.Zero(t, code, errs)
			var got map[string]any
			require.NoError(t, json.Unmarshal([]byte(out), &got))
			assert.NotEmpty(t, got[c.has], "%v", got)
			assert.Contains(t, errs, suite+": 0 of 1 runs")
		})
	}
}
