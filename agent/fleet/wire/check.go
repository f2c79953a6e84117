package wire

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"time"
	"unsafe"
)

// kinds of JSON values, as a set.
type kinds uint8

const (
	isObject kinds = 1 << iota
	isArray
	isString
	isNumber
	isInteger
	isBool
	isNull
	isAny = isObject | isArray | isString | isNumber | isBool | isNull
)

// node is a part of a schema, made for one pass over a message's bytes: a general validator would have
// it decoded first, which takes ten times as long. What of JSON Schema the published files don't use
// is refused by compile.
type node struct {
	kinds              kinds
	members            map[string]member
	required           uint64 // bits of members
	items              *node
	words              []string // enum or const
	number             *float64 // const
	least, most        *float64
	minItems, maxItems int // maxItems < 0: any number
	pattern            *regexp.Regexp
	instant            bool
	corners            bool // a line of readings: bin, value and so on
	bins               bool // how many a batch of readings has
}

type member struct {
	of   *node
	bit  uint64
	keep int // place in check.kept, plus 1, of what the head needs
}

// jsonSchema is what of JSON Schema 2020-12 the published files use.
type jsonSchema struct {
	ID, Schema         string                 `json:"-"`
	Ref                string                 `json:"$ref"`
	Defs               map[string]*jsonSchema `json:"$defs"`
	Type               any                    `json:"type"`
	Properties         map[string]*jsonSchema `json:"properties"`
	Required           []string               `json:"required"`
	Items              *jsonSchema            `json:"items"`
	AnyOf              []*jsonSchema          `json:"anyOf"`
	Enum               []string               `json:"enum"`
	Const              any                    `json:"const"`
	Minimum, Maximum   *float64
	MinItems, MaxItems *int
	Pattern            string
	Format             string
}

// known are all keywords that compile reads or that say nothing of what is valid. An object's
// additionalProperties is among them: a reader skips the fields that it doesn't know.
var known = []string{
	"$schema", "$id", "$ref", "$defs", "type", "properties", "required", "items", "anyOf", "enum", "const", "minimum",
	"maximum", "minItems", "maxItems", "pattern", "format", "title", "description", "additionalProperties",
}

// compile makes a node of a schema's file.
func compile(file []byte) (*node, error) {
	var s jsonSchema
	if err := json.Unmarshal(file, &s); err != nil {
		return nil, err
	}
	var raw any
	if err := json.Unmarshal(file, &raw); err != nil {
		return nil, err
	}
	if err := onlyKnown(raw); err != nil {
		return nil, err
	}
	c := compiler{defs: s.Defs, done: map[string]*node{}}
	n, err := c.node(&s)
	if err != nil {
		return nil, err
	}
	for i, name := range kept {
		if m, ok := n.members[name]; ok {
			m.keep = i + 1
			n.members[name] = m
		}
	}
	if bins := n.at("readings", "bins"); bins != nil {
		bins.bins = true
	}
	if series := n.at("readings", "series"); series != nil && series.items != nil {
		for _, line := range []string{"mean", "min", "max"} {
			if l := series.items.at(line); l != nil {
				l.corners = true
			}
		}
	}
	return n, nil
}

func onlyKnown(v any) error {
	s, ok := v.(map[string]any)
	if !ok {
		return nil
	}
	for key, value := range s {
		if !slices.Contains(known, key) {
			return fmt.Errorf("schema: keyword %s: not one of those that are checked", key)
		}
		switch value := value.(type) {
		case map[string]any:
			if key != "properties" && key != "$defs" {
				if err := onlyKnown(value); err != nil {
					return err
				}
				continue
			}
			for _, p := range value {
				if err := onlyKnown(p); err != nil {
					return err
				}
			}
		case []any:
			for _, p := range value {
				if err := onlyKnown(p); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// at returns the node of a member of a member, nil if there is none.
func (n *node) at(path ...string) *node {
	for _, name := range path {
		if n = n.members[name].of; n == nil {
			return nil
		}
	}
	return n
}

type compiler struct {
	defs map[string]*jsonSchema
	done map[string]*node
}

func (c *compiler) node(s *jsonSchema) (*node, error) {
	if s.Ref != "" {
		if n := c.done[s.Ref]; n != nil {
			return n, nil
		}
		const prefix = "#/$defs/"
		d := c.defs[s.Ref[min(len(prefix), len(s.Ref)):]]
		if d == nil {
			return nil, fmt.Errorf("schema: %s: no such definition", s.Ref)
		}
		n := &node{}
		c.done[s.Ref] = n
		return n, c.fill(n, d)
	}
	n := &node{}
	return n, c.fill(n, s)
}

func (c *compiler) fill(n *node, s *jsonSchema) error {
	n.maxItems = -1
	if len(s.AnyOf) > 0 { // something or null
		if len(s.AnyOf) != 2 || s.AnyOf[1].Type != "null" {
			return errors.New("schema: anyOf: want one and null")
		}
		one, err := c.node(s.AnyOf[0])
		if err != nil {
			return err
		}
		*n = *one
		n.kinds |= isNull
		return nil
	}
	var err error
	if n.kinds, err = kindsOf(s.Type); err != nil {
		return err
	}
	if len(s.Properties) > 64 {
		return errors.New("schema: more than 64 members")
	}
	bit := uint64(1)
	n.members = make(map[string]member, len(s.Properties))
	for name, p := range s.Properties {
		of, err := c.node(p)
		if err != nil {
			return err
		}
		n.members[name] = member{of: of, bit: bit}
		if slices.Contains(s.Required, name) {
			n.required |= bit
		}
		bit <<= 1
	}
	for _, name := range s.Required {
		if n.members[name].of == nil {
			return fmt.Errorf("schema: %s is required and not described", name)
		}
	}
	if s.Items != nil {
		if n.items, err = c.node(s.Items); err != nil {
			return err
		}
	}
	n.words, n.least, n.most = s.Enum, s.Minimum, s.Maximum
	switch v := s.Const.(type) {
	case string:
		n.words = []string{v}
	case float64:
		n.number = &v
	}
	if s.MinItems != nil {
		n.minItems = *s.MinItems
	}
	if s.MaxItems != nil {
		n.maxItems = *s.MaxItems
	}
	if s.Pattern != "" {
		if n.pattern, err = regexp.Compile(s.Pattern); err != nil {
			return err
		}
	}
	n.instant = s.Format == "date-time"
	return nil
}

func kindsOf(t any) (k kinds, err error) {
	switch t := t.(type) {
	case nil:
		return isAny, nil
	case string:
		k, ok := map[string]kinds{
			"object": isObject, "array": isArray, "string": isString, "number": isNumber, "integer": isInteger,
			"boolean": isBool, "null": isNull,
		}[t]
		if !ok {
			return 0, fmt.Errorf("schema: type %s: not known", t)
		}
		return k, nil
	case []any:
		for _, one := range t {
			more, err := kindsOf(one)
			if err != nil {
				return 0, err
			}
			k |= more
		}
		return k, nil
	}
	return 0, fmt.Errorf("schema: type %v: not known", t)
}

// kept are the members of a message's own level whose values the head is made from.
var kept = [...]string{
	"schema", "unit", "session", "stream", "first", "seq", "at", "clock_trusted", "mono_s", "from", "because", "uptime_s",
	"start",
}

// Places in check.kept.
const (
	keptSchema = iota
	keptUnit
	keptSession
	keptStream
	keptFirst
	keptSeq
	keptAt
	keptTrusted
	keptMono
	keptFrom
	keptBecause
	keptUptime
	keptStart
	keptCount
)

// maxDepth bounds how deep values are nested: far more than a message needs.
const maxDepth = 40

// check is one pass over a message's bytes.
type check struct {
	b    []byte
	at   int
	kept [keptCount][]byte // as in the message: strings with their quotes

	lastBin float64 // the largest of all lines of readings
	points  int     // the most of a line
	bins    float64 // of the batch
	wrong   string  // what breaks the schema first; the rest is read as JSON only
}

var errJSON = errors.New("not JSON")

// run reads a whole message. err says that it is not JSON; c.wrong that it breaks the schema.
func (c *check) run(n *node) error {
	c.lastBin = -1
	if err := c.value(n, 0, true); err != nil {
		return fmt.Errorf("%w at byte %d of %d", err, c.at, len(c.b))
	}
	c.space()
	if c.at != len(c.b) {
		return fmt.Errorf("%w: more after its end, at byte %d", errJSON, c.at)
	}
	return nil
}

func (c *check) space() {
	for c.at < len(c.b) {
		switch c.b[c.at] {
		case ' ', '\t', '\n', '\r':
			c.at++
		default:
			return
		}
	}
}

// breaks notes the first thing that breaks the schema.
func (c *check) breaks(format string, args ...any) {
	if c.wrong == "" {
		c.wrong = fmt.Sprintf(format, args...) + fmt.Sprintf(", at byte %d", c.at)
	}
}

// value reads one value; n nil takes any.
func (c *check) value(n *node, depth int, root bool) error {
	c.space()
	if c.at >= len(c.b) || depth > maxDepth {
		return errJSON
	}
	switch b := c.b[c.at]; b {
	case '{':
		return c.object(c.want(n, isObject), depth, root)
	case '[':
		return c.array(c.want(n, isArray), depth)
	case '"':
		return c.text(c.want(n, isString))
	case 't':
		c.want(n, isBool)
		return c.word("true")
	case 'f':
		c.want(n, isBool)
		return c.word("false")
	case 'n':
		c.want(n, isNull)
		return c.word("null")
	default:
		return c.number(n)
	}
}

// want returns n if it takes a kind; else nil, so that the value is read without it.
func (c *check) want(n *node, k kinds) *node {
	if n == nil {
		return nil
	}
	if n.kinds&k == 0 {
		c.breaks("a value of another kind")
		return nil
	}
	return n
}

func (c *check) word(w string) error {
	if len(c.b)-c.at < len(w) || string(c.b[c.at:c.at+len(w)]) != w {
		return errJSON
	}
	c.at += len(w)
	return nil
}

func (c *check) object(n *node, depth int, root bool) error {
	c.at++
	var seen uint64
	for first := true; ; first = false {
		c.space()
		if c.at >= len(c.b) {
			return errJSON
		}
		if c.b[c.at] == '}' && first {
			c.at++
			break
		}
		if c.b[c.at] != '"' {
			return errJSON
		}
		start := c.at
		plain, err := c.str()
		if err != nil {
			return err
		}
		key := c.b[start+1 : c.at-1]
		if !plain {
			key = []byte(unquote(c.b[start:c.at]))
		}
		c.space()
		if c.at >= len(c.b) || c.b[c.at] != ':' {
			return errJSON
		}
		c.at++
		var m member
		if n != nil {
			m = n.members[string(key)]
			if seen&m.bit != 0 { // two readers would take two values
				c.breaks("%.40q twice", key)
			}
			seen |= m.bit
		}
		c.space()
		begun := c.at
		if err := c.value(m.of, depth+1, false); err != nil {
			return err
		}
		if root && m.keep > 0 {
			c.kept[m.keep-1] = c.b[begun:c.at]
		}
		c.space()
		if c.at >= len(c.b) {
			return errJSON
		}
		b := c.b[c.at]
		c.at++
		if b == '}' {
			break
		}
		if b != ',' {
			return errJSON
		}
	}
	if n != nil && seen&n.required != n.required {
		c.breaks("%s missing", n.missing(seen))
	}
	return nil
}

// missing returns the first required member that was not seen.
func (n *node) missing(seen uint64) string {
	var names []string
	for name, m := range n.members {
		if n.required&m.bit&^seen != 0 {
			names = append(names, name)
		}
	}
	return slices.Min(names)
}

func (c *check) array(n *node, depth int) error {
	var items *node
	corners := false
	if n != nil {
		items, corners = n.items, n.corners
	}
	c.at++
	count := 0
	bin := -1.0
	for first := true; ; first = false {
		c.space()
		if c.at >= len(c.b) {
			return errJSON
		}
		if c.b[c.at] == ']' && first {
			c.at++
			break
		}
		begun := c.at
		if err := c.value(items, depth+1, false); err != nil {
			return err
		}
		if corners {
			bin = c.corner(c.b[begun:c.at], count, bin)
		}
		count++
		c.space()
		if c.at >= len(c.b) {
			return errJSON
		}
		b := c.b[c.at]
		c.at++
		if b == ']' {
			break
		}
		if b != ',' {
			return errJSON
		}
	}
	if n != nil && (count < n.minItems || n.maxItems >= 0 && count > n.maxItems) {
		c.breaks("a list of %d", count)
	}
	if corners {
		if count%2 != 0 {
			c.breaks("a line of %d numbers", count)
		}
		c.points = max(c.points, count/2)
		c.lastBin = max(c.lastBin, bin)
	}
	return nil
}

// corner judges one number of a line: bins are whole and grow, values have room in what is stored.
func (c *check) corner(raw []byte, i int, before float64) float64 {
	const most = 2e6
	if raw[0] == 'n' {
		if i%2 == 0 {
			c.breaks("a line without a bin")
		}
		return before
	}
	const sure = 6 // digits, dot and sign of a number below most
	if i%2 == 1 && len(raw) <= sure && !exponent(raw) {
		return before
	}
	x, err := small(raw)
	switch {
	case err != nil:
		return before
	case i%2 == 1:
		if math.Abs(x) > most {
			c.breaks("a value out of range")
		}
		return before
	case x != math.Trunc(x) || x <= before:
		c.breaks("bins out of order")
		return before
	}
	return x
}

// str reads a string; plain says that it has no escapes.
func (c *check) str() (plain bool, err error) {
	plain = true
	b := c.b
	for i := c.at + 1; i < len(b); i++ {
		switch ch := b[i]; {
		case ch == '"':
			c.at = i + 1
			return plain, nil
		case ch == '\\':
			plain = false
			i++
			if i >= len(b) {
				return false, errJSON
			}
			switch b[i] {
			case '"', '\\', '/', 'b', 'f', 'n', 'r', 't':
			case 'u':
				if i+4 >= len(b) {
					return false, errJSON
				}
				for _, h := range b[i+1 : i+5] {
					if !(h >= '0' && h <= '9' || h|0x20 >= 'a' && h|0x20 <= 'f') {
						return false, errJSON
					}
				}
				i += 4
			default:
				return false, errJSON
			}
		case ch < 0x20:
			return false, errJSON
		}
	}
	return false, errJSON
}

func (c *check) text(n *node) error {
	start := c.at
	plain, err := c.str()
	if err != nil || n == nil {
		return err
	}
	if n.words == nil && n.pattern == nil && !n.instant {
		return nil
	}
	s := str(c.b[start+1 : c.at-1])
	if !plain {
		s = unquote(c.b[start:c.at])
	}
	if n.words != nil && !slices.Contains(n.words, s) {
		c.breaks("%.60q is none of the words", s)
	}
	if n.pattern != nil && !n.pattern.MatchString(s) {
		c.breaks("%.60q is not of the form", s)
	}
	if n.instant {
		if _, err := time.Parse(time.RFC3339, s); err != nil {
			c.breaks("%.60q is no time", s)
		}
	}
	return nil
}

// number reads a number (RFC 8259, section 6).
func (c *check) number(n *node) error {
	b, start := c.b, c.at
	i := start
	digits := func() bool {
		from := i
		for i < len(b) && b[i] >= '0' && b[i] <= '9' {
			i++
		}
		return i > from
	}
	if b[i] == '-' {
		i++
	}
	if i < len(b) && b[i] == '0' {
		i++
	} else if !digits() {
		return errJSON
	}
	whole := true
	if i < len(b) && b[i] == '.' {
		i++
		whole = false
		if !digits() {
			return errJSON
		}
	}
	if i < len(b) && b[i]|0x20 == 'e' {
		i++
		whole = false
		if i < len(b) && (b[i] == '+' || b[i] == '-') {
			i++
		}
		if !digits() {
			return errJSON
		}
	}
	c.at = i
	if n == nil {
		return nil
	}
	if n.kinds&(isNumber|isInteger) == 0 {
		c.breaks("a value of another kind")
		return nil
	}
	const sure = 20 // digits that are a number that every reader has
	if whole && i-start < sure && n.least == nil && n.most == nil && n.number == nil {
		return nil
	}
	if n.kinds&isNumber != 0 && i-start < sure && n.least == nil && n.most == nil && n.number == nil && !exponent(b[start:i]) {
		return nil
	}
	x, err := strconv.ParseFloat(str(b[start:i]), 64)
	if n.bins {
		c.bins = x
	}
	switch {
	case err != nil:
		c.breaks("a number out of range")
	case n.kinds&isNumber == 0 && x != math.Trunc(x):
		c.breaks("a number that is not whole")
	case n.least != nil && x < *n.least, n.most != nil && x > *n.most, n.number != nil && x != *n.number:
		c.breaks("%.40s out of range", b[start:i])
	}
	return nil
}

// small reads a number, mostly a small whole one.
func small(raw []byte) (float64, error) {
	const sure = 6
	n := 0
	for _, ch := range raw {
		if ch < '0' || ch > '9' || len(raw) > sure {
			return strconv.ParseFloat(str(raw), 64)
		}
		n = 10*n + int(ch-'0')
	}
	return float64(n), nil
}

func exponent(b []byte) bool {
	for _, ch := range b {
		if ch|0x20 == 'e' {
			return true
		}
	}
	return false
}

// str returns bytes as a string without copying; it must not outlive them.
func str(b []byte) string { return unsafe.String(unsafe.SliceData(b), len(b)) }

// unquote returns the value of a JSON string that is known to be one.
func unquote(quoted []byte) (s string) {
	if json.Unmarshal(quoted, &s) != nil {
		panic("bug: a string that was read before")
	}
	return s
}
