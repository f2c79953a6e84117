package web

import (
	"html/template"
	"time"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

// UnderWay is the line on every page that says that work is under way.
type UnderWay struct{ Head, Means, End, By string }

// UnderWayOf returns the line for a snapshot, nil while nobody works on the unit.
func UnderWayOf(to *words.Reader, s *snapshot.Snapshot) *UnderWay {
	if s == nil || s.Work == nil {
		return nil
	}
	w := s.Work
	return &UnderWay{
		Head: words.Fill(words.Fill(words.Fill(to.W["WorkSince"], "since", clock(w.Since, s.At)), "ends", clock(w.Ends, s.At)),
			"by", w.By),
		Means: to.W["WorkMeans"], End: to.W["WorkEnd"], By: w.By,
	}
}

// clock returns a time of day to the minute, with the date unless it is today's.
func clock(t, today time.Time) string {
	if t, today = t.UTC(), today.UTC(); t.Format(time.DateOnly) == today.Format(time.DateOnly) {
		return t.Format("15:04 UTC")
	}
	return t.Format("2006-01-02 15:04 UTC")
}

// Line returns the line as HTML.
func (u *UnderWay) Line() (template.HTML, error) {
	b, err := Execute("under-way", u)
	return template.HTML(b), err // escaped by its template
}

// WorkSwitch is the form that begins work under way; nil where there is no switch, or it is on.
type WorkSwitch struct {
	W       map[string]string
	By, For string
}

// WorkSwitch returns the form for a reader, with a name if one is known.
func (s *Site) WorkSwitch(to *words.Reader, by string) *WorkSwitch {
	if snap := s.Hub.Current(); s.WorkTime == 0 || s.PIN == nil || snap == nil || snap.Work != nil {
		return nil
	}
	return &WorkSwitch{W: to.W, By: by, For: words.Fill(to.W["WorkFor"], "time", spanOf(s.WorkTime))}
}

// spanOf writes a span without what is zero: 4 h, not 4 h 0 min.
func spanOf(d time.Duration) string {
	if d%time.Hour == 0 && d < 24*time.Hour {
		return figures.Number(d.Hours(), 0) + "\u00a0h"
	}
	return figures.Span(d)
}
