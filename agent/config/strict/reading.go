// Package strict reads YAML files of which every field is known: configurations and scenarios.
//
// An unknown field, a field written twice, a value of another type, out of range or in another unit
// is a mistake. All mistakes are reported at once, as [Errors], each with file, line, field, value
// as written and what is accepted. Anchors, aliases, tags and texts over several lines are refused.
//
// A caller opens a file with [Open] and walks it with [Reading.Root]: it asks a [Section] for each
// of its fields by name and hands the [Value] a destination. What the file does not have keeps the
// value that the destination has already, its default. Afterwards [Reading.Refuse] reports fields
// that contradict each other, and [Reading.Err] returns all mistakes.
package strict

import (
	"regexp"
	"slices"
	"strings"
)

// Reading is one pass over a file.
type Reading struct {
	file    string
	data    []byte
	options Options
	root    *node
	errs    Errors
	places  map[string]place  // of each field in the file, by path
	values  map[string]string // as written, of each plain value
	bad     map[string]bool   // paths that have an error already
}

// Options say what a file must have.
type Options struct {
	Sections string // examples of sections, for the error about a file without any
	EmptyOK  bool   // a file with nothing in it is accepted
	// Asked is told of each field that is asked for, there or not: what a reference is made from. May be nil.
	Asked func(path, accepts string, need Need)
}

// Open parses data. file is its name for errors.
func Open(file string, data []byte, o Options) *Reading {
	r := &Reading{
		file: file, data: data, options: o,
		places: map[string]place{}, values: map[string]string{}, bad: map[string]bool{},
	}
	r.root = document(data, r)
	if r.root != nil && r.root.kind != mapping {
		r.errs, r.root = Errors{r.notOurs(r.root.place, r.root.kind.String())}, nil
	}
	return r
}

// notOurs is the only thing said of a file that is of another kind: it may be one that whoever reads
// the error must not see, such as a file of passwords.
func (r *Reading) notOurs(at place, value string) Error {
	return Error{File: r.file, Line: at.line, Column: at.column, Value: value, Want: "want sections: " + r.options.Sections}
}

// Root calls read with the outermost section. It reports false if the file is not readable as
// sections at all, or has none that read asked for.
func (r *Reading) Root(read func(*Section)) bool {
	if r.root == nil {
		if !r.options.EmptyOK || len(r.errs) > 0 {
			r.hush(read)
			return false
		}
		r.section("", nil, read)
		return true
	}
	s := r.section("", r.root, read)
	if len(r.root.entries) > 0 && !s.asked() {
		r.errs = Errors{r.notOurs(r.root.place, "none of the sections")}
		return false
	}
	return true
}

// hush takes the parser's words, which may repeat the file's, out of the errors about a file that
// has none of the sections that read asks for.
func (r *Reading) hush(read func(*Section)) {
	errs := r.errs
	names := r.section("", nil, read).taken
	r.errs = errs
	for i, e := range r.errs {
		if e.Value == notYAML && !hasSection(r.data, names) {
			r.errs[i] = r.notOurs(place{e.Line, e.Column}, notYAML)
		}
	}
}

// hasSection reports whether one of the names begins a line, as a section does.
func hasSection(data []byte, names []string) bool {
	for i, name := range names {
		names[i] = regexp.QuoteMeta(name)
	}
	form := regexp.MustCompile(`(?m)^[\s{"']*(` + strings.Join(names, "|") + `)["']?\s*:`)
	return form.Match(data)
}

// Err returns all mistakes by line as [Errors], or nil.
func (r *Reading) Err() error {
	if len(r.errs) == 0 {
		return nil
	}
	r.errs.sort()
	return r.errs
}

// Has reports whether the file has the field at path.
func (r *Reading) Has(path string) bool {
	_, there := r.places[path]
	return there
}

// Line returns the line that a field is on, 0 if the file doesn't have it.
func (r *Reading) Line(path string) int { return r.places[path].line }

// Refuse reports a field that is readable and still can't be accepted, at its place in the file or
// that of the section it would be in. An empty value stands for what the file has. It reports
// nothing if the field, or one it was compared with, has an error already: that would be the same
// mistake twice.
func (r *Reading) Refuse(path, value, want string, comparedWith ...string) {
	if slices.ContainsFunc(append(comparedWith, path), r.HasError) {
		return
	}
	if value == "" {
		value = Show(r.values[path])
	}
	at, found := r.places[path], path
	for at == (place{}) && found != "" {
		found = found[:max(strings.LastIndexAny(found, ".["), 0)]
		at = r.places[found]
	}
	if at == (place{}) {
		at = place{1, 1}
	}
	r.refuseAt(at, path, value, want)
}

// HasError reports whether the field at path, one inside it, or a section around it has an error.
func (r *Reading) HasError(path string) bool {
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

func (r *Reading) add(at place, path, value, want string) {
	e := Error{File: r.file, Line: at.line, Column: at.column, Path: path, Value: value, Want: want}
	r.errs = append(r.errs, e)
}

func (r *Reading) refuseAt(at place, path, value, want string) {
	r.bad[path] = true
	r.add(at, path, value, want)
}

func (r *Reading) section(path string, n *node, read func(*Section)) *Section {
	s := &Section{r: r, path: path, node: n}
	read(s)
	s.finish()
	return s
}
