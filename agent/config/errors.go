package config

import (
	"cmp"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Error is one thing wrong in a config file.
type Error struct {
	File   string
	Line   int    // 1 is the first; of the section, where the field itself isn't in the file
	Column int    // 1 is the first
	Path   string // the field, as bank.batteries[1].rated_ah; empty for the file as a whole
	Value  string // as written, or what is wrong with the field in a word or two
	Want   string // what is accepted
}

// Error gives the whole on one line: `file:line: field.path: value: what is accepted`.
func (e Error) Error() string {
	var b strings.Builder
	b.WriteString(e.File + ":" + strconv.Itoa(e.Line) + ": ")
	if e.Path != "" {
		b.WriteString(e.Path + ": ")
	}
	b.WriteString(e.Value + ": " + e.Want)
	return b.String()
}

// Errors is everything wrong in one file, by line.
type Errors []Error

// Error gives one line for each.
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

// shownBytes is how much of a value an error repeats: enough to find it, not enough to flood a terminal.
const shownBytes = 60

// credentials are the user and password that a URL may carry.
var credentials = regexp.MustCompile(`://[^/]*@`)

// show gives a value from a file as it may be printed: on one line, not too long, without a password.
func show(value string) string {
	value = credentials.ReplaceAllString(value, "://…@")
	if len(value) > shownBytes {
		value = strings.ToValidUTF8(value[:shownBytes], "") + "…"
	}
	if value == "" || strings.ContainsFunc(value, func(r rune) bool { return !strconv.IsPrint(r) }) || value != strings.TrimSpace(value) {
		return strconv.Quote(value)
	}
	return value
}
