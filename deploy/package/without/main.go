// Command without stands between go build and its compiler (go build -toolexec): it leaves out of two libraries
// what a unit never uses but the linker has to keep, because the libraries have it in tables.
//
// What SQLite can do beyond what a unit asks of it is left out by its own compile options (SQLITE_ENABLE_FTS5,
// SQLITE_ENABLE_RTREE, SQLITE_ENABLE_GEOPOLY, SQLITE_OMIT_JSON: sqlite.org/compileopts.html); the library is
// C that was translated with them on. MQTT's library opens connections in every way it knows, websockets and proxies among them; a unit opens its own.
//
// Example: go build -tags board -toolexec /path/of/without ./cmd/liftbank
package main

import (
	"bytes"
	"errors"
	"fmt"
	"hash/fnv"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

// cut is what is taken out of a package's source.
type cut struct {
	has   string // in each line that it is for: looked for first, in files of ten megabytes
	text  *regexp.Regexp
	by    string
	times int // in all files of the package; another number is another release of the library
}

func of(has, text, by string, times int) cut { return cut{has, regexp.MustCompile(text), by, times} }

// cuts are by package. They stay within a line, so that a trace names the same lines.
var cuts = map[string][]cut{
	"modernc.org/sqlite/lib": {
		// What starts the extensions; the last in the same table starts nothing, in SQLite either.
		of("Init)", `__ccgo_fp\(_sqlite3(Fts5|Rtree)Init\)$`, "__ccgo_fp(_sqlite3TestExtInit)", 2),
		// Tables that only they refer to.
		of("__ccgo_fp(_", `^(\t\*\(\*uintptr\)\(unsafe\.Add\(p, \d+\)\) = )__ccgo_fp\(_(fts5|rtree|geopoly)\w*\)$`, "${1}0", 116),
		// SQL's functions of JSON, its tables of JSON, and their tables.
		of("_sqlite3RegisterJsonFunctions", `^\t_sqlite3RegisterJsonFunctions\(tls\)$`, "", 1),
		of("_sqlite3JsonVtabRegister", `pMod = _sqlite3JsonVtabRegister\(tls, db, zName\)$`, "pMod = 0", 1),
		of("__ccgo_fp(_json", `^(\t\*\(\*uintptr\)\(unsafe\.Add\(p, \d+\)\) = )__ccgo_fp\(_json\w*\)$`, "${1}0", 58),
	},
	"github.com/eclipse/paho.mqtt.golang": {
		of("func openConnection", `^(func openConnection\(.*\) \(net\.Conn, error\) \{)$`,
			`${1} return nil, errors.New("this program opens its connections itself")`, 1),
	},
}

func main() {
	if len(os.Args) < 2 {
		fmt.Fprintln(os.Stderr, "without: no tool: want go build -toolexec")
		os.Exit(2)
	}
	err := run(os.Args[1], os.Args[2:], os.Getenv("TOOLEXEC_IMPORTPATH"))
	if exit := (*exec.ExitError)(nil); errors.As(err, &exit) {
		os.Exit(exit.ExitCode()) // the tool has said why
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "without:", err)
		os.Exit(1)
	}
}

// run runs a tool as go build does, the compiler on what is left of a package.
func run(tool string, args []string, pkg string) (err error) {
	cmd := exec.Command(tool, args...)
	cmd.Stdin, cmd.Stdout, cmd.Stderr = os.Stdin, os.Stdout, os.Stderr
	if strings.TrimSuffix(filepath.Base(tool), ".exe") != "compile" {
		return cmd.Run()
	}
	if len(args) == 1 && args[0] == "-V=full" { // what go build knows a compiler's work again by
		cmd.Stdout = nil
		out, err := cmd.Output()
		if err != nil {
			return err
		}
		_, err = fmt.Println(strings.TrimSpace(string(out)) + " " + mark())
		return err
	}
	if cuts[pkg] == nil {
		return cmd.Run()
	}
	dir, err := os.MkdirTemp("", "liftbank-without")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	if err := replace(cmd.Args[1:], cuts[pkg], dir); err != nil {
		return fmt.Errorf("%s: %w", pkg, err)
	}
	return cmd.Run()
}

// replace names in a compiler's arguments what is left of a package's files, in dir, in place of them.
func replace(args []string, cuts []cut, dir string) error {
	found := make([]int, len(cuts))
	for i, name := range args {
		if !strings.HasSuffix(name, ".go") {
			continue
		}
		source, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		left, n := source, 0
		for k, c := range cuts {
			var times int
			if left, times = c.out(left); times > 0 {
				found[k] += times
				n += times
			}
		}
		if n == 0 {
			continue
		}
		to := filepath.Join(dir, filepath.Base(name))
		if err := os.WriteFile(to, named(name, left), 0o600); err != nil {
			return err
		}
		args[i] = to
	}
	for k, c := range cuts {
		if found[k] != c.times {
			return fmt.Errorf("has %s %d times: want %d; another release of the library needs this program changed",
				c.text, found[k], c.times)
		}
	}
	return nil
}

// out returns a source without what is cut, and how often it was there.
func (c cut) out(source []byte) (left []byte, times int) {
	done := 0 // of the source
	for at := 0; ; {
		i := bytes.Index(source[at:], []byte(c.has))
		if i < 0 {
			break
		}
		from, to := bytes.LastIndexByte(source[:at+i], '\n')+1, len(source)
		if end := bytes.IndexByte(source[at+i:], '\n'); end >= 0 {
			to = at + i + end
		}
		if line := source[from:to]; c.text.Match(line) {
			times += len(c.text.FindAllIndex(line, -1))
			left = append(append(left, source[done:from]...), c.text.ReplaceAll(line, []byte(c.by))...)
			done = to
		}
		at = to
	}
	if times == 0 {
		return source, 0
	}
	return append(left, source[done:]...), times
}

// named has a source go by the name of the file that it is read from.
func named(file string, source []byte) []byte {
	return append(fmt.Appendf(nil, "//line %s:1\n", file), bytes.TrimPrefix(source, []byte("\ufeff"))...)
}

// mark tells this compiler from others, and from itself with other cuts.
func mark() string {
	sum := fnv.New64a()
	for _, pkg := range slices.Sorted(maps.Keys(cuts)) {
		fmt.Fprintln(sum, pkg)
		for _, c := range cuts[pkg] {
			fmt.Fprintln(sum, c.has, c.text, c.by)
		}
	}
	return fmt.Sprintf("without-%x", sum.Sum64())
}
