package commands

import (
	"fmt"
	"io"
	"reflect"
	"strconv"
	"strings"
	"unicode/utf8"
)

const (
	width  = 80 // of what is printed
	indent = "  "
)

// String returns a flag as in "-v, --verbose" or "--config=FILE".
func (v *Value) String() string {
	text := "--" + v.Name
	if v.Short != 0 {
		text = "-" + string(v.Short) + ", " + text
	}
	if !v.IsBool() {
		text += "=" + v.placeholder()
	}
	return text
}

// placeholder returns what stands for a flag's value.
func (v *Value) placeholder() string {
	text := v.Placeholder
	switch {
	case text != "":
	case v.hasDefault && v.target.Kind().String() == "string":
		text = strconv.Quote(v.Default)
	case v.hasDefault:
		text = v.Default
	default:
		kind := v.target.Type()
		for kind.Kind() == reflect.Pointer || kind.Kind() == reflect.Slice {
			kind = kind.Elem()
		}
		text = strings.ToUpper(kind.Name())
	}
	if v.IsList() {
		text += ",..."
	}
	return text
}

// Summary returns an argument as in "<unit>" or "[<unit> ...]".
func (v *Value) Summary() string {
	text := "<" + v.Name + ">"
	if v.IsList() {
		text += " ..."
	}
	if !v.Required {
		text = "[" + text + "]"
	}
	return text
}

// Summary returns a command as it is used, without the program's name.
func (c *Command) Summary() string {
	text := c.Path()
	for _, f := range c.Flags {
		if f.Required {
			text += " " + f.String()
		}
	}
	for _, a := range c.Args {
		text += " " + a.Summary()
	}
	if len(c.Children) > 0 {
		text += " <command>"
	}
	return strings.TrimSpace(text + " [flags]")
}

// Usage prints help for a command.
func (c *Command) Usage(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "Usage: %s %s\n", c.Program().Name, c.Summary())
	for _, text := range []string{c.Help, c.Detail} {
		if text != "" {
			b.WriteString("\n" + Wrap(text, "", width))
		}
	}
	var rows [][2]string
	for _, a := range c.Args {
		rows = append(rows, [2]string{a.Summary(), a.Help})
	}
	section(&b, "Arguments", rows)
	rows = nil
	short := false
	flags := c.AllFlags()
	for _, f := range flags {
		short = short || f.Short != 0
	}
	for i, f := range flags {
		name := f.String()
		if short && f.Short == 0 {
			name = "    " + name
		}
		if i > 0 && i == len(flags)-len(visible(c.Flags)) { // those of all commands stand apart
			rows = append(rows, [2]string{})
		}
		rows = append(rows, [2]string{name, f.Help})
	}
	section(&b, "Flags", rows)
	rows = nil
	for _, sub := range c.Children {
		if !sub.Hidden {
			rows = append(rows, [2]string{sub.Path(), sub.Help})
		}
	}
	section(&b, "Commands", rows)
	_, err := io.WriteString(w, b.String())
	return err
}

func visible(flags []*Value) (all []*Value) {
	for _, f := range flags {
		if !f.Hidden {
			all = append(all, f)
		}
	}
	return all
}

// section writes rows of a name and a text, in columns.
func section(b *strings.Builder, title string, rows [][2]string) {
	if len(rows) == 0 {
		return
	}
	const (
		gap     = 4
		longest = 26 // of a name that has its text beside it
	)
	column := 0
	for _, row := range rows {
		if n := utf8.RuneCountInString(row[0]); n <= longest {
			column = max(column, n)
		}
	}
	column += len(indent) + gap
	fmt.Fprintf(b, "\n%s:\n", title)
	for _, row := range rows {
		if row[0] == "" {
			b.WriteString("\n")
			continue
		}
		text := strings.TrimLeft(Wrap(row[1], strings.Repeat(" ", column), width), " ")
		used := len(indent) + utf8.RuneCountInString(row[0])
		b.WriteString(indent + row[0])
		if used+gap > column {
			b.WriteString("\n")
			used = 0
		}
		if text == "" {
			text = "\n"
		}
		b.WriteString(strings.Repeat(" ", column-used) + text)
	}
}

// Wrap breaks the lines of paragraphs at a width, each with a prefix. Lines that are indented keep their form.
func Wrap(text, prefix string, width int) string {
	var b strings.Builder
	for i, paragraph := range strings.Split(strings.TrimRight(text, "\n"), "\n\n") {
		if i > 0 {
			b.WriteString("\n")
		}
		for line := range strings.SplitSeq(paragraph, "\n") {
			if strings.HasPrefix(line, " ") {
				b.WriteString(prefix + indent + line + "\n")
				continue
			}
			at := 0
			for _, word := range strings.Fields(line) {
				n := utf8.RuneCountInString(word)
				switch {
				case at == 0:
					b.WriteString(prefix)
					at = len(prefix)
				case at+1+n > width:
					b.WriteString("\n" + prefix)
					at = len(prefix)
				default:
					b.WriteString(" ")
					at++
				}
				b.WriteString(word)
				at += n
			}
			b.WriteString("\n")
		}
	}
	return b.String()
}
