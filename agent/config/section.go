package config

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// reading is one pass over a file, or, with describe set, over no file at all to write down what each field accepts. The
// same functions do both, so the reference can't disagree with what is accepted.
type reading struct {
	file   string
	errs   Errors
	places map[string]place  // of each field in the file, by path
	values map[string]string // as written, of each plain value
	bad    map[string]bool   // paths that have an error already

	describe bool
	only     string // the choice that the fields described now belong to
	fields   []field
}

// field is one row of the reference.
type field struct {
	path, accepts, byDefault, doc, only string
}

func newReading(file string) *reading {
	return &reading{file: file, places: map[string]place{}, values: map[string]string{}, bad: map[string]bool{}}
}

func (r *reading) add(at place, path, value, want string) {
	r.errs = append(r.errs, Error{File: r.file, Line: at.line, Column: at.column, Path: path, Value: value, Want: want})
}

func (r *reading) refuseNode(at place, path, value, want string) {
	r.bad[path] = true
	r.add(at, path, value, want)
}

// refuse reports a field that is readable and still can't be: by its place in the file, or that of the section it would
// be in. An empty value stands for what the file has. Nothing is said where the field, or any of those it was compared
// with, has an error already: that would be the same mistake twice.
func (r *reading) refuse(path, value, want string, comparedWith ...string) {
	if slices.ContainsFunc(append(comparedWith, path), r.hasError) {
		return
	}
	if value == "" {
		value = show(r.values[path])
	}
	at, found := r.places[path], path
	for at == (place{}) && found != "" {
		found = found[:max(strings.LastIndexAny(found, ".["), 0)]
		at = r.places[found]
	}
	if at == (place{}) {
		at = place{1, 1}
	}
	r.bad[path] = true
	r.add(at, path, value, want)
}

// hasError reports whether the field at path, one inside it, or a section it is in has an error.
func (r *reading) hasError(path string) bool {
	for bad := range r.bad {
		if bad == path || inside(bad, path) || inside(path, bad) {
			return true
		}
	}
	return false
}

func inside(path, section string) bool {
	rest, found := strings.CutPrefix(path, section)
	return found && rest != "" && (rest[0] == '.' || rest[0] == '[')
}

// about is what the reference says of a field beside what it accepts.
type about struct {
	doc      string
	required bool
	usually  string // the default in words, where it isn't simply the value that is there
}

// section reads the fields of one mapping. Each call below takes one field by name and leaves the destination as it is,
// the default, where the file doesn't have the field or has it wrong.
type section struct {
	r       *reading
	path    string
	node    *node
	taken   []string
	hints   map[string]string // what to say of a field that people may expect and that isn't there
	lenient bool              // not known which fields belong here: unknown ones pass
}

// take finds field name. It returns nil when the file doesn't have it, which is an error if it is required.
func (s *section) take(name, accepts, byDefault string, a about) *node {
	s.taken = append(s.taken, name)
	path := join(s.path, name)
	if s.r.describe {
		switch {
		case a.required:
			byDefault = "required"
		case a.usually != "":
			byDefault = a.usually
		}
		s.r.fields = append(s.r.fields, field{path, accepts, byDefault, a.doc, s.r.only})
		return nil
	}
	for _, e := range s.entries() {
		if e.key != name {
			continue
		}
		s.r.places[path] = e.place
		if e.value.kind == scalar {
			s.r.values[path] = e.value.text
		}
		if s.r.bad[path] {
			return nil
		}
		return e.value
	}
	if a.required {
		s.r.refuse(path, "missing", "want "+accepts)
	}
	return nil
}

func (s *section) entries() []entry {
	if s.node == nil {
		return nil
	}
	return s.node.entries
}

// value is take for fields that hold one plain value.
func (s *section) value(name, accepts, byDefault string, a about) *node {
	n := s.take(name, accepts, byDefault, a)
	if n == nil || n.kind == scalar {
		return n
	}
	s.r.refuseNode(n.place, join(s.path, name), n.kind.String(), "want "+accepts)
	return nil
}

// wrong reports the value n of a field, with a hint what to write instead where there is one.
func (s *section) wrong(name string, n *node, accepts, hint string) {
	value := show(n.text)
	if n.quoted {
		value = `"` + strings.Trim(value, `"`) + `"`
	}
	if hint != "" {
		accepts += " (" + hint + ")"
	}
	s.r.refuseNode(n.place, join(s.path, name), value, "want "+accepts)
}

// text reads a string that ok accepts; accepts says so in words.
func (s *section) text(name string, to *string, accepts string, ok func(string) bool, a about) {
	n := s.value(name, accepts, *to, a)
	switch {
	case n == nil:
	case !ok(n.text):
		s.wrong(name, n, accepts, "")
	default:
		*to = n.text
	}
}

// choose reads one of the choices.
func choose[T ~string](s *section, name string, to *T, choices []T, a about) {
	accepts := orList(choices)
	n := s.value(name, accepts, string(*to), a)
	switch {
	case n == nil:
	case !slices.Contains(choices, T(n.text)):
		s.wrong(name, n, accepts, "")
	default:
		*to = T(n.text)
	}
}

// span is the range of a number, ends included, in a unit.
type span struct {
	min, max float64
	unit     string // empty for a count or a ratio
}

func (l span) String() string {
	return strings.TrimSpace(fmt.Sprintf("%s to %s %s", formatNumber(l.min), formatNumber(l.max), l.unit))
}

// number reads a plain number within l.
func (s *section) number(name string, to *float64, l span, a about) {
	n := s.value(name, l.String(), formatNumber(*to), a)
	if n == nil {
		return
	}
	v, ok := parseNumber(n.text)
	switch {
	case !ok || n.quoted:
		s.wrong(name, n, l.String(), numberHint(n.text, l.unit))
	case v < l.min || v > l.max:
		s.wrong(name, n, l.String(), "")
	default:
		*to = v
	}
}

// oneNumber reads a number that must be one of a few.
func (s *section) oneNumber(name string, to *float64, choices []float64, unit string, a about) {
	words := make([]string, len(choices))
	for i, c := range choices {
		words[i] = formatNumber(c)
	}
	accepts := strings.TrimSpace(orList(words) + " " + unit)
	n := s.value(name, accepts, formatNumber(*to), a)
	if n == nil {
		return
	}
	v, ok := parseNumber(n.text)
	switch {
	case !ok || n.quoted:
		s.wrong(name, n, accepts, numberHint(n.text, unit))
	case !slices.Contains(choices, v):
		s.wrong(name, n, accepts, "")
	default:
		*to = v
	}
}

// whole reads a whole number; accepts says the range in words where its digits wouldn't be read as such.
func (s *section) whole(name string, to *int, minimum, maximum int, accepts string, a about) {
	if accepts == "" {
		accepts = fmt.Sprintf("a whole number from %d to %d", minimum, maximum)
	}
	n := s.value(name, accepts, fmt.Sprint(*to), a)
	if n == nil {
		return
	}
	v, ok := parseWhole(n.text)
	switch {
	case !ok || n.quoted:
		s.wrong(name, n, accepts, numberHint(n.text, ""))
	case v < minimum || v > maximum:
		s.wrong(name, n, accepts, "")
	default:
		*to = v
	}
}

// yesNo reads true or false.
func (s *section) yesNo(name string, to *bool, a about) {
	n := s.value(name, "true or false", fmt.Sprint(*to), a)
	switch {
	case n == nil:
	case n.quoted || n.text != "true" && n.text != "false":
		s.wrong(name, n, "true or false", "")
	default:
		*to = n.text == "true"
	}
}

// duration reads a time with its unit, minimum to maximum.
func (s *section) duration(name string, to *time.Duration, minimum, maximum time.Duration, a about) {
	accepts := "a time from " + formatDuration(minimum) + " to " + formatDuration(maximum)
	n := s.value(name, accepts, formatDuration(*to), a)
	if n == nil {
		return
	}
	d, ok := parseDuration(n.text)
	switch {
	case !ok:
		s.wrong(name, n, accepts, durationHint(n.text, max(*to, minimum)))
	case d < minimum || d > maximum:
		s.wrong(name, n, accepts, "")
	default:
		*to = d
	}
}

// section reads the fields of a mapping inside this one. It reports whether the file has it; read is called in any case,
// so that defaults and missing fields are those of an empty one, except for an optional section that isn't there.
func (s *section) section(name string, optional bool, a about, read func(*section)) (present bool) {
	n := s.take(name, "a section", "", a)
	path := join(s.path, name)
	switch {
	case s.r.describe:
	case n == nil && (optional || s.r.hasError(path)):
		return false
	case n != nil && n.kind != mapping && n.kind != nothing:
		s.r.refuse(path, valueWord(n), "want a section: its fields on lines of their own, indented")
		return false
	}
	readSection(s.r, path, n, read)
	return n != nil
}

// list reads a list of sections, minimum to maximum of them. An item that isn't a section stays zero, with an error.
func list[T any](s *section, name string, to *[]T, minimum, maximum int, a about, read func(*T, *section)) {
	accepts := fmt.Sprintf("a list of %d to %d", minimum, maximum)
	n := s.take(name, accepts, "empty", a)
	path := join(s.path, name)
	switch {
	case s.r.describe:
		var item T
		readSection(s.r, path+"[]", nil, func(of *section) { read(&item, of) })
		return
	case n == nil:
		return
	case n.kind != sequence && (n.kind != nothing || minimum > 0):
		s.r.refuse(path, valueWord(n), "want "+accepts)
		return
	case len(n.items) < minimum || len(n.items) > maximum:
		s.r.refuse(path, fmt.Sprintf("a list of %d", len(n.items)), "want "+accepts)
		return
	}
	*to = make([]T, len(n.items))
	for i, item := range n.items {
		at := fmt.Sprintf("%s[%d]", path, i)
		s.r.places[at] = item.place
		if item.kind != mapping {
			if !s.r.hasError(at) {
				s.r.refuseNode(item.place, at, valueWord(item), "want a section: its fields in {} or on lines of their own")
			}
			continue
		}
		readSection(s.r, at, item, func(of *section) { read(&(*to)[i], of) })
	}
}

// texts reads a list of plain values that ok accepts.
func (s *section) texts(name string, to *[]string, maximum int, accepts string, ok func(string) bool, a about) {
	whole := fmt.Sprintf("a list of up to %d: %s", maximum, accepts)
	n := s.take(name, whole, "empty", a)
	path := join(s.path, name)
	switch {
	case n == nil || n.kind == nothing:
		return
	case n.kind != sequence:
		s.r.refuse(path, valueWord(n), "want "+whole)
		return
	case len(n.items) > maximum:
		s.r.refuse(path, fmt.Sprintf("a list of %d", len(n.items)), "want "+whole)
		return
	}
	for i, item := range n.items {
		if item.kind != scalar || !ok(item.text) {
			s.r.refuseNode(item.place, fmt.Sprintf("%s[%d]", path, i), valueWord(item), "want "+accepts)
			continue
		}
		*to = append(*to, item.text)
	}
}

// each reads the fields that belong to the choice made, or describes those of all choices.
func each[T ~string](s *section, name string, chosen T, choices []T, read func(T)) {
	if !s.r.describe {
		if chosen == "" {
			s.lenient = true // the choice itself was wrong: can't tell which fields belong
			return
		}
		read(chosen)
		return
	}
	before := s.r.only
	for _, c := range choices {
		s.r.only = fmt.Sprintf("%s: %s", name, string(c))
		read(c)
	}
	s.r.only = before
}

func readSection(r *reading, path string, n *node, read func(*section)) {
	s := &section{r: r, path: path, node: n}
	read(s)
	s.finish()
}

// finish reports fields that nothing took, and those written twice.
func (s *section) finish() {
	seen := map[string]place{}
	for _, e := range s.entries() {
		path := join(s.path, e.key)
		if first, twice := seen[e.key]; twice {
			s.r.refuseNode(e.place, path, "written twice", fmt.Sprintf("want it once: it is on line %d already", first.line))
			continue
		}
		seen[e.key] = e.place
		if !s.lenient && !slices.Contains(s.taken, e.key) {
			s.r.refuseNode(e.place, path, "unknown field", s.unknownHint(e.key))
		}
	}
}

func (s *section) unknownHint(name string) string {
	if hint := s.hints[name]; hint != "" {
		return hint
	}
	fields := slices.Clone(s.taken)
	slices.Sort(fields)
	fields = slices.Compact(fields)
	for _, f := range fields {
		if strings.HasPrefix(f, name+"_") || distance(f, name) <= 2 {
			return "did you mean " + f + "?"
		}
	}
	return "want " + orList(fields)
}

func valueWord(n *node) string {
	if n.kind == scalar {
		return show(n.text)
	}
	return n.kind.String()
}

// orList writes "a, b or c".
func orList[T ~string](words []T) string {
	var b strings.Builder
	for i, w := range words {
		switch {
		case i == 0:
		case i == len(words)-1:
			b.WriteString(" or ")
		default:
			b.WriteString(", ")
		}
		b.WriteString(string(w))
	}
	return b.String()
}

// distance gives the number of letters to change, add or leave out to get from a to b. Names longer than any field
// count as far away.
func distance(a, b string) int {
	const longest = 40
	if len(a) > longest || len(b) > longest {
		return longest
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := diagonal
			if a[i] != b[j] {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
