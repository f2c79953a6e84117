// Package finding holds what a finding is and how it lives: a named condition with its evidence,
// the likely causes in order, the next check and what clears it.
//
// The words for its life are those of the alarm life cycle of ISA-18.2 / IEC 62682. A Record is one
// finding of one unit; a Book holds all of a unit's, numbers every change and keeps a flood of them
// from burying the one that matters. Nothing here knows the time or who acts: both are handed in.
package finding

import (
	"fmt"
	"strings"
	"time"

	"liftbank/rules/unit"
)

// Severity says how soon somebody must act.
type Severity uint8

// Severities.
const (
	Note   Severity = iota + 1 // worth knowing on the next visit
	Repair                     // fix on the next visit
	Urgent                     // do not wait for one
)

// Severities lists all, least first.
var Severities = []Severity{Note, Repair, Urgent}

// String returns the word used everywhere.
func (s Severity) String() string { return [...]string{"", "note", "repair", "urgent"}[s] }

// About is what a finding can be about. It decides how a subject is named in a sentence.
type About uint8

// What a finding is about.
const (
	Unit    About = iota // the whole unit
	Battery              // one battery
	Joint                // a link or a joint at a post
	Channel              // a measuring channel
	Service              // the lift's service, or what else is changed by an interval
	String               // batteries in series
)

// String returns the word used in translations.
func (a About) String() string {
	return [...]string{"unit", "battery", "joint", "channel", "service", "string"}[a]
}

// Name returns how a sentence begins that is about a subject: "Battery b", "The positive link a-b".
// Without a subject it is of any: "A battery".
func (a About) Name(subject string) string {
	switch {
	case a == Battery && subject == "":
		return "A battery"
	case a == Battery:
		return "Battery " + subject
	case a == String:
		return "String " + subject
	case a == Joint && subject == "":
		return "A link or joint"
	case a == Joint:
		return "The " + subject
	case a == Channel && subject == "":
		return "A sensor"
	case a == Channel:
		return "The sensor for " + subject
	case a == Service && subject == "":
		return "Service"
	case a == Service:
		return strings.ToUpper(subject[:1]) + subject[1:] + " change"
	}
	return ""
}

// Subject stands in Title and Summary for what the finding is about.
const Subject = "{subject}"

// Definition is what is fixed about a finding. It is the one source of what the page, `liftbank
// explain`, alerts and reports say of it.
type Definition struct {
	Name            string
	Severity        Severity
	About           About
	Title           string        // headline, at most six words
	Summary         string        // one sentence: what is wrong
	Detected        string        // how it is detected, with sources
	Causes          []*unit.Text  // likely causes, most likely first where the evidence says nothing
	NextCheck       []string      // what to check next, step by step
	Clears          string        // what clears it
	Steady          string        // what keeps it from flickering
	RaisedWithin    string        // within what time, or how many runs, it is raised
	ExplainedBy     []string      // findings that explain this one: it is then shown under them
	SameSubjectOnly bool          // of those about a battery, only this battery's explain it
	Episode         time.Duration // raised again within it of having cleared, it is the same episode; 0: never
	Settings        []string      // further fields of the configuration that it depends on
	Optional        bool          // only units with a signal that not every unit has have it
}

// TitleOf returns the headline for a subject.
func (d *Definition) TitleOf(subject string) string {
	return strings.ReplaceAll(d.Title, Subject, d.Of(subject).Name(subject))
}

// SummaryOf returns the sentence for a subject.
func (d *Definition) SummaryOf(subject string) string {
	return strings.ReplaceAll(d.Summary, Subject, d.Of(subject).Name(subject))
}

// Of returns what the finding is about where its subject is this one: what is said of a battery in
// parallel is said of a string, "a-b", where those share the current.
func (d *Definition) Of(subject string) About {
	if d.About == Battery && strings.Contains(subject, "-") {
		return String
	}
	return d.About
}

// Text is one text of a definition, with the ID that translations know it by.
type Text struct{ ID, English string }

// Texts returns all that is said of a finding, its causes included. The ID of a text of the
// definition is the finding's name, a point and the field: feed-lost.summary, feed-lost.check.1.
func (d *Definition) Texts() []Text {
	out := []Text{
		{d.Name + ".title", d.Title}, {d.Name + ".summary", d.Summary}, {d.Name + ".detected", d.Detected},
		{d.Name + ".clears", d.Clears}, {d.Name + ".steady", d.Steady}, {d.Name + ".within", d.RaisedWithin},
	}
	for i, step := range d.NextCheck {
		out = append(out, Text{fmt.Sprintf("%s.check.%d", d.Name, i+1), step})
	}
	for _, c := range d.Causes {
		out = append(out, Text{c.ID, c.English})
	}
	return out
}

// Opinion is what one scan says of a condition.
type Opinion uint8

// Opinions. The zero value changes nothing.
const (
	Unchanged Opinion = iota // no evidence now, or inside the hysteresis: as it was
	Absent                   // the condition does not hold
	Present                  // it holds
	NotJudged                // a sensor it depends on is missing or faulty
)
