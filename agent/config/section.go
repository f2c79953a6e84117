package config

import (
	"fmt"
	"slices"
	"time"

	"liftbank/agent/config/strict"
)

// Error and Errors are what Parse returns of a file that is wrong.
type (
	Error  = strict.Error
	Errors = strict.Errors
)

// reading is one pass over a file or, with describe set, over no file at all to write down what
// each field accepts. The same functions do both, so the reference can't disagree with what is
// accepted.
type reading struct {
	in       *strict.Reading // nil while describing
	describe bool
	only     string // the choice that the fields described now belong to
	fields   []field
}

// field is one row of the reference.
type field struct {
	path, accepts, byDefault, doc, only string
}

func open(file string, data []byte, sections string) *reading {
	return &reading{in: strict.Open(file, data, strict.Options{Sections: sections})}
}

// root reads the outermost section and reports whether there is one.
func (r *reading) root(read func(*section)) bool {
	return r.in.Root(func(in *strict.Section) { readSection(r, in, read) })
}

func (r *reading) failed() error { return r.in.Err() }

func (r *reading) refuse(path, value, want string, comparedWith ...string) {
	r.in.Refuse(path, value, want, comparedWith...)
}

func (r *reading) hasError(path string) bool { return r.in.HasError(path) }

// about is what the reference says of a field besides what it accepts.
type about struct {
	doc      string
	required bool
	usually  string // the default in words, where it isn't simply the value that is there
}

// need returns whether a file must have the field.
func (a *about) need() strict.Need {
	if a.required {
		return strict.Required
	}
	return strict.Default
}

// section reads or describes the fields of one mapping. Each method takes one field by name. The
// destination keeps its value, the default, if the file doesn't have the field or has it wrong.
type section struct {
	r       *reading
	in      *strict.Section // nil while describing
	path    string          // while describing
	hints   map[string]string
	lenient bool
}

func readSection(r *reading, in *strict.Section, read func(*section)) {
	s := &section{r: r, in: in}
	read(s)
	in.Hints, in.Lenient = s.hints, s.lenient
}

// take returns field name, or false if there is nothing to read: the file doesn't have it, or it is
// described instead.
func (s *section) take(name, accepts, byDefault string, a about) (strict.Value, bool) {
	if !s.r.describe {
		return s.in.Field(name, accepts, a.need())
	}
	s.note(name, accepts, byDefault, a)
	return strict.Value{}, false
}

// note adds a row to the reference.
func (s *section) note(name, accepts, byDefault string, a about) {
	switch {
	case a.required:
		byDefault = "required"
	case a.usually != "":
		byDefault = a.usually
	}
	s.r.fields = append(s.r.fields, field{s.inside(name), accepts, byDefault, a.doc, s.r.only})
}

func (s *section) inside(name string) string {
	if s.path == "" {
		return name
	}
	return s.path + "." + name
}

// text reads a string that ok accepts; accepts says so in words.
func (s *section) text(name string, to *string, accepts string, ok func(string) bool, a about) {
	if v, there := s.take(name, accepts, *to, a); there {
		v.Text(to, accepts, ok)
	}
}

// choose reads one of the choices.
func choose[T ~string](s *section, name string, to *T, choices []T, a about) {
	text := string(*to)
	s.text(name, &text, orList(choices), func(t string) bool { return slices.Contains(choices, T(t)) }, a)
	*to = T(text)
}

// span is the range of a number, ends included, in a unit.
type span struct {
	min, max float64
	unit     string // empty for a count or a ratio
}

// number reads a plain number within l.
func (s *section) number(name string, to *float64, l span, a about) {
	of := strict.Range{Min: l.min, Max: l.max, Unit: l.unit}
	if v, there := s.take(name, of.String(), formatNumber(*to), a); there {
		v.Number(to, of)
	}
}

// whole reads a whole number. accepts puts the range in words if its digits wouldn't be read as
// such.
func (s *section) whole(name string, to *int, minimum, maximum int, accepts string, a about) {
	least, most, n := int64(minimum), int64(maximum), int64(*to)
	if accepts == "" {
		accepts = strict.Wholes(least, most)
	}
	if v, there := s.take(name, accepts, fmt.Sprint(n), a); there {
		v.Whole(&n, least, most, accepts)
		*to = int(n)
	}
}

// yesNo reads true or false.
func (s *section) yesNo(name string, to *bool, a about) {
	if v, there := s.take(name, "true or false", fmt.Sprint(*to), a); there {
		v.YesNo(to)
	}
}

// duration reads a time with its unit, minimum to maximum.
func (s *section) duration(name string, to *time.Duration, minimum, maximum time.Duration, a about) {
	if v, there := s.take(name, strict.Times(minimum, maximum), formatDuration(*to), a); there {
		v.Duration(to, minimum, maximum)
	}
}

// section reads the fields of a mapping inside this one. It reports whether the file has it. read
// is called in any case, so that defaults and missing fields are those of an empty one, except for
// an optional section that isn't there.
func (s *section) section(name string, optional bool, a about, read func(*section)) (present bool) {
	if s.r.describe {
		s.note(name, "a section", "", a)
		read(&section{r: s.r, path: s.inside(name)})
		return false
	}
	in := func(in *strict.Section) { readSection(s.r, in, read) }
	if optional {
		return s.in.Optional(name, in)
	}
	return s.in.Section(name, a.need(), in)
}

// list reads a list of sections, minimum to maximum of them. An item that isn't a section stays
// zero, with an error.
func list[T any](s *section, name string, to *[]T, minimum, maximum int, a about, read func(*T, *section)) {
	accepts := strict.List(minimum, maximum)
	v, there := s.take(name, accepts, "empty", a)
	if s.r.describe {
		var item T
		read(&item, &section{r: s.r, path: s.inside(name) + "[]"})
	}
	if !there {
		return
	}
	begin := func(n int) { *to = make([]T, n) }
	v.List(minimum, maximum, accepts, begin, func(i int, v strict.Value) {
		v.Item(func(in *strict.Section) { readSection(s.r, in, func(s *section) { read(&(*to)[i], s) }) })
	})
}

// texts reads a list of plain values that ok accepts.
func (s *section) texts(name string, to *[]string, maximum int, accepts string, ok func(string) bool, a about) {
	whole := fmt.Sprintf("a list of up to %d: %s", maximum, accepts)
	v, there := s.take(name, whole, "empty", a)
	if !there {
		return
	}
	v.List(0, maximum, whole, func(int) {}, func(_ int, v strict.Value) {
		text := ""
		if v.Text(&text, accepts, ok); text != "" {
			*to = append(*to, text)
		}
	})
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

// The words of the checks and of the fields' tables.

func orList[T ~string](words []T) string    { return strict.OrList(words) }
func show(value string) string              { return strict.Show(value) }
func formatNumber(f float64) string         { return strict.FormatNumber(f) }
func formatDuration(d time.Duration) string { return strict.FormatDuration(d) }
