package config

import (
	"fmt"
	"math"
	"strings"
	"time"

	"liftbank/rules"
	"liftbank/rules/detect"
	"liftbank/rules/limit"
)

// Limits are the numbers that the rules use and the owner of a unit may set. They are declared
// beside the code that uses them; here they are only read.
type Limits struct {
	all []limit.Limit
}

func defaultLimits() Limits { return Limits{all: rules.Limits()} }

// Of returns the value of the limit with this path, such as findings.hot_c; that of a time in
// seconds. A path that no limit has is a bug.
func (l *Limits) Of(path string) float64 {
	found := limit.Find(l.all, path)
	if found == nil {
		panic("bug: config: no limit " + path)
	}
	return found.Value()
}

// Limit returns the limit with this path, nil for none.
func (l *Limits) Limit(path string) limit.Limit { return limit.Find(l.all, path) }

// With returns the same limits with another value of one of them; one out of range is refused. The
// ones it is called on stay as they are.
func (l *Limits) With(path string, v float64) (Limits, error) {
	next := Limits{all: rules.Limits()}
	for i := range l.all {
		if err := next.all[i].Put(l.all[i].Value()); err != nil {
			return *l, fmt.Errorf("bug: config: %w", err)
		}
	}
	one := limit.Find(next.all, path)
	if one == nil {
		return *l, fmt.Errorf("%s: there is no such limit", path)
	}
	if err := one.Put(v); err != nil {
		return *l, err
	}
	return next, nil
}

// Values returns those that differ from their defaults.
func (l *Limits) Values() limit.Values {
	out := limit.Values{}
	for i, fresh := range rules.Limits() {
		a, usual := fresh.Describe(), fresh.Value()
		if followed := limit.Find(l.all, a.Tracks); followed != nil {
			usual = following(followed, a)
		}
		if v := l.all[i].Value(); v != usual {
			out[a.Path] = v
		}
	}
	return out
}

// following returns the default of a limit that follows another, to the millivolt: 12.45, not
// 12.450000000000001.
func following(followed limit.Limit, a limit.About) float64 {
	return math.Round((followed.Value()+a.Plus)*1000) / 1000
}

// read reads the limits of one section of the file.
func (l *Limits) read(s *section, name string) {
	for _, one := range l.all {
		a := one.Describe()
		field, here := strings.CutPrefix(a.Path, name+".")
		if !here {
			continue
		}
		said := about{doc: a.Doc + ". Origin: " + a.Origin.String(), usually: a.Usual}
		switch one := one.(type) {
		case limit.Number:
			if tracked := limit.Find(l.all, a.Tracks); tracked != nil {
				*one.To = following(tracked, a)
			}
			s.number(field, one.To, span{one.Min, one.Max, one.Unit}, said)
		case limit.Span:
			s.duration(field, one.To, one.Min, one.Max, said)
		case limit.Count:
			n := int(*one.To)
			s.whole(field, &n, int(one.Min), int(one.Max), "", said)
			*one.To = uint64(n)
		default:
			panic(fmt.Sprintf("bug: config: %s: a limit of kind %T", a.Path, one))
		}
	}
}

// checkOrder refuses limits that contradict another, and names both with their lines.
func (l *Limits) checkOrder(r *reading) {
	for _, c := range limit.Conflicts(l.all) {
		low, high := c.Low.Describe().Path, c.High.Describe().Path
		where, from := low, high
		if r.in.Line(low) == 0 { // only the other one is in the file
			where, from = high, low
		}
		word, other := "less", c.High
		if where == high {
			word, other = "more", c.Low
		}
		of := "the default"
		if line := r.in.Line(from); line > 0 {
			of = fmt.Sprintf("line %d", line)
		}
		value := limit.Written(c.Low)
		if where == high {
			value = limit.Written(c.High)
		}
		r.refuse(where, value, fmt.Sprintf("want %s than %s (%s, %s)", word, from, limit.Written(other), of), from)
	}
}

// readFindings reads section findings: limits, and which findings are not watched.
func (c *Config) readFindings(s *section) {
	c.Limits.read(s, "findings")
	names := make([]string, len(detect.All))
	for i, d := range detect.Catalog() {
		names[i] = d.Name
	}
	s.texts("out_of_service", &c.OutOfService, len(names), "the name of a finding: "+orList(names),
		func(name string) bool { return detect.Lookup(name) != nil },
		about{doc: "findings that are not watched on this unit", usually: "none"})
}

// Duration returns the limit with this path as a time.
func (l *Limits) Duration(path string) time.Duration {
	return time.Duration(l.Of(path) * float64(time.Second))
}
