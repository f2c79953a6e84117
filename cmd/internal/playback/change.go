// Package playback runs the rules on a recording, and makes recordings of simulated units.
package playback

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"liftbank/rules"
	"liftbank/rules/finding"
)

// Change is what happened to a finding, with all that was known of it at that moment.
type Change struct {
	TimeS     float64    `json:"time_s"`
	At        *time.Time `json:"at"` // null: the time of day is not known
	Change    string     `json:"change"`
	Finding   string     `json:"finding"`
	Subject   string     `json:"subject,omitempty"`
	Severity  string     `json:"severity"`
	State     string     `json:"state"`
	Title     string     `json:"title"`
	Summary   string     `json:"summary"`
	CausedBy  string     `json:"caused_by,omitempty"`
	Evidence  []Evidence `json:"evidence"`
	Causes    []Cause    `json:"causes"`
	NextCheck []string   `json:"next_check"`
}

// Evidence is one figure or fact that a finding rests on.
type Evidence struct {
	What  string   `json:"what"`
	Value *float64 `json:"value,omitempty"`
	Unit  string   `json:"unit,omitempty"`
	Text  string   `json:"text,omitempty"` // in place of a number
	TimeS float64  `json:"time_s"`
}

// Cause is one likely cause.
type Cause struct {
	Cause  string `json:"cause"`
	Reason string `json:"reason,omitempty"`
}

// ChangesOf returns what happened to findings in a step. zone is where its times of day are shown.
func ChangesOf(out *rules.Output, zone *time.Location) (all []Change) {
	for i := range out.Events {
		if ev := &out.Events[i]; ev.Kind != rules.RunEnded {
			all = append(all, changeOf(out, ev, zone))
		}
	}
	return all
}

func changeOf(out *rules.Output, ev *rules.Event, zone *time.Location) Change {
	rec := &out.Findings[ev.Finding]
	c := Change{
		TimeS: ev.Change.At.Seconds(), Change: ev.Change.Kind.String(), Finding: rec.Def.Name, Subject: rec.Subject,
		Severity: rec.Def.Severity.String(), State: ev.Change.State.String(), Title: rec.Title(), Summary: rec.Summary(),
		Evidence: []Evidence{}, Causes: []Cause{}, NextCheck: rec.Def.NextCheck,
	}
	if m := out.At; m.WallTrusted {
		at := m.Wall.Add(ev.Change.At - m.Mono).In(zone)
		c.At = &at
	}
	if rec.CausedBy >= 0 {
		c.CausedBy = out.Findings[rec.CausedBy].Def.Name
	}
	for i := range rec.Evidence {
		e := &rec.Evidence[i]
		x := Evidence{What: e.What.Said(), Text: e.Text(), TimeS: e.At.Seconds()}
		if x.Text == "" {
			x.Value, x.Unit = &e.Value, e.Unit
		}
		c.Evidence = append(c.Evidence, x)
	}
	for _, l := range rec.Causes() {
		c.Causes = append(c.Causes, Cause{l.Cause.Said(), l.Reason.Said()})
	}
	return c
}

// WriteText writes a change for people: a line, and for a new finding its evidence and what to
// check.
func (c *Change) WriteText(w io.Writer) error {
	var b strings.Builder
	at := fmt.Sprintf("%s s", strconv.FormatFloat(c.TimeS, 'f', 1, 64))
	if c.At != nil {
		at = c.At.Format("2006-01-02 15:04:05") + ", " + at
	}
	fmt.Fprintf(&b, "%s  %s %s (%s): %s\n", at, c.Finding, c.Change, c.Severity, c.Title)
	if c.Change == finding.Raised.String() {
		if c.CausedBy != "" {
			fmt.Fprintf(&b, "    explained by %s\n", c.CausedBy)
		}
		for i := range c.Evidence {
			fmt.Fprintf(&b, "    %s: %s\n", c.Evidence[i].What, c.Evidence[i].said())
		}
		for _, l := range c.Causes {
			if l.Reason != "" {
				fmt.Fprintf(&b, "    likely: %s, for %s\n", l.Cause, l.Reason)
			}
		}
		if len(c.NextCheck) > 0 {
			fmt.Fprintf(&b, "    check next: %s\n", c.NextCheck[0])
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (e *Evidence) said() string {
	if e.Value == nil {
		return e.Text
	}
	return strings.TrimSpace(strconv.FormatFloat(*e.Value, 'g', 4, 64) + " " + e.Unit)
}
