package strict

import (
	"cmp"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Error is one mistake in a file.
type Error struct {
	File   string
	Line   int    // from 1; of the section if the field is not in the file
	Column int    // from 1
	Path   string // the field, such as bank.batteries[1].rated_ah; empty for the whole file
	Value  string // as written, or what is wrong with the field in a word or two
	Want   string // what is accepted
}

// Error returns one line: `file:line: field.path: value: what is accepted`.
func (e Error) Error() string {
	var b strings.Builder
	b.WriteString(e.File + ":" + strconv.Itoa(e.Line) + ": ")
	if e.Path != "" {
		b.WriteString(e.Path + ": ")
	}
	b.WriteString(e.Value + ": " + e.Want)
	return b.String()
}

// Errors is every mistake in one file, by line.
type Errors []Error

// Error returns one line for each mistake.
func (e Errors) Error() string {
	lines := make([]string, len(e))
	for i, one := range e {
		lines[i] = one.Error()
	}
	return strings.Join(lines, "\n")
}

func (e Errors) sort() {
	slices.SortStableFunc(e, func(a, b Error) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
}

// shownBytes limits how much of a value an error repeats: enough to find it; our choice.
const shownBytes = 60

// credentials are the user and password that a URL may carry.
var credentials = regexp.MustCompile(`://[^/]*@`)

// Show returns a value from a file as it may be printed: on one line, not too long, no password.
func Show(value string) string {
	value = credentials.ReplaceAllString(value, "://…@")
	if len(value) > shownBytes {
		value = strings.ToValidUTF8(value[:shownBytes], "") + "…"
	}
	odd := strings.ContainsFunc(value, func(r rune) bool { return !strconv.IsPrint(r) })
	if value == "" || odd || value != strings.TrimSpace(value) {
		return strconv.Quote(value)
	}
	return value
}
