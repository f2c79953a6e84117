//go:build !board

package main

import (
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// forbidden lists what the packages below a folder must not import, tests apart, and why.
var forbidden = map[string]map[string]string{
	"rules": {
		"liftbank/sensors": "rules know plain values, no sensors", "liftbank/agent": "arrows go one way",
		"liftbank/sim": "the estimator must not know how the simulated bank works", "liftbank/cmd": "arrows go one way",
		"os": "rules do no input or output", "io": "rules do no input or output", "net": "rules do no input or output",
		"sync": "rules have no goroutines", "context": "rules wait for nothing", "log": "rules return events",
		"log/slog":  "rules return events",
		"math/rand": "same inputs, same results", "math/rand/v2": "same inputs, same results",
	},
	"sensors": {
		"liftbank/rules": "sensors know nothing of meaning", "liftbank/agent": "arrows go one way",
		"liftbank/sim": "real code knows no emulation",
		"liftbank/cmd": "arrows go one way",
	},
	"sim": {
		"liftbank/rules":   "simulator and estimator share no equation",
		"liftbank/sensors": "the board is known through the bus only",
		"liftbank/agent":   "arrows go one way", "liftbank/cmd": "arrows go one way",
		"math/rand":    "runs are seeded and the same on every machine",
		"math/rand/v2": "runs are seeded and the same on every machine",
	},
	"agent": {"liftbank/sim": "the agent knows no simulation", "liftbank/cmd": "arrows go one way"},
}

// noClock are the folders where time is handed in.
var noClock = []string{"rules", "sim"}

func TestImportsGoOneWay(t *testing.T) {
	root := filepath.Join("..", "..")
	for folder, rules := range forbidden {
		files := 0
		err := filepath.WalkDir(filepath.Join(root, folder), func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
				return err
			}
			files++
			f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
			require.NoError(t, err)
			if filepath.Base(filepath.Dir(path)) == "browsertest" {
				return nil // it is for tests, and leaves out what they do
			}
			for _, imp := range f.Imports {
				name, err := strconv.Unquote(imp.Path.Value)
				require.NoError(t, err)
				for banned, why := range rules {
					assert.False(t, name == banned || strings.HasPrefix(name, banned+"/"), "%s imports %s: %s", path,
						name, why)
				}
			}
			return nil
		})
		require.NoError(t, err)
		assert.Positive(t, files, folder)
	}
}

func TestRulesAndSimulatorReadNoClock(t *testing.T) {
	for _, folder := range noClock {
		err := filepath.WalkDir(filepath.Join("..", "..", folder), func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
				return err
			}
			if filepath.Base(path) == "pin.go" {
				return nil // an emulated pin waits like a real one
			}
			src, err := readFile(path)
			require.NoError(t, err)
			for _, call := range []string{"time.Now(", "time.Since(", "time.Sleep(", "time.After(", "time.NewTimer(",
				"time.NewTicker("} {
				assert.NotContains(t, src, call, path)
			}
			return nil
		})
		require.NoError(t, err)
	}
}
