package strict

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

const (
	// maxBytes keeps the YAML parser, whose time grows with the square of the size, below a few
	// seconds on any input. The largest board needs a tenth of it.
	maxBytes = 64 << 10
	// maxDepth is more than twice what the deepest field needs.
	maxDepth = 16
)

type kind uint8

const (
	nothing kind = iota // a key with no value
	scalar
	mapping
	sequence
)

func (k kind) String() string {
	return [...]string{"nothing", "a plain value", "a section", "a list"}[k]
}

// node is a YAML value with its place. Anchors, tags, merge keys and block texts are refused
// before.
type node struct {
	kind    kind
	place   place
	text    string // of a scalar
	quoted  bool
	entries []entry // of a mapping, in file order
	items   []*node // of a sequence
}

type entry struct {
	key   string
	place place
	value *node
}

type place struct{ line, column int }

// document parses a file into a tree. Mistakes in the YAML itself go to r. It returns nil if there
// is no tree.
func document(data []byte, r *Reading) *node {
	if len(data) > maxBytes {
		r.add(place{1, 1}, "", fmt.Sprintf("%d bytes", len(data)), fmt.Sprintf("want at most %d", maxBytes))
		return nil
	}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	if at := badByte(data); at >= 0 {
		line := 1 + bytes.Count(data[:at], []byte("\n"))
		r.add(place{line, 1}, "", fmt.Sprintf("byte %#02x", data[at]), "want text in UTF-8")
		return nil
	}
	// duplicates: reported by section, with all else
	file, err := parser.ParseBytes(data, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		r.syntax(err)
		return nil
	}
	var body ast.Node
	for _, doc := range file.Docs {
		if doc.Body == nil || doc.Body.Type() == ast.CommentGroupType {
			continue
		}
		if body != nil {
			r.add(placeOf(doc.Body.GetToken()), "", "a second document", "want one document in a file")
			return nil
		}
		body = doc.Body
	}
	if body == nil {
		if !r.options.EmptyOK {
			r.add(place{1, 1}, "", "nothing in the file", "want its sections")
		}
		return nil
	}
	return convert(body, "", 0, r)
}

// badByte returns the index of the first byte that is neither UTF-8 nor allowed in YAML, or -1.
func badByte(data []byte) int {
	for i := 0; i < len(data); {
		c, size := utf8.DecodeRune(data[i:])
		if c == utf8.RuneError && size == 1 || c < ' ' && c != '\n' && c != '\r' && c != '\t' || c == 0x7f {
			return i
		}
		i += size
	}
	return -1
}

const notYAML = "not YAML"

// escapeControl keeps an error on one line.
var escapeControl = strings.NewReplacer("\n", `\n`, "\r", `\r`, "\t", `\t`)

func (r *Reading) syntax(err error) {
	var y yaml.Error
	if !errors.As(err, &y) {
		r.add(place{1, 1}, "", notYAML, err.Error())
		return
	}
	r.add(placeOf(y.GetToken()), "", notYAML, escapeControl.Replace(y.GetMessage()))
}

func placeOf(t *token.Token) place {
	if t == nil || t.Position == nil {
		return place{1, 1}
	}
	return place{max(t.Position.Line, 1), max(t.Position.Column, 1)}
}

// convert returns the tree below n. It refuses what liftbank's files don't use, and leaves it out.
func convert(n ast.Node, path string, depth int, r *Reading) *node {
	if n == nil {
		return &node{place: place{1, 1}}
	}
	at := placeOf(n.GetToken())
	if depth > maxDepth {
		r.refuseAt(at, path, "nested too deep", fmt.Sprintf("want at most %d levels", maxDepth))
		return &node{place: at}
	}
	switch n := n.(type) {
	case *ast.NullNode:
		return &node{place: at}
	case *ast.MappingNode:
		return convertMapping(n.Values, at, path, depth, r)
	case *ast.MappingValueNode:
		return convertMapping([]*ast.MappingValueNode{n}, at, path, depth, r)
	case *ast.SequenceNode:
		out := &node{kind: sequence, place: at}
		for i, v := range n.Values {
			out.items = append(out.items, convert(v, fmt.Sprintf("%s[%d]", path, i), depth+1, r))
		}
		return out
	case *ast.IntegerNode, *ast.FloatNode, *ast.InfinityNode, *ast.NanNode, *ast.StringNode, *ast.BoolNode:
		t := n.GetToken()
		quoted := t.Type == token.SingleQuoteType || t.Type == token.DoubleQuoteType
		return &node{kind: scalar, place: at, text: t.Value, quoted: quoted}
	}
	r.refuseAt(at, path, refusedWord(n), "want plain values, sections and lists only")
	return &node{place: at}
}

func convertMapping(values []*ast.MappingValueNode, at place, path string, depth int, r *Reading) *node {
	out := &node{kind: mapping, place: at}
	for _, v := range values {
		key := placeOf(v.Key.GetToken())
		if v.Key.Type() == ast.MergeKeyType || v.Key.Type() == ast.MappingKeyType {
			r.refuseAt(key, path, v.Key.GetToken().Value, "want plain field names only")
			continue
		}
		name := v.Key.GetToken().Value
		out.entries = append(out.entries, entry{key: name, place: key,
			value: convert(v.Value, join(path, name), depth+1, r)})
	}
	if len(out.entries) > 0 {
		out.place = out.entries[0].place
	}
	return out
}

func refusedWord(n ast.Node) string {
	switch n.(type) {
	case *ast.AnchorNode:
		return "anchor"
	case *ast.AliasNode:
		return "alias"
	case *ast.TagNode:
		return "tag"
	case *ast.LiteralNode:
		return "block of text"
	}
	return n.Type().String()
}

// join returns the path of field name in the section at path.
func join(path, name string) string {
	if path == "" {
		return Show(name)
	}
	return path + "." + Show(name)
}
