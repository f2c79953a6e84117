package config

import (
	"fmt"
	"strings"
)

// Reference gives a table of every field in Markdown: what it accepts, its default, what it is for.
// It is made by the functions that read a file.
func Reference() string {
	r := &reading{describe: true}
	c := Default()
	c.read(&section{r: r})
	var b strings.Builder
	b.WriteString(`# Fields of the config file

Made from the program by its tests. Field names carry units, and such a field takes a plain number. A time is text with
its unit: 250ms, 1s, 5m, 24h, 7d. ` + "`[]`" + ` stands for each entry of a list.

| field | accepts | default | what it is |
| --- | --- | --- | --- |
`)
	for _, f := range r.fields {
		if f.only != "" {
			f.doc = fmt.Sprintf("(%s) %s", f.only, f.doc)
		}
		if f.byDefault == "" {
			f.byDefault = "none"
		}
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s |\n", f.path, f.accepts, f.byDefault, f.doc)
	}
	b.WriteString("\n## Kinds of input chip\n")
	for _, k := range chipKinds {
		fmt.Fprintf(&b, "\n### %s\n\n%s\n\n```yaml\n%s```\n", k.Name, k.Doc, k.Example)
	}
	return b.String()
}

// Description is what the reference says of one field.
type Description struct{ Accepts, Default, Doc string }

// Describe gives the reference's row of a field by its path, such as findings.hot_c; ok is false
// for one that there is not.
func Describe(path string) (d Description, ok bool) {
	r := &reading{describe: true}
	c := Default()
	c.read(&section{r: r})
	for _, f := range r.fields {
		if f.path == path {
			return Description{f.accepts, f.byDefault, f.doc}, true
		}
	}
	return Description{}, false
}
