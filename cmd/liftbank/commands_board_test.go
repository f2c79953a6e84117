//go:build board

package main

import (
	"bytes"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

// command runs the program and gives what it wrote and its exit code.
func command(t *testing.T, stdin string, args ...string) (out, errs string, code int) {
	t.Helper()
	var o, e bytes.Buffer
	code = run(streams{t.Context(), strings.NewReader(stdin), &o, &e}, args)
	return o.String(), e.String(), code
}

// What is not in the board's program says so and where it is, whatever follows it.
func TestWhatIsElsewhere(t *testing.T) {
	version, _, code := command(t, "", "version")
	assert.Zero(t, code)
	for _, line := range []string{
		"demo", "demo --speed 600 --for 60s", "replay --config unit.yaml r.csv", "simulate --list", "suite findings --json", "constants",
		"fleet run --config fleet.yaml", "fleet enrol lift-1 --dir d",
	} {
		name, _, _ := strings.Cut(line, " ")
		out, errs, code := command(t, "", strings.Fields(line)...)
		assert.Equal(t, exitUsage, code, line)
		assert.Empty(t, out)
		assert.Equal(t, "liftbank: "+name+": not in this program: "+where+"\n", errs)
		help, _, code := command(t, "", "help", name)
		assert.Zero(t, code)
		assert.Contains(t, help, "liftbank-fleet")
		assert.Contains(t, version, name)
	}
	help, _, _ := command(t, "", "help")
	for _, name := range []string{"run", "check", "pin", "sticker", "explain", "completion", "version"} {
		assert.Contains(t, help, "\n  "+name+" ")
	}
	assert.NotContains(t, help, "\n  demo ")
}
