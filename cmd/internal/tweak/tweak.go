// Package tweak makes variables of the constants of rules, in a copy of their sources, so that one
// build serves to try what each of them does: what a suite says and which tests notice when it is a
// quarter larger or smaller.
package tweak

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

// Variable names the environment variable that says which constant is changed, and to what multiple
// of its value: NAME=FACTOR.
const Variable = "LIFTBANK_TWEAK"

// Sources are the sources of the module with their constants made variables.
type Sources struct {
	Root    string   // of the module
	Names   []string // of the constants: package.name
	Fixed   []string // constants that must stay, such as lengths of arrays
	overlay string   // file
	tests   string   // folder of their test programs
}

// allErrors has the compiler name all lines that it refuses, not the first ten.
const allErrors = "-gcflags=liftbank/...=-e"

// New writes sources into a folder, for a module at root. They take the place of the module's own
// in what Go runs.
func New(ctx context.Context, root, folder string) (*Sources, error) {
	m, err := read(root)
	if err != nil {
		return nil, err
	}
	s := &Sources{Root: root, overlay: filepath.Join(folder, "overlay.json"), tests: filepath.Join(folder, "tests")}
	if err := os.MkdirAll(s.tests, 0o700); err != nil {
		return nil, err
	}
	for {
		if err := s.write(m, folder); err != nil {
			return nil, err
		}
		out, err := s.Go(ctx, "build", allErrors, "-o", os.DevNull, "./cmd/liftbank").CombinedOutput()
		if err == nil {
			out, err = s.Go(ctx, "test", "-vet=off", allErrors, "-c", "-o", s.tests, "./rules/...").CombinedOutput()
		}
		if err == nil {
			break
		}
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if !m.keep(string(out)) {
			return nil, fmt.Errorf("build with variables for constants: %w\n%s", err, out)
		}
	}
	for _, c := range m.constants {
		if c.variable {
			s.Names = append(s.Names, c.name)
		} else {
			s.Fixed = append(s.Fixed, c.name)
		}
	}
	slices.Sort(s.Names)
	slices.Sort(s.Fixed)
	s.Names, s.Fixed = slices.Compact(s.Names), slices.Compact(s.Fixed)
	return s, nil
}

// Go returns a Go command, such as build, over the sources.
func (s *Sources) Go(ctx context.Context, command string, args ...string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, "go", append([]string{command, "-overlay", s.overlay}, args...)...)
	cmd.Dir, cmd.Env = s.Root, append(os.Environ(), "CGO_ENABLED=0")
	return cmd
}

// Test returns the test program of a package of rules, over the sources. One without tests has none.
func (s *Sources) Test(name string) string { return filepath.Join(s.tests, name+".test") }

// With returns the environment in which a program built over the sources has a constant of another
// value.
func With(name string, factor float64) []string {
	return append(os.Environ(), fmt.Sprintf("%s=%s=%g", Variable, name, factor))
}

// Root returns the root of the module that a folder lies in.
func Root(folder string) (string, error) {
	folder, err := filepath.Abs(folder)
	if err != nil {
		return "", err
	}
	for ; ; folder = filepath.Dir(folder) {
		text, err := os.ReadFile(filepath.Join(folder, "go.mod"))
		switch {
		case err == nil && strings.HasPrefix(string(text), "module liftbank\n"):
			return folder, nil
		case folder == filepath.Dir(folder):
			return "", errors.New("not in a checkout of liftbank: run it where its go.mod is, with Go installed")
		}
	}
}

// write writes the changed files and the list of what they replace.
func (s *Sources) write(m *module, folder string) error {
	replace := map[string]string{}
	put := func(path, text string) error {
		to := filepath.Join(folder, strings.ReplaceAll(filepath.ToSlash(path), "/", "_"))
		replace[filepath.Join(s.Root, path)] = to
		return os.WriteFile(to, []byte(text), 0o600)
	}
	if err := put("rules/tweaked/tweaked.go", runtimeSource); err != nil {
		return err
	}
	for path, text := range m.rewrite() {
		if err := put(path, text); err != nil {
			return err
		}
	}
	list, err := json.Marshal(map[string]any{"Replace": replace})
	if err != nil {
		return err
	}
	return os.WriteFile(s.overlay, list, 0o600)
}

// errorLine is what the compiler says of a line, and word is a name in it.
var (
	errorLine = regexp.MustCompile(`(?m)^\S+:\d+:\d+: (.*(?:not constant|mismatched types|array length|cannot use|overflows|truncated|shift).*)$`)
	word      = regexp.MustCompile(`\w+`)
)

// keep leaves constants what they are that the compiler's errors name, and reports whether there
// are any.
func (m *module) keep(errs string) (found bool) {
	for _, line := range errorLine.FindAllStringSubmatch(errs, -1) {
		for _, name := range word.FindAllString(line[1], -1) {
			for _, c := range m.constants {
				if c.variable && strings.HasSuffix(c.name, "."+name) {
					c.variable, found = false, true
				}
			}
		}
	}
	if found {
		m.settle()
	}
	return found
}

// runtimeSource is the package that the variables are made with.
const runtimeSource = `// Package tweaked gives constants that are tried another value.
package tweaked

import (
	"math"
	"os"
	"strconv"
	"strings"
)

var name, factor = func() (string, float64) {
	name, text, found := strings.Cut(os.Getenv("` + Variable + `"), "=")
	if !found {
		return "", 1
	}
	factor, err := strconv.ParseFloat(text, 64)
	if err != nil {
		panic("` + Variable + `: " + err.Error())
	}
	return name, factor
}()

func Float(of string, value float64) float64 {
	if of == name {
		return value * factor
	}
	return value
}

func Whole[T ~int | ~int8 | ~int16 | ~int32 | ~int64 | ~uint | ~uint8 | ~uint16 | ~uint32 | ~uint64](of string, value T) T {
	if of != name {
		return value
	}
	changed := T(math.Round(float64(value) * factor))
	switch {
	case changed == value && factor > 1:
		changed++
	case changed == value:
		changed--
	}
	return changed
}
`
