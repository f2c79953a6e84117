package authority

import (
	"cmp"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"

	"liftbank/agent/config"
)

// Template is a unit's configuration in which only the unit's name and the files of its certificate are
// to be filled in. Everything else of it, comments among it, stays as it is written.
type Template struct {
	name  string
	text  string
	edits []edit
}

// edit replaces a part of the text by what a unit has there.
type edit struct {
	from, to int
	with     func(unit string) string
}

// Names of the files beside a unit's configuration.
func certName(name string) string { return name + ".pem" }
func keyName(name string) string  { return name + ".key" }

// ReadTemplate reads a unit's configuration, which must be a good one by itself. A broker replaces or
// adds the one in it; "" leaves it. Its errors are config.Errors where the file is wrong.
func ReadTemplate(name string, data []byte, broker string) (*Template, error) {
	before, err := config.Parse(name, data)
	if err != nil {
		return nil, err
	}
	if before.MQTT == nil && broker == "" {
		return nil, fmt.Errorf("%s: mqtt: not there, so that its units would send nothing: want the section with its broker, "+
			"or --broker", name)
	}
	values := []struct {
		section, key string
		with         func(string) string
	}{
		{"unit", "id", quoted},
		{"mqtt", "broker", func(string) string { return quoted(broker) }},
		{"mqtt", "ca_file", func(string) string { return quoted(CertFile) }},
		{"mqtt", "cert_file", func(unit string) string { return quoted(certName(unit)) }},
		{"mqtt", "key_file", func(unit string) string { return quoted(keyName(unit)) }},
	}
	t := &Template{name: name, text: string(data)}
	doc, err := readTree(t.text)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	var added []func(string) string // a section that is not there
	for _, v := range values {
		if v.key == "broker" && broker == "" {
			continue
		}
		with := v.with
		line := func(unit string) string { return v.key + ": " + with(unit) }
		section := doc.value(doc.root, v.section)
		if section == nil {
			added = append(added, line)
			continue
		}
		e, err := doc.set(section, v.key, line, with)
		if err != nil {
			return nil, fmt.Errorf("%s: %s.%s: %w", name, v.section, v.key, err)
		}
		t.edits = append(t.edits, e)
	}
	if len(added) > 0 {
		end := len(t.text)
		t.edits = append(t.edits, edit{end, end, func(unit string) string {
			var b strings.Builder
			if t.text != "" && !strings.HasSuffix(t.text, "\n") {
				b.WriteByte('\n')
			}
			b.WriteString("\nmqtt:\n")
			for _, line := range added {
				b.WriteString("  " + line(unit) + "\n")
			}
			return b.String()
		}})
	}
	slices.SortStableFunc(t.edits, func(a, b edit) int { return cmp.Compare(a.from, b.from) })
	_, err = t.Fill("lift-0") // what is wrong with any is wrong with this one
	return t, err
}

// Fill returns the configuration of one unit, which it has read back.
func (t *Template) Fill(unit string) ([]byte, error) {
	var b strings.Builder
	at := 0
	for _, e := range t.edits {
		if e.from < at {
			return nil, fmt.Errorf("%s: can't be filled in: want unit and mqtt as sections of lines of their own", t.name)
		}
		b.WriteString(t.text[at:e.from])
		b.WriteString(e.with(unit))
		at = e.to
	}
	b.WriteString(t.text[at:])
	c, err := config.Parse(t.name, []byte(b.String()))
	if err != nil {
		return nil, fmt.Errorf("filled in for %s: %w", unit, err)
	}
	m := c.MQTT
	if c.Unit.ID != unit || m == nil || !isBeside(t.name, m.CAFile, CertFile) || !isBeside(t.name, m.CertFile, certName(unit)) ||
		!isBeside(t.name, m.KeyFile, keyName(unit)) {
		return nil, fmt.Errorf("%s: can't be filled in: want unit and mqtt as sections of lines of their own", t.name)
	}
	return []byte(b.String()), nil
}

// isBeside reports whether a file is the one of that name in the folder of the configuration.
func isBeside(config, file, name string) bool {
	return file == filepath.Join(filepath.Dir(config), name)
}

// quoted writes a text of YAML that is nothing else: a unit may be called 1e3 or null.
func quoted(text string) string {
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace(text) + `"`
}

// tree is a YAML document with the places of its texts.
type tree struct {
	root  ast.Node
	text  string
	lines []int // where each begins
}

func readTree(text string) (*tree, error) {
	file, err := parser.ParseBytes([]byte(text), 0)
	if err != nil {
		return nil, err
	}
	if len(file.Docs) != 1 || file.Docs[0].Body == nil {
		return nil, errors.New("want one document")
	}
	t := &tree{root: file.Docs[0].Body, text: text, lines: []int{0}}
	for i := range len(text) {
		if text[i] == '\n' {
			t.lines = append(t.lines, i+1)
		}
	}
	return t, nil
}

// entries returns those of a mapping.
func entries(n ast.Node) []*ast.MappingValueNode {
	switch n := n.(type) {
	case *ast.MappingNode:
		return n.Values
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{n}
	}
	return nil
}

func (t *tree) value(n ast.Node, key string) ast.Node {
	for _, e := range entries(n) {
		if e.Key.String() == key {
			return e.Value
		}
	}
	return nil
}

// offset returns where a node begins in the text: the parser counts lines and characters from 1.
func (t *tree) offset(n ast.Node) (int, error) {
	p := n.GetToken().Position
	if p.Line < 1 || p.Line > len(t.lines) {
		return 0, errors.New("not found again in the text")
	}
	at := t.lines[p.Line-1]
	for range p.Column - 1 {
		if at >= len(t.text) {
			return 0, errors.New("not found again in the text")
		}
		_, n := utf8.DecodeRuneInString(t.text[at:])
		at += n
	}
	return at, nil
}

// set returns what gives a key of a section its value.
func (t *tree) set(section ast.Node, key string, line, with func(string) string) (edit, error) {
	if v := t.value(section, key); v != nil {
		from, err := t.offset(v)
		if err != nil {
			return edit{}, err
		}
		return edit{from, from + scalarLength(t.text[from:], v), with}, nil
	}
	if m, ok := section.(*ast.MappingNode); ok && m.IsFlowStyle {
		at, err := t.offset(section)
		if err != nil || at >= len(t.text) || t.text[at] != '{' {
			return edit{}, errors.Join(err, errors.New("its section is not where it was read"))
		}
		return edit{at + 1, at + 1, func(unit string) string { return line(unit) + ", " }}, nil
	}
	all := entries(section)
	if len(all) == 0 {
		return edit{}, errors.New("its section has no field")
	}
	at, err := t.offset(all[0].Key)
	if err != nil {
		return edit{}, err
	}
	begin := strings.LastIndexByte(t.text[:at], '\n') + 1
	indent := t.text[begin:at]
	if strings.Trim(indent, " ") != "" {
		return edit{}, errors.New("its section begins in the middle of a line")
	}
	return edit{begin, begin, func(unit string) string { return indent + line(unit) + "\n" }}, nil
}

// scalarLength returns how long a value is as written.
func scalarLength(text string, n ast.Node) int {
	if text == "" || text[0] != '"' && text[0] != '\'' {
		return len(strings.TrimRight(n.GetToken().Value, " "))
	}
	for i := 1; i < len(text); i++ {
		switch {
		case text[i] == '\\' && text[0] == '"':
			i++
		case text[i] == text[0] && text[0] == '\'' && i+1 < len(text) && text[i+1] == '\'':
			i++
		case text[i] == text[0]:
			return i + 1
		}
	}
	return len(text)
}

// LineOf returns the line of a field of a configuration, as unit.id, or 0.
func LineOf(data []byte, field string) int {
	t, err := readTree(string(data))
	if err != nil {
		return 0
	}
	n := t.root
	for key := range strings.SplitSeq(field, ".") {
		if n = t.value(n, key); n == nil {
			return 0
		}
	}
	return n.GetToken().Position.Line
}
