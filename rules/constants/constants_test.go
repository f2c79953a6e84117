package constants_test

import (
	"flag"
	"fmt"
	"go/ast"
	"go/constant"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/constants"
)

var update = flag.Bool("update", false, "write the table")

// units are what a constant may be in.
var units = []string{
	"A", "A/Ah", "A/°C", "A²", "Ah", "K", "K²", "V", "V/°C", "V²", "Wh", "Ω", "count", "h", "ln", "mV", "mV/A", "mV/V", "mΩ", "mΩ²",
	"bar", "ns", "ratio", "ratio²", "s", "°C", "%", "%²", "1/h", "1/°C", "°C/min", "mm²/s", "As",
}

var origin = regexp.MustCompile(
	`^(published: .+|standard: .+|physical|trade practice|from memory: .+|our choice|fitted to the simulator)$`,
)

// TestTableIsThatOfTheSources makes the table from the sources and compares. Renew it with -update.
func TestTableIsThatOfTheSources(t *testing.T) {
	r := reader{t: t, fset: token.NewFileSet(), packages: map[string]*types.Package{}}
	r.std = importer.ForCompiler(r.fset, "source", nil)
	for _, dir := range r.folders() {
		r.read(dir)
	}
	slices.Sort(r.rows)
	want := strings.Join(r.rows, "")
	if *update {
		require.NoError(t, os.WriteFile("table.tsv", []byte(want), 0o644))
	}
	got, err := os.ReadFile("table.tsv")
	require.NoError(t, err)
	if !t.Failed() && want != string(got) {
		t.Error("table.tsv is not that of the sources: renew it with go test ./rules/constants -update")
	}
	assert.Greater(t, len(r.rows), 300)
}

func TestKinds(t *testing.T) {
	for _, c := range constants.All() {
		assert.Contains(t, constants.Kinds, c.Kind(), "%s.%s", c.Package, c.Name)
	}
}

// reader reads the constants of the packages below rules.
type reader struct {
	t        *testing.T
	fset     *token.FileSet
	std      types.Importer
	packages map[string]*types.Package
	rows     []string
}

const module = "liftbank/rules"

func (r *reader) folders() (dirs []string) {
	root := ".."
	require.NoError(r.t, filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil || !d.IsDir() {
			return err
		}
		name := filepath.ToSlash(p)[len(root):]
		name = strings.TrimPrefix(name, "/")
		if name == "" {
			name = "."
		}
		if d.Name() == "testdata" || name == "constants" {
			return fs.SkipDir
		}
		dirs = append(dirs, name)
		return nil
	}))
	return dirs
}

// Import makes reader an importer: packages of the rules from here, the library's from its sources.
func (r *reader) Import(name string) (*types.Package, error) {
	if name != module && !strings.HasPrefix(name, module+"/") {
		return r.std.Import(name)
	}
	if p := r.packages[name]; p != nil {
		return p, nil
	}
	files := r.parse(strings.TrimPrefix(strings.TrimPrefix(name, module), "/"))
	p, err := (&types.Config{Importer: r, IgnoreFuncBodies: true}).Check(name, r.fset, files, nil)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	r.packages[name] = p
	return p, nil
}

func (r *reader) parse(dir string) (files []*ast.File) {
	entries, err := os.ReadDir(filepath.Join("..", dir))
	require.NoError(r.t, err)
	for _, e := range entries {
		if !strings.HasSuffix(e.Name(), ".go") || strings.HasSuffix(e.Name(), "_test.go") {
			continue
		}
		f, err := parser.ParseFile(r.fset, filepath.Join("..", dir, e.Name()), nil, parser.ParseComments)
		require.NoError(r.t, err)
		files = append(files, f)
	}
	return files
}

func (r *reader) read(dir string) {
	files := r.parse(dir)
	if len(files) == 0 {
		return
	}
	info := &types.Info{Defs: map[*ast.Ident]types.Object{}, Types: map[ast.Expr]types.TypeAndValue{}}
	_, err := (&types.Config{Importer: r}).Check(path.Join(module, dir), r.fset, files, info)
	require.NoError(r.t, err)
	for _, f := range files {
		comments := map[int]string{} // by line
		for _, group := range f.Comments {
			comments[r.fset.Position(group.Pos()).Line] = strings.TrimSpace(strings.TrimPrefix(group.List[0].Text, "//"))
		}
		enumeration := false
		ast.Inspect(f, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.GenDecl:
				return n.Tok == token.CONST || n.Tok == token.VAR
			case *ast.ValueSpec:
				if len(n.Values) > 0 {
					enumeration = slices.ContainsFunc(n.Values, usesIota)
				}
				for _, name := range n.Names {
					if c, ok := info.Defs[name].(*types.Const); ok && !enumeration {
						r.constant(dir, name, c, comments)
					}
				}
				r.chemistry(dir, n, info, comments)
			}
			return true
		})
	}
}

func usesIota(e ast.Expr) (uses bool) {
	ast.Inspect(e, func(n ast.Node) bool {
		id, ok := n.(*ast.Ident)
		uses = uses || ok && id.Name == "iota"
		return true
	})
	return uses
}

// constant adds a declared constant. One of a type of its own is a code, not a figure.
func (r *reader) constant(dir string, name *ast.Ident, c *types.Const, comments map[int]string) {
	basic, ok := c.Type().Underlying().(*types.Basic)
	if !ok || basic.Info()&types.IsNumeric == 0 || name.Name == "_" {
		return
	}
	named, isNamed := c.Type().(*types.Named)
	duration := isNamed && named.Obj().Name() == "Duration"
	if isNamed && !duration {
		return
	}
	r.add(dir, name.Name, valueOf(c.Val(), duration), duration, name.Pos(), comments)
}

// chemistry adds the figures of a chemistry.
func (r *reader) chemistry(dir string, n *ast.ValueSpec, info *types.Info, comments map[int]string) {
	for i, value := range n.Values {
		if u, ok := value.(*ast.UnaryExpr); ok {
			value = u.X
		}
		lit, ok := value.(*ast.CompositeLit)
		if !ok || !strings.HasSuffix(info.Types[lit].Type.String(), "leadacid.Chemistry") {
			continue
		}
		for _, e := range lit.Elts {
			kv, ok := e.(*ast.KeyValueExpr)
			require.True(r.t, ok, "%s: fields of a chemistry have keys", n.Names[i])
			text := ""
			switch v := kv.Value.(type) {
			case *ast.CompositeLit:
				var all []string
				for _, x := range v.Elts {
					all = append(all, valueOf(info.Types[x].Value, false))
				}
				text = strings.Join(all, " ")
			default:
				val := info.Types[v].Value
				if val == nil || val.Kind() == constant.String {
					continue
				}
				text = valueOf(val, false)
			}
			r.add(dir, n.Names[i].Name+"."+kv.Key.(*ast.Ident).Name, text, false, kv.Pos(), comments)
		}
	}
}

func valueOf(v constant.Value, duration bool) string {
	if duration {
		ns, _ := constant.Int64Val(v)
		return time.Duration(ns).String()
	}
	x, _ := constant.Float64Val(v)
	return strconv.FormatFloat(x, 'g', -1, 64)
}

func (r *reader) add(dir, name, value string, duration bool, pos token.Pos, comments map[int]string) {
	at := r.fset.Position(pos)
	text := comments[at.Line]
	what, from := text, ""
	if i := strings.LastIndex(text, "; "); i >= 0 {
		what, from = text[:i], text[i+2:]
	}
	unit := ""
	if !duration {
		unit, what, _ = strings.Cut(what, ": ")
	}
	if dir == "." {
		dir = "rules"
	}
	where := filepath.ToSlash(at.Filename)[len("../"):]
	if !origin.MatchString(from) || what == "" || !duration && !slices.Contains(units, unit) {
		r.t.Errorf("rules/%s:%d: %s: comment %q: want \"UNIT: what it is; ORIGIN\", a duration without the unit",
			where, at.Line, name, text)
	}
	r.rows = append(r.rows, strings.Join([]string{dir, name, value, unit, what, from, where}, "\t")+"\n")
}
