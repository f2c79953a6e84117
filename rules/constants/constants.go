// Package constants is the table of the numeric constants of the rules: value, unit, what it is,
// where it comes from and where it is declared, below rules.
//
// The table is made from the sources by this package's test, which fails when the table is stale
// and when a constant does not say its unit and origin:
//
//	name = value // UNIT: what it is; ORIGIN
//
// Durations leave the unit out. An origin is "published: SOURCE", "standard: NAME", "physical",
// "trade practice", "from memory: SOURCE", "our choice" or "fitted to the simulator".
package constants

import (
	_ "embed"
	"strings"

	"liftbank/rules"
	"liftbank/rules/limit"
)

// Constant is one numeric constant of the rules, or one figure of a chemistry.
type Constant struct {
	Package string `json:"package"` // rules, or one below it; limit: a field of the configuration
	Name    string `json:"name"`
	Value   string `json:"value"`
	Unit    string `json:"unit"` // empty for a duration
	What    string `json:"what"`
	Origin  string `json:"origin"`
	File    string `json:"file"` // where it is declared, below rules
}

//go:embed table.tsv
var table string

// All returns the table, by package and name, and after it the limits that the owner of a unit may
// set, with their defaults and the fields of the configuration that they are.
func All() []Constant {
	var all []Constant
	for line := range strings.Lines(table) {
		f := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		all = append(all, Constant{f[0], f[1], f[2], f[3], f[4], f[5], f[6]})
	}
	for _, l := range rules.Limits() {
		a := l.Describe()
		c := Constant{
			Package: "limit", Name: a.Path, Value: limit.Written(l), What: a.Doc, Origin: a.Origin.String(),
			File: "configuration",
		}
		switch l := l.(type) {
		case limit.Number:
			c.Unit = l.Unit
		case limit.Count:
			c.Unit = "count"
		}
		all = append(all, c)
	}
	return all
}

// Kinds are the kinds of origin, the best founded first.
var Kinds = []string{
	"standard", "published", "physical", "trade practice", "from memory", "our choice", "fitted to the simulator",
	"the unit's owner",
}

// Kind returns the kind of the constant's origin: what stands before its source.
func (c *Constant) Kind() string {
	kind, _, _ := strings.Cut(c.Origin, ":")
	return kind
}
