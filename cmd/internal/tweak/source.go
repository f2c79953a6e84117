package tweak

import (
	"cmp"
	"fmt"
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
)

const rulesPath = "liftbank/rules"

// module is rules, as read.
type module struct {
	root      string
	fset      *token.FileSet
	std       types.Importer
	checked   map[string]*types.Package
	files     map[string]*file // by path below root
	constants []*constant
	byPos     map[token.Position]*constant
}

type file struct {
	text     string
	tree     *ast.File
	folder   string
	literals []literal
}

// constant is a declared constant.
type constant struct {
	name     string // package.name
	file     *file
	decl     *ast.GenDecl
	spec     *ast.ValueSpec
	index    int        // in spec
	as       types.Type // of the variable
	loose    types.Type // as which it would do in constant expressions
	typed    bool       // by its declaration
	variable bool
	users    []*constant // constants that are made of it
}

// literal is a number in a chemistry.
type literal struct {
	name       string
	start, end int
}

func read(root string) (*module, error) {
	m := &module{
		root: root, fset: token.NewFileSet(), checked: map[string]*types.Package{}, files: map[string]*file{},
		byPos: map[token.Position]*constant{},
	}
	m.std = importer.ForCompiler(m.fset, "source", nil)
	var folders []string
	err := filepath.WalkDir(filepath.Join(root, "rules"), func(p string, d fs.DirEntry, err error) error {
		if err != nil || !d.IsDir() {
			return err
		}
		if d.Name() == "testdata" || d.Name() == "constants" {
			return fs.SkipDir
		}
		folder, err := filepath.Rel(root, p)
		folders = append(folders, filepath.ToSlash(folder))
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read the sources of rules: %w", err)
	}
	var infos []*types.Info
	for _, folder := range folders {
		info, err := m.check(folder)
		if err != nil {
			return nil, err
		}
		infos = append(infos, info)
	}
	for _, info := range infos {
		m.uses(info)
	}
	m.settle()
	return m, nil
}

// Import makes module an importer: packages of rules from here, others from their sources.
func (m *module) Import(name string) (*types.Package, error) {
	if name != rulesPath && !strings.HasPrefix(name, rulesPath+"/") {
		return m.std.Import(name)
	}
	if p := m.checked[name]; p != nil {
		return p, nil
	}
	_, err := m.check(strings.TrimPrefix(name, "liftbank/"))
	return m.checked[name], err
}

// check reads a package, unless it was, and declares its constants.
func (m *module) check(folder string) (*types.Info, error) {
	name := path.Join("liftbank", folder)
	entries, err := os.ReadDir(filepath.Join(m.root, folder))
	if err != nil {
		return nil, fmt.Errorf("read the sources of rules: %w", err)
	}
	var trees []*ast.File
	first := m.checked[name] == nil
	for _, e := range entries {
		if !strings.HasSuffix(e.Name(), ".go") || strings.HasSuffix(e.Name(), "_test.go") {
			continue
		}
		at := path.Join(folder, e.Name())
		f := m.files[at]
		if f == nil {
			text, err := os.ReadFile(filepath.Join(m.root, at))
			if err != nil {
				return nil, fmt.Errorf("read the sources of rules: %w", err)
			}
			tree, err := parser.ParseFile(m.fset, at, text, parser.SkipObjectResolution)
			if err != nil {
				return nil, fmt.Errorf("read the sources of rules: %w", err)
			}
			f = &file{text: string(text), tree: tree, folder: folder}
			m.files[at] = f
		}
		trees = append(trees, f.tree)
	}
	info := &types.Info{
		Defs: map[*ast.Ident]types.Object{}, Uses: map[*ast.Ident]types.Object{}, Types: map[ast.Expr]types.TypeAndValue{},
	}
	p, err := (&types.Config{Importer: m}).Check(name, m.fset, trees, info)
	if err != nil {
		return nil, fmt.Errorf("read the sources of rules: %w", err)
	}
	if first {
		m.checked[name] = p
	}
	for _, e := range entries {
		if f := m.files[path.Join(folder, e.Name())]; f != nil {
			m.declare(f, info)
		}
	}
	return info, nil
}

// declare notes the constants of a file, and the figures of chemistries.
func (m *module) declare(f *file, info *types.Info) {
	f.literals = nil
	short := path.Base(f.folder)
	for _, decl := range declarations(f.tree) {
		for _, spec := range decl.Specs {
			spec, ok := spec.(*ast.ValueSpec)
			if !ok {
				continue
			}
			if decl.Tok == token.VAR {
				f.literals = append(f.literals, chemistry(m, short, spec, info)...)
				continue
			}
			for i, id := range spec.Names {
				c, ok := info.Defs[id].(*types.Const)
				at := m.fset.Position(id.Pos())
				if !ok || m.byPos[at] != nil || !figure(c.Type()) || i >= len(spec.Values) || usesIota(spec.Values[i]) {
					continue
				}
				k := &constant{name: short + "." + id.Name, file: f, decl: decl, spec: spec, index: i, variable: true}
				if !untyped(c.Type()) {
					k.as, k.typed = c.Type(), true
				}
				m.byPos[at] = k
				m.constants = append(m.constants, k)
			}
		}
	}
}

func declarations(tree *ast.File) (all []*ast.GenDecl) {
	ast.Inspect(tree, func(n ast.Node) bool {
		if d, ok := n.(*ast.GenDecl); ok && (d.Tok == token.CONST || d.Tok == token.VAR) {
			all = append(all, d)
		}
		return true
	})
	return all
}

// figure reports whether a constant of a type is a figure: one of a type of its own is a code.
func figure(t types.Type) bool {
	b, ok := t.Underlying().(*types.Basic)
	if !ok || b.Info()&types.IsNumeric == 0 {
		return false
	}
	n, named := t.(*types.Named)
	return !named || n.Obj().Name() == "Duration"
}

func usesIota(e ast.Expr) (uses bool) {
	ast.Inspect(e, func(n ast.Node) bool {
		id, ok := n.(*ast.Ident)
		uses = uses || ok && id.Name == "iota"
		return true
	})
	return uses
}

func chemistry(m *module, short string, spec *ast.ValueSpec, info *types.Info) (all []literal) {
	for i, value := range spec.Values {
		if u, ok := value.(*ast.UnaryExpr); ok {
			value = u.X
		}
		lit, ok := value.(*ast.CompositeLit)
		if !ok || info.Types[lit].Type == nil || !strings.HasSuffix(info.Types[lit].Type.String(), "leadacid.Chemistry") {
			continue
		}
		for _, e := range lit.Elts {
			kv, ok := e.(*ast.KeyValueExpr)
			if !ok {
				continue
			}
			t := info.Types[kv.Value]
			if b, basic := t.Type.Underlying().(*types.Basic); t.Value == nil || !basic || b.Kind() != types.Float64 {
				continue
			}
			name := fmt.Sprintf("%s.%s.%s", short, spec.Names[i].Name, kv.Key.(*ast.Ident).Name)
			all = append(all, literal{name, m.fset.Position(kv.Value.Pos()).Offset, m.fset.Position(kv.Value.End()).Offset})
		}
	}
	return all
}

// uses learns from a package what type each constant is used as, and which others are made of it.
func (m *module) uses(info *types.Info) {
	inside := map[*ast.Ident]*constant{}
	for _, c := range m.constants {
		ast.Inspect(c.spec.Values[c.index], func(n ast.Node) bool {
			if id, ok := n.(*ast.Ident); ok {
				inside[id] = c
			}
			return true
		})
	}
	for id, o := range info.Uses {
		k, ok := o.(*types.Const)
		if !ok {
			continue
		}
		c := m.byPos[m.fset.Position(k.Pos())]
		if c == nil {
			continue
		}
		if user := inside[id]; user != nil {
			c.users = append(c.users, user)
			continue
		}
		t := info.Types[id].Type
		if t == nil {
			if sel := selector(m, id); sel != nil {
				t = info.Types[sel].Type
			}
		}
		switch {
		case t == nil:
		case untyped(t): // part of a constant expression
			c.loose = cmp.Or(c.loose, types.Type(types.Typ[types.Float64]))
			if t == types.Typ[types.UntypedInt] {
				c.loose = types.Typ[types.Int]
			}
		case c.as == nil:
			c.as = t
		case !types.Identical(c.as, t) && c.as.String() != t.String():
			c.variable = false
		}
	}
}

// selector returns the expression package.name that id is the name of.
func selector(m *module, id *ast.Ident) (found ast.Expr) {
	f := m.files[m.fset.Position(id.Pos()).Filename]
	ast.Inspect(f.tree, func(n ast.Node) bool {
		if s, ok := n.(*ast.SelectorExpr); ok && s.Sel == id {
			found = s
		}
		return found == nil && n != nil && n.Pos() <= id.Pos() && id.End() <= n.End() || n == f.tree
	})
	return found
}

// settle gives a constant that only others are made of their type, and leaves those constants that
// a constant is made of.
func (m *module) settle() {
	for changed := true; changed; {
		changed = false
		for _, c := range m.constants {
			for _, u := range c.users {
				if c.as == nil && u.as != nil {
					c.as, changed = u.as, true
				}
				if c.variable && (!u.variable || u.as != nil && c.as != nil && u.as.String() != c.as.String()) {
					c.variable, changed = false, true
				}
			}
		}
	}
	for _, c := range m.constants {
		if c.as == nil {
			c.as = c.loose
		}
		c.variable = c.variable && c.as != nil
	}
}

func untyped(t types.Type) bool {
	b, ok := t.(*types.Basic)
	return ok && b.Info()&types.IsUntyped != 0
}

func typeOf(c *constant) types.Type {
	if c.as == nil {
		return nil
	}
	return c.as.Underlying()
}

// call returns the variable's value.
func (c *constant) call(value string) string {
	b, ok := typeOf(c).(*types.Basic)
	switch {
	case !ok || b.Info()&types.IsInteger == 0:
		return fmt.Sprintf("tweaked.Float(%q, %s)", c.name, value)
	case c.typed:
		return fmt.Sprintf("tweaked.Whole(%q, %s)", c.name, value)
	}
	return fmt.Sprintf("tweaked.Whole[%s](%q, %s)", c.as, c.name, value)
}

// edit replaces a part of a file.
type edit struct {
	start, end int
	text       string
}

// rewrite returns the changed files by path.
func (m *module) rewrite() map[string]string {
	edits := map[*file][]edit{}
	offset := func(p token.Pos) int { return m.fset.Position(p).Offset }
	for _, c := range m.constants {
		if !c.variable {
			continue
		}
		value := c.file.text[offset(c.spec.Values[c.index].Pos()):offset(c.spec.Values[c.index].End())]
		id, spec := c.spec.Names[c.index], c.spec.Values[c.index]
		// The constant stays under no name; the variable follows its declaration.
		edits[c.file] = append(edits[c.file], edit{offset(id.Pos()), offset(id.End()), "_"},
			edit{offset(spec.Pos()), offset(spec.End()), "0"},
			edit{offset(c.decl.End()), offset(c.decl.End()), fmt.Sprintf("\nvar %s = %s", id.Name, c.call(value))})
	}
	out := map[string]string{}
	for at, f := range m.files {
		for _, l := range f.literals {
			edits[f] = append(edits[f], edit{l.start, l.end, fmt.Sprintf("tweaked.Float(%q, %s)", l.name, f.text[l.start:l.end])})
		}
		all := edits[f]
		if len(all) == 0 {
			continue
		}
		all = append(all, edit{offset(f.tree.Name.End()), offset(f.tree.Name.End()), "; import \"liftbank/rules/tweaked\""})
		slices.SortStableFunc(all, func(a, b edit) int { return cmp.Compare(a.start, b.start) })
		var text strings.Builder
		done := 0
		for _, e := range all {
			text.WriteString(f.text[done:e.start])
			text.WriteString(e.text)
			done = e.end
		}
		text.WriteString(f.text[done:])
		out[at] = text.String()
	}
	return out
}
