package deploy_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The schemas are made from the program's own types, so that a field can't be forgotten: names and whether they may be missing come from
// the tags, what they mean from the comments, what values they take from the table `limits`. What the types can't say about the messages, real
// messages do (schema_test.go).

// schemaMaker makes a schema of a type by reading its source.
type schemaMaker struct {
	types map[string]map[string]*ast.TypeSpec // by package folder and name
	files map[*ast.TypeSpec]*ast.File
	defs  map[string]*object
	homes map[string]string // package folder of each
	used  map[string]bool   // entries of limits
}

// object is a JSON object whose members keep their order, so that the files read well.
type object struct {
	names  []string
	values map[string]any
}

func obj(pairs ...any) *object {
	o := &object{values: map[string]any{}}
	for i := 0; i < len(pairs); i += 2 {
		o.set(pairs[i].(string), pairs[i+1])
	}
	return o
}

func (o *object) set(name string, value any) {
	if _, there := o.values[name]; !there {
		o.names = append(o.names, name)
	}
	o.values[name] = value
}

// MarshalJSON writes the members in order.
func (o *object) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	for i, name := range o.names {
		b.WriteString(map[bool]string{true: "{", false: ","}[i == 0])
		value, err := plainJSON(o.values[name])
		if err != nil {
			return nil, err
		}
		fmt.Fprintf(&b, "%q:%s", name, value)
	}
	if len(o.names) == 0 {
		b.WriteByte('{')
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// plainJSON writes < and > as they are: nothing here goes into HTML.
func plainJSON(v any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	err := e.Encode(v)
	return bytes.TrimSpace(b.Bytes()), err
}

func newSchemaMaker() *schemaMaker {
	return &schemaMaker{types: map[string]map[string]*ast.TypeSpec{}, files: map[*ast.TypeSpec]*ast.File{}, used: map[string]bool{}}
}

// find gives a type of a package, nil when it has none of that name. folder is from the module's root.
func (m *schemaMaker) find(t *testing.T, folder, name string) *ast.TypeSpec {
	t.Helper()
	if m.types[folder] == nil {
		m.types[folder] = map[string]*ast.TypeSpec{}
		paths, err := filepath.Glob(filepath.Join("..", filepath.FromSlash(folder), "*.go"))
		require.NoError(t, err)
		for _, path := range paths {
			if strings.HasSuffix(path, "_test.go") {
				continue
			}
			file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ParseComments)
			require.NoError(t, err)
			for _, d := range file.Decls {
				g, ok := d.(*ast.GenDecl)
				if !ok || g.Tok != token.TYPE {
					continue
				}
				for _, spec := range g.Specs {
					ts := spec.(*ast.TypeSpec)
					if ts.Doc == nil {
						ts.Doc = g.Doc
					}
					m.types[folder][ts.Name.Name], m.files[ts] = ts, file
				}
			}
		}
	}
	return m.types[folder][name]
}

// make gives the schema of a message.
func (m *schemaMaker) make(t *testing.T, s schemaOf) []byte {
	t.Helper()
	m.defs, m.homes = map[string]*object{}, map[string]string{}
	spec := m.find(t, s.folder, s.typ)
	require.NotNil(t, spec, "%s.%s", s.folder, s.typ)
	top := obj("$schema", "https://json-schema.org/draft/2020-12/schema", "$id", "urn:liftbank:schema:"+strings.TrimSuffix(s.file, ".schema.json"),
		"title", s.title, "description", s.about+" Fields are only added within a version: read on over those you don't know. This schema is exact and knows them all.")
	body := m.structure(t, s.folder, spec)
	if p, ok := body.values["properties"].(*object); ok && s.schema != "" {
		field, ok := p.values["schema"].(*object)
		require.True(t, ok, "%s has no field schema", s.typ)
		field.set("const", s.schema)
	}
	if p, ok := body.values["properties"].(*object); ok && s.stream != "" {
		p.values["stream"].(*object).set("const", s.stream)
	}
	delete(body.values, "description")
	body.names = slices.DeleteFunc(body.names, func(name string) bool { return name == "description" })
	if s.list {
		top.set("type", "array")
		top.set("items", body)
		body = obj()
	}
	for _, name := range body.names {
		top.set(name, body.values[name])
	}
	names := make([]string, 0, len(m.defs))
	for name := range m.defs {
		names = append(names, name)
	}
	slices.Sort(names)
	if len(names) > 0 {
		defs := obj()
		for _, name := range names {
			defs.set(name, m.defs[name])
		}
		top.set("$defs", defs)
	}
	text, err := plainJSON(top)
	require.NoError(t, err)
	var b bytes.Buffer
	require.NoError(t, json.Indent(&b, text, "", " "))
	b.WriteByte('\n')
	return b.Bytes()
}

// structure gives the schema of a struct.
func (m *schemaMaker) structure(t *testing.T, folder string, spec *ast.TypeSpec) *object {
	t.Helper()
	st, ok := spec.Type.(*ast.StructType)
	require.True(t, ok, "%s.%s is no struct", folder, spec.Name.Name)
	properties, required := obj(), []string{}
	m.fields(t, folder, spec, st, properties, &required)
	out := obj("type", "object")
	if about := sentence(spec.Doc.Text()); about != "" {
		out.set("description", about)
	}
	out.set("properties", properties)
	out.set("required", required)
	out.set("additionalProperties", false)
	return out
}

func (m *schemaMaker) fields(t *testing.T, folder string, spec *ast.TypeSpec, st *ast.StructType, properties *object, required *[]string) {
	t.Helper()
	for _, f := range st.Fields.List {
		if len(f.Names) == 0 && f.Tag == nil { // embedded: its fields are ours
			name := f.Type.(*ast.Ident).Name
			inner := m.find(t, folder, name)
			require.NotNil(t, inner, "%s.%s", folder, name)
			m.fields(t, folder, inner, inner.Type.(*ast.StructType), properties, required)
			continue
		}
		if f.Tag == nil {
			continue
		}
		tag, err := strconv.Unquote(f.Tag.Value)
		require.NoError(t, err)
		name, rest, _ := strings.Cut(reflect.StructTag(tag).Get("json"), ",")
		if name == "" || name == "-" {
			continue
		}
		optional := strings.Contains(rest, "omitempty")
		if !optional {
			*required = append(*required, name)
		}
		key := spec.Name.Name + "." + name
		value := m.value(t, folder, f.Type, key, optional)
		if about := sentence(f.Comment.Text() + f.Doc.Text()); about != "" {
			value.set("description", about)
		}
		properties.set(name, value)
	}
}

// value gives the schema of a field. optional is one that is left out instead of being null.
func (m *schemaMaker) value(t *testing.T, folder string, typ ast.Expr, key string, optional bool) *object {
	t.Helper()
	limit, limited := limits[key]
	if limited {
		m.used[key] = true
	}
	if limited && limit.ref != "" {
		at := strings.LastIndex(limit.ref, ".")
		return m.named(t, limit.ref[:at], limit.ref[at+1:], key)
	}
	if limited && limit.whole {
		return obj(limit.pairs...)
	}
	out := m.plain(t, folder, typ, key, optional)
	for i := 0; limited && i < len(limit.pairs); i += 2 {
		out.set(limit.pairs[i].(string), limit.pairs[i+1])
	}
	return out
}

func (m *schemaMaker) plain(t *testing.T, folder string, typ ast.Expr, key string, optional bool) *object {
	t.Helper()
	switch x := typ.(type) {
	case *ast.StarExpr:
		inner := m.plain(t, folder, x.X, key, false)
		if optional {
			return inner
		}
		if kind, ok := inner.values["type"].(string); ok && inner.values["$ref"] == nil {
			inner.set("type", []string{kind, "null"})
			return inner
		}
		return obj("anyOf", []any{inner, obj("type", "null")})
	case *ast.ArrayType:
		out := obj("type", "array", "items", m.plain(t, folder, x.Elt, key, false))
		if n, ok := x.Len.(*ast.BasicLit); ok {
			count, err := strconv.Atoi(n.Value)
			require.NoError(t, err)
			out.set("minItems", count)
			out.set("maxItems", count)
		}
		return out
	case *ast.MapType:
		return obj("type", "object", "additionalProperties", m.plain(t, folder, x.Value, key, false))
	case *ast.SelectorExpr:
		pkg, name := x.X.(*ast.Ident).Name, x.Sel.Name
		if pkg == "time" && name == "Time" {
			return obj("type", "string", "format", "date-time")
		}
		return m.named(t, m.imported(t, folder, pkg), name, key)
	case *ast.Ident:
		switch x.Name {
		case "string":
			return obj("type", "string")
		case "bool":
			return obj("type", "boolean")
		case "float64":
			return obj("type", "number")
		case "int", "int64", "int32":
			return obj("type", "integer")
		case "uint64", "uint32", "uint16", "uint8", "uint":
			return obj("type", "integer", "minimum", 0)
		}
		return m.named(t, folder, x.Name, key)
	}
	t.Fatalf("%s: %T: say in limits what it is", key, typ)
	return nil
}

// named gives the schema of a type with a name: a reference to its definition, or what lies behind it.
func (m *schemaMaker) named(t *testing.T, folder, name, key string) *object {
	t.Helper()
	spec := m.find(t, folder, name)
	require.NotNil(t, spec, "%s: %s.%s", key, folder, name)
	if limit, ok := limits[name]; ok && limit.whole {
		m.used[name] = true
		return obj(limit.pairs...)
	}
	if _, isStruct := spec.Type.(*ast.StructType); !isStruct {
		return m.plain(t, folder, spec.Type, key, false)
	}
	require.Contains(t, []string{"", folder}, m.homes[name], "%s: two types of that name in one message", name)
	m.homes[name] = folder
	if m.defs[name] == nil {
		m.defs[name] = obj() // known while it is made: types may hold themselves
		*m.defs[name] = *m.structure(t, folder, spec)
	}
	return obj("$ref", "#/$defs/"+name)
}

// imported gives the folder of a package of this module that some file of folder imports under a name.
func (m *schemaMaker) imported(t *testing.T, folder, pkg string) string {
	t.Helper()
	for _, spec := range m.types[folder] {
		for _, imp := range m.files[spec].Imports {
			path, err := strconv.Unquote(imp.Path.Value)
			require.NoError(t, err)
			if inside, ok := strings.CutPrefix(path, "liftbank/"); ok && strings.HasSuffix(path, "/"+pkg) {
				return inside
			}
		}
	}
	t.Fatalf("%s: package %s is not of this module", folder, pkg)
	return ""
}

// sentence makes one line of a comment.
func sentence(comment string) string { return strings.Join(strings.Fields(comment), " ") }

// checkSchemaFile compares a file with what the types say, and writes it anew with -update.
func checkSchemaFile(t *testing.T, file string, want []byte) {
	t.Helper()
	path := filepath.Join("schema", file)
	if *update {
		require.NoError(t, os.MkdirAll("schema", 0o755))
		require.NoError(t, os.WriteFile(path, want, 0o644))
	}
	got, err := os.ReadFile(path)
	require.NoError(t, err)
	if !bytes.Equal(got, want) {
		t.Errorf("%s is not what the program's types say: renew it with go test ./deploy -run Schema -update and read the difference", path)
	}
}
