package scenario

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"
)

// checker compares a file's tree with the Go types it is to be read into, so that every mistake is reported at once, with
// its line and what would have been accepted.
type checker struct {
	file     string
	lines    map[string]int // path of a field given in the file -> its line
	problems []problem
}

// problem is one mistake.
type problem struct {
	line              int
	field, got, wants string
}

// complain adds a mistake at a field, or at the nearest thing around it that the file has.
func (c *checker) complain(field, got, want string) {
	line := 1
	for at := field; at != ""; at = at[:max(0, strings.LastIndexAny(at, ".["))] {
		if l, ok := c.lines[at]; ok {
			line = l
			break
		}
	}
	c.problems = append(c.problems, problem{line, field, got, want})
}

// err gives all mistakes in the order of their lines, or nil.
func (c *checker) err() error {
	slices.SortStableFunc(c.problems, func(a, b problem) int { return a.line - b.line })
	all := make([]error, len(c.problems))
	for i, p := range c.problems {
		all[i] = fmt.Errorf("%s:%d: %s: %s: want %s", c.file, p.line, p.field, p.got, p.wants)
	}
	return errors.Join(all...)
}

// given reports whether the file has this field.
func (c *checker) given(field string) bool { _, ok := c.lines[field]; return ok }

var (
	spanType = reflect.TypeFor[Span]()
	timeType = reflect.TypeFor[time.Time]()
)

// value checks one node against a type and the range from its `want` tag.
func (c *checker) value(node ast.Node, t reflect.Type, want, field string) {
	if field != "" {
		c.lines[field] = node.GetToken().Position.Line
	}
	switch {
	case t == spanType:
		c.span(node, want, field)
	case t == timeType:
		c.moment(node, field)
	case t.Kind() == reflect.Struct:
		c.mapping(node, t, field)
	case t.Kind() == reflect.Slice, t.Kind() == reflect.Array:
		c.list(node, t, want, field)
	default:
		c.scalar(node, t, want, field)
	}
}

func (c *checker) mapping(node ast.Node, t reflect.Type, field string) {
	pairs, ok := pairsOf(node)
	if !ok {
		c.complain(field, shown(node), "keys and values: "+strings.Join(keysOf(t), ", "))
		return
	}
	for _, pair := range pairs {
		key := pair.Key.GetToken().Value
		at := strings.TrimPrefix(field+"."+key, ".")
		c.lines[at] = pair.Key.GetToken().Position.Line
		f, known := fieldNamed(t, key)
		if !known {
			c.complain(at, "unknown key", "one of "+strings.Join(keysOf(t), ", "))
			continue
		}
		c.value(pair.Value, f.Type, f.Tag.Get("want"), at)
	}
}

func pairsOf(node ast.Node) ([]*ast.MappingValueNode, bool) {
	switch n := node.(type) {
	case *ast.MappingNode:
		return n.Values, true
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{n}, true
	}
	return nil, false
}

func fieldNamed(t reflect.Type, key string) (reflect.StructField, bool) {
	for f := range fieldsOf(t) {
		if f.Tag.Get("yaml") == key {
			return f, true
		}
	}
	return reflect.StructField{}, false
}

func fieldsOf(t reflect.Type) func(func(reflect.StructField) bool) {
	return func(yield func(reflect.StructField) bool) {
		for i := range t.NumField() {
			if !yield(t.Field(i)) {
				return
			}
		}
	}
}

func keysOf(t reflect.Type) (keys []string) {
	for f := range fieldsOf(t) {
		keys = append(keys, f.Tag.Get("yaml"))
	}
	return keys
}

func (c *checker) list(node ast.Node, t reflect.Type, want, field string) {
	seq, ok := node.(*ast.SequenceNode)
	if !ok {
		c.complain(field, shown(node), "a list, as in [1, 2]")
		return
	}
	if t.Kind() == reflect.Array && len(seq.Values) != t.Len() {
		c.complain(field, fmt.Sprintf("%d values", len(seq.Values)), strconv.Itoa(t.Len()))
		return
	}
	for i, v := range seq.Values {
		c.value(v, t.Elem(), want, fmt.Sprintf("%s[%d]", field, i))
	}
}

func (c *checker) scalar(node ast.Node, t reflect.Type, want, field string) {
	text := node.GetToken().Value
	switch t.Kind() {
	case reflect.String:
		_, plain := node.(*ast.StringNode)
		if _, block := node.(*ast.LiteralNode); !plain && !block {
			c.complain(field, shown(node), orElse(want, "text"))
		} else if !amongWords(want, text) {
			c.complain(field, strconv.Quote(text), want)
		}
	case reflect.Bool:
		if _, ok := node.(*ast.BoolNode); !ok {
			c.complain(field, shown(node), "true or false")
		}
	case reflect.Int, reflect.Uint64:
		v, err := strconv.ParseInt(text, 10, 64)
		if _, ok := node.(*ast.IntegerNode); !ok || err != nil || !inRange(want, float64(v)) {
			c.complain(field, shown(node), "a whole number, "+want)
		}
	case reflect.Float64:
		v, err := strconv.ParseFloat(text, 64)
		if !isNumber(node) || err != nil || math.IsInf(v, 0) || !inRange(want, v) {
			c.complain(field, shown(node), want)
		}
	default:
		panic("bug: scenario: no check for fields of type " + t.String())
	}
}

func isNumber(node ast.Node) bool {
	switch node.(type) {
	case *ast.IntegerNode, *ast.FloatNode:
		return true
	}
	return false
}

func (c *checker) span(node ast.Node, want, field string) {
	v, err := ParseSpan(node.GetToken().Value)
	low, high, _ := strings.Cut(want, " to ")
	least, lowErr := ParseSpan(low)
	most, highErr := ParseSpan(high)
	if lowErr != nil || highErr != nil {
		panic("bug: scenario: range of " + field + ": " + want)
	}
	if _, ok := node.(*ast.StringNode); !ok || err != nil || v < least || v > most {
		c.complain(field, shown(node), "a time from "+want+", such as 90s, 6h30m or 1d6h")
	}
}

func (c *checker) moment(node ast.Node, field string) {
	at, err := time.Parse(time.RFC3339, node.GetToken().Value)
	if err != nil || at.Nanosecond() != 0 || at.Year() < 1970 || at.Year() > 2200 {
		c.complain(field, shown(node), "a time such as 2025-03-03T05:00:00Z, whole seconds, 1970 to 2200")
	}
}

// amongWords reports whether text is one of the words of a want tag "one of a, b"; any text is if it lists none.
func amongWords(want, text string) bool {
	words, listed := strings.CutPrefix(want, "one of ")
	return !listed || slices.Contains(strings.Split(words, ", "), text)
}

// inRange reports whether v lies in a want tag "low to high".
func inRange(want string, v float64) bool {
	low, high, _ := strings.Cut(want, " to ")
	least, lowErr := strconv.ParseFloat(low, 64)
	most, highErr := strconv.ParseFloat(high, 64)
	if lowErr != nil || highErr != nil {
		panic("bug: scenario: range " + want)
	}
	return v >= least && v <= most
}

func orElse(text, instead string) string {
	if text == "" {
		return instead
	}
	return text
}

// shown gives what the file has, for an error: a scalar as written, anything else by its kind.
func shown(node ast.Node) string {
	switch n := node.(type) {
	case *ast.MappingNode, *ast.MappingValueNode:
		return "keys and values"
	case *ast.SequenceNode:
		return "a list"
	case *ast.NullNode:
		return "nothing"
	case *ast.AliasNode, *ast.AnchorNode, *ast.TagNode:
		return "an alias, anchor or tag"
	default:
		const longest = 60
		text := n.GetToken().Value
		if len(text) > longest {
			text = text[:longest] + "..."
		}
		return strconv.Quote(text)
	}
}
