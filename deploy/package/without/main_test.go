package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/slowtest"
)

func TestReplace(t *testing.T) {
	from, to := t.TempDir(), t.TempDir()
	file := func(name, text string) string {
		path := filepath.Join(from, name)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}
	a, b := file("a.go", "package x\n\tuse(one)\n\tuse(two)\n"), file("b.go", "package x\n")
	object := file("x.a", "use(one)")
	cuts := []cut{of("use(", `^\tuse\((one|two)\)$`, "\tleave($1)", 2)}

	args := []string{"-o", object, "-p", "x", a, b}
	require.NoError(t, replace(args, cuts, to))
	assert.Equal(t, []string{"-o", object, "-p", "x", filepath.Join(to, "a.go"), b}, args)
	left, err := os.ReadFile(args[4])
	require.NoError(t, err)
	assert.Equal(t, "//line "+a+":1\npackage x\n\tleave(one)\n\tleave(two)\n", string(left))

	cuts[0].times = 3
	err = replace([]string{a, b}, cuts, to)
	assert.ErrorContains(t, err, "2 times: want 3; another release of the library needs this program changed")
	assert.ErrorIs(t, replace([]string{filepath.Join(from, "none.go")}, cuts, to), os.ErrNotExist)
}

// The libraries of this release have all that is cut, on every architecture that there is a package for.
func TestLibrariesAreAsTheCutsHaveThem(t *testing.T) {
	for _, arch := range []string{"amd64", "arm", "arm64", "riscv64"} {
		for pkg, cuts := range cuts {
			list := exec.Command("go", "list", "-f", `{{range .GoFiles}}{{$.Dir}}/{{.}}{{"\n"}}{{end}}`, pkg)
			list.Env = append(os.Environ(), "GOOS=linux", "GOARCH="+arch, "CGO_ENABLED=0")
			files, err := list.Output()
			require.NoError(t, err)
			require.NoError(t, replace(strings.Fields(string(files)), cuts, t.TempDir()), "%s on %s", pkg, arch)
		}
	}
}

func TestMarkIsOfTheCuts(t *testing.T) {
	was := mark()
	assert.Equal(t, was, mark())
	const pkg = "github.com/eclipse/paho.mqtt.golang"
	kept := cuts[pkg]
	defer func() { cuts[pkg] = kept }()
	cuts[pkg] = []cut{of("x", "x", "y", 1)}
	assert.NotEqual(t, was, mark())
}

// A program made so has what a unit needs of SQLite, and refuses the rest as SQLite without it does.
func TestSQLiteWithout(t *testing.T) {
	slowtest.Long(t) // compiles all that SQLite needs
	without := filepath.Join(t.TempDir(), "without")
	out, err := exec.Command("go", "build", "-o", without, ".").CombinedOutput()
	require.NoError(t, err, string(out))
	out, err = exec.Command("go", "run", "-toolexec", without, "./testdata/asks",
		"SELECT max(x) FROM (SELECT 1 AS x UNION SELECT 7)", "SELECT sum(x) OVER () FROM (SELECT 2 AS x)",
		"SELECT date('2026-03-09', '+1 day')", "CREATE VIRTUAL TABLE t USING fts5(x)", "CREATE VIRTUAL TABLE t USING rtree(a,b,c)",
		"CREATE VIRTUAL TABLE t USING geopoly(a)", "SELECT json('[]')", "SELECT '[1]' -> 0", "SELECT * FROM json_each('[]')",
		"SELECT * FROM json_tree", "SELECT 3").CombinedOutput()
	require.NoError(t, err, string(out))
	assert.Equal(t, `7 <nil>
2 <nil>
2026-03-10 <nil>
<nil> SQL logic error: no such module: fts5 (1)
<nil> SQL logic error: no such module: rtree (1)
<nil> SQL logic error: no such module: geopoly (1)
<nil> SQL logic error: no such function: json (1)
<nil> SQL logic error: no such function: -> (1)
<nil> SQL logic error: no such table: json_each (1)
<nil> SQL logic error: no such table: json_tree (1)
3 <nil>
`, string(out))
}
