package main

import (
	"bytes"
	"context"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

// stopper ends a context as soon as a line is written.
type stopper struct {
	bytes.Buffer
	stop context.CancelFunc
}

func (w *stopper) Write(p []byte) (int, error) {
	w.stop()
	return w.Buffer.Write(p)
}

// A suite that a signal breaks off still prints the table of the units that had ended, and fails.
func TestSuiteBrokenOffPrintsItsTable(t *testing.T) {
	for suite, args := range map[string][]string{
		"capability": {"--seeds", "50", "--days", "1"},
		"healthy":    {"--years", "50", "--days", "1"},
	} {
		t.Run(suite, func(t *testing.T) {
			ctx, stop := context.WithCancel(t.Context())
			defer stop()
			var out bytes.Buffer
			errs := stopper{stop: stop}
			code := run(streams{ctx, strings.NewReader(""), &out, &errs}, append([]string{"simulate", "--suite", suite, "--workers", "1"}, args...))
			assert.NotZero(t, code)
			assert.Contains(t, out.String(), "broken off")
			assert.Contains(t, out.String(), "hour")
			assert.Contains(t, errs.String(), "unit 1 ")
			assert.NotContains(t, errs.String(), "unit 3 ")
		})
	}
}
