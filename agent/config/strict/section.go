package strict

import (
	"fmt"
	"slices"
	"strings"
)

// Section is one mapping of a file. What none of its methods asked for by name is an unknown field.
type Section struct {
	// Hints says what to write instead of a field that people may expect and that doesn't exist.
	Hints map[string]string
	// Lenient lets unknown fields pass: it is not known which fields belong here.
	Lenient bool

	r     *Reading
	path  string
	node  *node // nil: the file doesn't have it
	taken []string
}

// Need says what it means that a file doesn't have a field.
type Need uint8

const (
	Default  Need = iota // the default applies
	Required             // that is a mistake
)

// Field returns the value of field name, or false if the file doesn't have it or has it wrong
// already. accepts says in words what the field accepts.
func (s *Section) Field(name, accepts string, need Need) (Value, bool) {
	s.taken = append(s.taken, name)
	v := Value{r: s.r, path: join(s.path, name)}
	if s.r.options.Asked != nil {
		s.r.options.Asked(v.path, accepts, need)
	}
	for _, e := range s.entries() {
		if e.key != name {
			continue
		}
		s.r.places[v.path] = e.place
		if e.value.kind == scalar {
			s.r.values[v.path] = e.value.text
		}
		v.node = e.value
		return v, !s.r.bad[v.path]
	}
	if need == Required {
		s.r.Refuse(v.path, "missing", "want "+accepts)
	}
	return v, false
}

// Section reads the fields of section name inside this one, and reports whether the file has it.
// read is called without it too, so that missing fields are reported, but not if it is wrong.
func (s *Section) Section(name string, need Need, read func(*Section)) (present bool) {
	v, there := s.Field(name, "a section", need)
	switch {
	case !there && s.r.HasError(v.path):
		return false
	case !there:
		s.r.section(v.path, nil, read)
		return false
	}
	return v.Section(read)
}

// Optional reads the fields of section name if the file has it, and reports that.
func (s *Section) Optional(name string, read func(*Section)) (present bool) {
	v, there := s.Field(name, "a section", Default)
	return there && v.Section(read)
}

// Path returns the path of field name in this section.
func (s *Section) Path(name string) string { return join(s.path, name) }

func (s *Section) entries() []entry {
	if s.node == nil {
		return nil
	}
	return s.node.entries
}

// asked reports whether the section has an entry that something asked for.
func (s *Section) asked() bool {
	return slices.ContainsFunc(s.entries(), func(e entry) bool { return slices.Contains(s.taken, e.key) })
}

// finish reports fields that nothing asked for, and those written twice.
func (s *Section) finish() {
	seen := map[string]place{}
	for _, e := range s.entries() {
		path := join(s.path, e.key)
		if first, twice := seen[e.key]; twice {
			s.r.refuseAt(e.place, path, "written twice",
				fmt.Sprintf("want it once: it is on line %d already", first.line))
			continue
		}
		seen[e.key] = e.place
		if !s.Lenient && !slices.Contains(s.taken, e.key) {
			s.r.refuseAt(e.place, path, "unknown field", s.unknownHint(e.key))
		}
	}
}

func (s *Section) unknownHint(name string) string {
	if hint := s.Hints[name]; hint != "" {
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
	return "want " + OrList(fields)
}

// OrList returns "a, b or c".
func OrList[T ~string](words []T) string {
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

// distance returns the number of letters to change, add or leave out to get from a to b. Names
// longer than any field count as far apart.
func distance(a, b string) int {
	const maxName = 40
	if len(a) > maxName || len(b) > maxName {
		return maxName
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
