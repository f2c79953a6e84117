// Package schema makes the JSON Schemas of what a unit sends, answers and hears, from the Go types
// of the messages. Names and whether a member may be missing come from the tags, descriptions from
// the comments in the source, and what the types can't say from the tables in this package. The
// program doesn't import it: the published files are made by the tests of folder deploy.
package schema

import (
	"bytes"
	"encoding/json"
	"fmt"
	"path"
	"path/filepath"
	"reflect"
	"strings"
	"time"

	"github.com/invopop/jsonschema"
)

// Generator makes schemas from the types and their source.
type Generator struct {
	comments map[string]string
	used     map[string]bool // limits that some message has
}

// New reads the comments of the program's source. root is the path of the module from the working
// directory, such as "..".
func New(root string) (*Generator, error) {
	r := jsonschema.Reflector{}
	// The reader joins the import path with the path of each folder, so that base has to lead from
	// the module's name down to where root leads up from.
	base := path.Join("liftbank", strings.Repeat("x/", strings.Count(filepath.ToSlash(root), "..")))
	if err := r.AddGoComments(base, filepath.Join(root, "agent"), jsonschema.WithFullComment()); err != nil {
		return nil, fmt.Errorf("schema: %w", err)
	}
	return &Generator{comments: r.CommentMap, used: map[string]bool{}}, nil
}

// Unused returns the limits that no message made so far has.
func (g *Generator) Unused() (keys []string) {
	for key := range limits {
		if !g.used[key] {
			keys = append(keys, key)
		}
	}
	return keys
}

// Make returns the schema of a message as the text of its file.
func (g *Generator) Make(m Message) ([]byte, error) {
	types := map[string]reflect.Type{} // by the name of their definition
	var twice error
	r := jsonschema.Reflector{
		Anonymous: true, ExpandedStruct: true,
		Mapper: mapped,
		Namer: func(t reflect.Type) string {
			name := t.Name()
			if t == m.Type {
				name = "Message"
			}
			if before := types[name]; before != nil && before != t && name != "" {
				twice = fmt.Errorf("%s and %s: two types of one name in a message", before, t)
			}
			types[name] = t
			return name
		},
		LookupComment: func(t reflect.Type, field string) string { return g.comment(t, field) },
	}
	s := r.ReflectFromType(m.Type)
	if twice != nil {
		return nil, fmt.Errorf("schema %s: %w", m.File, twice)
	}
	for name, d := range s.Definitions {
		g.refine(d, types[name])
	}
	g.refine(s, m.Type)
	if err := m.fix(s, "schema", m.Schema); err != nil {
		return nil, err
	}
	if err := m.fix(s, "stream", m.Stream); err != nil {
		return nil, err
	}
	if m.List {
		s.Description = ""
		s = &jsonschema.Schema{Type: "array", Items: s, Definitions: s.Definitions}
		s.Items.Definitions, s.Items.Version = nil, ""
	}
	s.Version = jsonschema.Version
	s.ID = jsonschema.ID("urn:liftbank:schema:" + strings.TrimSuffix(m.File, ".schema.json"))
	s.Title = m.Title
	s.Description = m.About + " Fields are only added within a version: skip those you don't know. " +
		"This schema is exact and knows them all."
	return text(s)
}

// text returns a schema as indented JSON, with < and > as they are.
func text(s *jsonschema.Schema) ([]byte, error) {
	raw, err := json.Marshal(s)
	if err != nil {
		return nil, fmt.Errorf("schema: %w", err)
	}
	var plain bytes.Buffer
	e := json.NewEncoder(&plain)
	e.SetEscapeHTML(false)
	if err := e.Encode(json.RawMessage(raw)); err != nil {
		return nil, fmt.Errorf("schema: %w", err)
	}
	var b bytes.Buffer
	if err := json.Indent(&b, plain.Bytes(), "", " "); err != nil {
		return nil, fmt.Errorf("schema: %w", err)
	}
	return b.Bytes(), nil
}

// comment returns what the source says of a type or a field, in one line.
func (g *Generator) comment(t reflect.Type, field string) string {
	key := t.PkgPath() + "." + t.Name()
	if field != "" {
		key += "." + field
	}
	return strings.Join(strings.Fields(g.comments[key]), " ")
}

// fix makes a member of the message a constant; "" leaves it.
func (m *Message) fix(s *jsonschema.Schema, member, value string) error {
	if value == "" {
		return nil
	}
	p, ok := s.Properties.Get(member)
	if !ok {
		return fmt.Errorf("schema %s: no member %s", m.File, member)
	}
	p.Const, p.Enum = value, nil
	return nil
}

// refine adds what the generator can't know of a struct: null for pointers that are not left out,
// no negative numbers in unsigned fields, and the limits.
func (g *Generator) refine(s *jsonschema.Schema, t reflect.Type) {
	for i := range t.NumField() {
		f := t.Field(i)
		if f.Anonymous && f.Tag.Get("json") == "" {
			g.refine(s, f.Type)
			continue
		}
		name, rest, _ := strings.Cut(f.Tag.Get("json"), ",")
		p, ok := s.Properties.Get(name)
		if !ok {
			continue
		}
		key := t.Name() + "." + name
		if l, ok := limits[key]; ok {
			g.used[key] = true
			l(p)
		}
		unsigned(p, f.Type)
		if items := f.Type; items.Kind() == reflect.Slice && items.Elem().Kind() == reflect.Pointer {
			p.Items = nullable(p.Items)
		}
		if f.Type.Kind() == reflect.Pointer && !strings.Contains(rest, "omitempty") {
			about := p.Description
			p.Description = ""
			n := nullable(p)
			n.Description = about
			s.Properties.Set(name, n)
		}
	}
}

// unsigned gives the whole numbers in a field their lower bound.
func unsigned(s *jsonschema.Schema, t reflect.Type) {
	switch t.Kind() {
	case reflect.Pointer:
		unsigned(s, t.Elem())
	case reflect.Slice, reflect.Array:
		unsigned(s.Items, t.Elem())
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		if s.Minimum == "" {
			s.Minimum = "0"
		}
	}
}

// nullable returns a schema that takes null, too.
func nullable(s *jsonschema.Schema) *jsonschema.Schema {
	if s.Type == "" || len(s.Enum) > 0 {
		return &jsonschema.Schema{AnyOf: []*jsonschema.Schema{s, {Type: "null"}}}
	}
	s.Extras = map[string]any{"type": []string{s.Type, "null"}}
	s.Type = ""
	return s
}

var timeType = reflect.TypeFor[time.Time]()
