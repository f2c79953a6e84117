package fit

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"

	"liftbank/agent/config"
)

// Apply returns a configuration with changes.
func Apply(cfg config.Config, changes []Change) (config.Config, error) {
	cfg.Board.Channels = slices.Clone(cfg.Board.Channels)
	cfg.Board.Contacts = slices.Clone(cfg.Board.Contacts)
	for _, c := range changes {
		var err error
		switch {
		case c.List == "channels" && c.Index < len(cfg.Board.Channels):
			err = applyChannel(&cfg.Board.Channels[c.Index], c)
		case c.List == "contacts" && c.Index < len(cfg.Board.Contacts):
			err = applyContact(&cfg.Board.Contacts[c.Index], c)
		default:
			err = errors.New("no such entry")
		}
		if err != nil {
			return cfg, fmt.Errorf("board.%s[%d].%s: %w", c.List, c.Index, c.Field, err)
		}
	}
	return cfg, nil
}

func applyChannel(ch *config.Channel, c Change) error {
	if c.Field == "battery" {
		ch.Battery = c.To
		return nil
	}
	x, err := strconv.ParseFloat(c.To, 64)
	if err != nil {
		return err
	}
	fields := map[string]*float64{
		"scale.v_per_a": &ch.Scale.VPerA, "scale.zero_v": &ch.Scale.ZeroV, "scale.gain": &ch.Scale.Gain, "scale.shunt_ohm": &ch.Scale.ShuntOhm,
		"scale.top_ohm": &ch.Scale.TopOhm, "scale.bottom_ohm": &ch.Scale.BottomOhm, "scale.r25_ohm": &ch.Scale.R25Ohm,
		"scale.beta_k": &ch.Scale.BetaK, "scale.pullup_ohm": &ch.Scale.PullupOhm, "calibration.gain": &ch.Calibration.Gain,
		"calibration.offset_v": &ch.Calibration.Offset, "calibration.offset_a": &ch.Calibration.Offset, "calibration.offset_c": &ch.Calibration.Offset,
		"calibration.offset_bar": &ch.Calibration.Offset,
	}
	to := fields[c.Field]
	if to == nil {
		return errors.New("no such field")
	}
	*to = x
	return nil
}

func applyContact(ct *config.Contact, c Change) error {
	switch c.Field {
	case "signal":
		ct.Signal = config.ContactSignal(c.To)
	case "active":
		ct.ActiveLow = c.To == "low"
	default:
		return errors.New("no such field")
	}
	return nil
}

// Edit returns the text of a configuration with changes made in place: all else, comments too, stays as
// it is. The text must then read as the changed configuration, or the error says that it does not.
func Edit(file string, text []byte, changes []Change) ([]byte, error) {
	was, err := config.Parse(file, text)
	if err != nil {
		return nil, err
	}
	want, err := Apply(was, changes)
	if err != nil {
		return nil, err
	}
	edited := text
	crlf := bytes.Count(text, []byte("\n")) == bytes.Count(text, []byte("\r\n"))
	if crlf { // the parser counts columns by the other line end
		edited = bytes.ReplaceAll(text, []byte("\r\n"), []byte("\n"))
	}
	for _, c := range changes {
		if edited, err = edit(edited, c); err != nil {
			return nil, fmt.Errorf("%s: board.%s[%d].%s: %w: change it by hand to %s", file, c.List, c.Index, c.Field, err, c.To)
		}
	}
	if crlf {
		edited = bytes.ReplaceAll(edited, []byte("\n"), []byte("\r\n"))
	}
	got, err := config.Parse(file, edited)
	if err != nil {
		return nil, fmt.Errorf("the changed configuration is not valid, nothing was written: %w", err)
	}
	if !Same(&got, &want) {
		return nil, fmt.Errorf("%s: the text could not be changed in place, nothing was written: make the changes by hand", file)
	}
	return edited, nil
}

var errShape = errors.New("not in a place that can be edited")

// edit changes one field. The positions of the text are found anew for each, as the one before moved
// them.
func edit(text []byte, c Change) ([]byte, error) {
	f, err := parser.ParseBytes(text, 0)
	if err != nil || len(f.Docs) == 0 {
		return nil, errShape
	}
	var root ast.Node
	for _, d := range f.Docs {
		if d.Body != nil && d.Body.Type() != ast.CommentGroupType {
			root = d.Body
			break
		}
	}
	seq, ok := under(under(root, "board"), c.List).(*ast.SequenceNode)
	if !ok || c.Index >= len(seq.Values) {
		return nil, errShape
	}
	entry := seq.Values[c.Index]
	section, name, nested := strings.Cut(c.Field, ".")
	if !nested {
		section, name = "", c.Field
	}
	in := entry
	if nested {
		if in = under(entry, section); in == nil { // beside a field that every entry has
			return insert(text, entry, "signal", fmt.Sprintf("%s: {%s: %s}", section, name, c.To))
		}
	}
	if v := under(in, name); v != nil {
		return replace(text, v, c.To)
	}
	for _, beside := range mappingOf(in) {
		if scalar(beside.Value) {
			return insert(text, in, keyOf(beside), name+": "+c.To)
		}
	}
	return nil, errShape
}

func mappingOf(n ast.Node) []*ast.MappingValueNode {
	switch m := n.(type) {
	case *ast.MappingNode:
		return m.Values
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{m}
	}
	return nil
}

func keyOf(v *ast.MappingValueNode) string { return v.Key.GetToken().Value }

func under(n ast.Node, key string) ast.Node {
	for _, v := range mappingOf(n) {
		if keyOf(v) == key {
			return v.Value
		}
	}
	return nil
}

func scalar(n ast.Node) bool {
	switch n.(type) {
	case *ast.IntegerNode, *ast.FloatNode, *ast.StringNode, *ast.BoolNode:
		return true
	}
	return false
}

// offsetOf returns where a scalar's text begins, and how long it is. The parser counts lines and columns
// from 1, columns in characters.
func offsetOf(text []byte, n ast.Node) (at, length int, ok bool) {
	if !scalar(n) {
		return 0, 0, false
	}
	t := n.GetToken()
	for range t.Position.Line - 1 {
		next := bytes.IndexByte(text[at:], '\n')
		if next < 0 {
			return 0, 0, false
		}
		at += next + 1
	}
	line, _, _ := bytes.Cut(text[at:], []byte("\n"))
	runes := []rune(string(line))
	if t.Position.Column < 1 || t.Position.Column > len(runes) {
		return 0, 0, false
	}
	before := len(string(runes[:t.Position.Column-1]))
	rest := line[before:]
	for _, form := range []string{t.Value, strconv.Quote(t.Value), "'" + t.Value + "'"} {
		if form != "" && bytes.HasPrefix(rest, []byte(form)) {
			return at + before, len(form), true
		}
	}
	return 0, 0, false
}

func replace(text []byte, n ast.Node, to string) ([]byte, error) {
	at, length, ok := offsetOf(text, n)
	if !ok {
		return nil, errShape
	}
	return slices.Concat(text[:at], []byte(to), text[at+length:]), nil
}

// insert puts a field behind another one: in the same line in a mapping in braces, else in a line of its
// own.
func insert(text []byte, in ast.Node, beside, field string) ([]byte, error) {
	v := under(in, beside)
	if v == nil {
		return nil, errShape
	}
	at, length, ok := offsetOf(text, v)
	if !ok {
		return nil, errShape
	}
	end := at + length
	if m, is := in.(*ast.MappingNode); is && m.IsFlowStyle {
		return slices.Concat(text[:end], []byte(", "+field), text[end:]), nil
	}
	column := 0
	for _, p := range mappingOf(in) {
		if keyOf(p) == beside {
			column = p.Key.GetToken().Position.Column
		}
	}
	line := bytes.IndexByte(text[end:], '\n')
	if column < 1 || line < 0 {
		return nil, errShape
	}
	end += line + 1
	return slices.Concat(text[:end], []byte(strings.Repeat(" ", column-1)+field+"\n"), text[end:]), nil
}

// Diff returns the lines that differ between two texts of the same configuration, old ones with -, new
// ones with +.
func Diff(was, now []byte) (all []string) {
	a, b := strings.Split(string(was), "\n"), strings.Split(string(now), "\n")
	common := make([][]int, len(a)+1) // length of what both have in common from here on
	for i := range common {
		common[i] = make([]int, len(b)+1)
	}
	for i := len(a) - 1; i >= 0; i-- {
		for k := len(b) - 1; k >= 0; k-- {
			if a[i] == b[k] {
				common[i][k] = common[i+1][k+1] + 1
			} else {
				common[i][k] = max(common[i+1][k], common[i][k+1])
			}
		}
	}
	i, k := 0, 0
	for i < len(a) || k < len(b) {
		switch {
		case i < len(a) && k < len(b) && a[i] == b[k]:
			i, k = i+1, k+1
		case i < len(a) && (k == len(b) || common[i+1][k] >= common[i][k+1]):
			all = append(all, "- "+a[i])
			i++
		default:
			all = append(all, "+ "+b[k])
			k++
		}
	}
	return all
}
