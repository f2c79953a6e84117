package view

import (
	"fmt"
	"html/template"
	"net/url"
	"strings"
	"time"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

// Shown is what the template of a finding sees.
type Shown struct {
	W  map[string]string
	To *words.Reader
	F  Finding
}

// Finding is a finding as a page shows it.
type Finding struct {
	snapshot.Finding
	Heading  template.HTML // title, in the reader's language
	Head     template.HTML // what is wrong, in one sentence
	Steps    []template.HTML
	Clear    template.HTML
	Word     string // of the severity
	Class    string // of the severity; one of ours, whatever the snapshot says
	Meta     string // name, subject, how long, state
	Act      string // path of what can be done about it
	Explain  string // path of what it means
	Evidence []Evidence
}

// Evidence is one figure or text that a finding rests on.
type Evidence struct{ What, Value, At string }

// FindingOf returns what a page says of f.
func FindingOf(to *words.Reader, f snapshot.Finding, now time.Time) Finding {
	v := Finding{
		Finding: f, Word: to.Label("Severity", f.Severity), Class: "note",
		Heading: to.Said(f.Name, f.Subject, "title", f.Title), Head: to.Said(f.Name, f.Subject, "summary", f.Summary),
		Steps: Steps(to, f.Name, f.NextCheck), Clear: to.Said(f.Name, f.Subject, "clears", f.Clears),
	}
	if f.Severity == "urgent" || f.Severity == "repair" {
		v.Class = f.Severity
	}
	if strings.TrimSuffix(string(v.Head), ".") == string(v.Heading) {
		v.Head = "" // the title says it all
	}
	meta := []string{f.Name}
	if f.Subject != "" {
		meta = append(meta, to.W["On"]+" "+to.About(f.Subject))
	}
	since := figures.Span(now.Sub(f.Since)) + " (" + figures.TimeOfDay(f.Since, now) + ")"
	meta = append(meta, to.W["Since"]+" "+since, to.Label("State", f.State))
	if f.CausedBy != "" {
		meta = append(meta, to.W["ExplainedBy"]+" "+strings.TrimSpace(f.CausedBy+" "+to.About(f.CausedByOf)))
	}
	v.Meta = strings.Join(meta, " · ")
	v.Act = "/findings/act?" + url.Values{"name": {f.Name}, "subject": {f.Subject}}.Encode()
	v.Explain = "/findings/" + url.PathEscape(f.Name)
	for _, e := range f.Evidence {
		value := e.Battery
		switch {
		case e.Words != nil:
			value = to.Plain(*e.Words)
		case value == "":
			value = Measured(to, &e.Value, to.Label("Unit", e.Unit))
		}
		v.Evidence = append(v.Evidence, Evidence{What: to.Plain(e.What), Value: value, At: figures.TimeOfDay(e.At, now)})
	}
	return v
}

// Steps returns the steps of a finding's next check.
func Steps(to *words.Reader, name string, english []string) []template.HTML {
	out := make([]template.HTML, len(english))
	for i, step := range english {
		out[i] = to.Said(name, "", fmt.Sprintf("check.%d", i+1), step)
	}
	return out
}
