package tweak_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/internal/tweak"
)

// sources are a small module with constants of each kind.
var sources = map[string]string{
	"go.mod": "module liftbank\n\ngo 1.26\n",
	"rules/rules.go": `package rules

import "time"

type code uint8

const one code = 1 // a code, no figure

const (
	ShareOf = 0.5 // ratio
	half    = ShareOf / 2
	lots    = 3
	length  = 2
	wait    = 8 * time.Second
	long    = 2 * wait
)

var table [length]float64

func Values() []any {
	const local = 4.0
	return []any{ShareOf * float64(len(table)), half * 1.0, int(lots), wait, long, local * 1.0, one}
}
`,
	"rules/rules_test.go": "package rules\n",
	"cmd/liftbank/main.go": `package main

import (
	"fmt"

	"liftbank/rules"
)

func main() { fmt.Println(rules.Values()...) }
`,
}

func TestConstantsBecomeVariables(t *testing.T) {
	root, folder := t.TempDir(), t.TempDir()
	for name, text := range sources {
		path := filepath.Join(root, name)
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
		require.NoError(t, os.WriteFile(path, []byte(text), 0o644))
	}
	found, err := tweak.Root(filepath.Join(root, "rules"))
	require.NoError(t, err)
	assert.Equal(t, root, found)
	s, err := tweak.New(t.Context(), root, folder)
	require.NoError(t, err)
	assert.Equal(t, []string{"rules.ShareOf", "rules.half", "rules.local", "rules.long", "rules.lots", "rules.wait"}, s.Names)
	assert.Equal(t, []string{"rules.length"}, s.Fixed)
	program := filepath.Join(folder, "program")
	out, err := s.Go(t.Context(), "build", "-o", program, "./cmd/liftbank").CombinedOutput()
	require.NoError(t, err, string(out))
	for _, tt := range []struct {
		name   string
		factor float64
		want   string
	}{
		{"rules.none", 2, "1 0.25 3 8s 16s 4 1"},
		{"rules.ShareOf", 1.25, "1.25 0.3125 3 8s 16s 4 1"},
		{"rules.half", 0.5, "1 0.125 3 8s 16s 4 1"},
		{"rules.lots", 1.1, "1 0.25 4 8s 16s 4 1"},
		{"rules.lots", 0.9, "1 0.25 2 8s 16s 4 1"},
		{"rules.wait", 1.25, "1 0.25 3 10s 20s 4 1"},
		{"rules.local", 0.75, "1 0.25 3 8s 16s 3 1"},
	} {
		cmd := s.Go(t.Context(), "env") // any command: only its way of starting is used
		cmd.Path, cmd.Args, cmd.Env = program, []string{program}, tweak.With(tt.name, tt.factor)
		out, err := cmd.Output()
		require.NoError(t, err)
		assert.Equal(t, tt.want, strings.TrimSpace(string(out)), "%s x %g", tt.name, tt.factor)
	}
}

func TestRootWantsACheckout(t *testing.T) {
	_, err := tweak.Root(t.TempDir())
	assert.ErrorContains(t, err, "not in a checkout of liftbank")
}
