package page

import (
	"context"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"time"
	"unicode/utf8"

	"liftbank/agent/snapshot"
	"liftbank/agent/visit"
	"liftbank/rules/detect"
	"liftbank/rules/finding"
)

type findingsView struct {
	W        map[string]string
	To       *reader
	Finding  []findingView
	Silent   []snapshot.NotJudged
	Some     bool
	All      []explainView
	CanWrite bool
}

type explainView struct {
	Name, Path, Word, Class         string
	Title, Summary, Detected, Clear template.HTML
	Check, Causes                   []template.HTML
}

func (to *reader) explain(d *finding.Definition) explainView {
	v := explainView{
		Name: d.Name, Path: "/findings/" + url.PathEscape(d.Name), Word: to.label(
			"Severity", d.Severity.String(),
		), Class: d.Severity.String(),
		Title: to.Said(d.Name, "", "title", d.TitleOf("")), Summary: to.Said(d.Name, "", "summary", d.SummaryOf("")),
		Detected: to.Said(d.Name, "", "detected", d.Detected), Clear: to.Said(d.Name, "", "clears", d.Clears),
	}
	v.Check = to.steps(d.Name, d.NextCheck)
	for _, c := range d.Causes {
		v.Causes = append(v.Causes, to.Text(snapshot.Text{ID: c.ID, English: c.English}))
	}
	return v
}

// steps returns the steps of a finding's next check.
func (to *reader) steps(name string, english []string) []template.HTML {
	out := make([]template.HTML, len(english))
	for i, step := range english {
		out[i] = to.Said(name, "", fmt.Sprintf("check.%d", i+1), step)
	}
	return out
}

// findings is the page of the listed findings, and of all possible ones.
func (s *Server) findings(w http.ResponseWriter, r *http.Request) {
	to := readerOf(r)
	v := findingsView{W: to.W, To: to, CanWrite: s.canAct()}
	if snap := s.opts.Hub.Current(); snap != nil {
		v.Some, v.Silent = true, snap.NotJudged
		for _, f := range snap.Findings {
			v.Finding = append(v.Finding, to.viewFinding(f, snap.At))
		}
	}
	for _, d := range detect.Catalog() {
		v.All = append(v.All, to.explain(d))
	}
	s.show(w, r, http.StatusOK, content{template: "findings-page", data: v, title: to.W["Findings"], nav: "/findings"})
}

type explainPage struct {
	W  map[string]string
	To *reader
	explainView
}

// explainFinding is the page of one finding of the catalog.
func (s *Server) explainFinding(w http.ResponseWriter, r *http.Request) {
	to := readerOf(r)
	d := detect.Lookup(r.PathValue("name"))
	if d == nil {
		s.say(w, r, http.StatusNotFound, message{
			Head: to.W["NotFound"], Text: to.W["NoSuchFinding"], Path: "/findings", Link: to.W["Findings"],
		})
		return
	}
	s.show(w, r, http.StatusOK, content{
		template: "explain", data: explainPage{to.W, to, to.explain(d)}, title: d.Name, nav: "/findings",
	})
}

// canAct reports whether technicians can act on findings.
func (s *Server) canAct() bool { return s.opts.Actions != nil && s.opts.PIN != nil }

type actView struct {
	W             map[string]string
	To            *reader
	Name, Subject string
	About         string // the subject in the reader's language
	Known         *findingView
	Shelved       bool
	Spans         []choice
	By            string
	Error         string
	Text          string // of a remark that was not accepted
}

// shelfSpans are the times that a finding can be shelved for.
var shelfSpans = []struct {
	Value string
	Span  time.Duration
}{{"8h", 8 * time.Hour}, {"1d", 24 * time.Hour}, {"7d", 7 * 24 * time.Hour}, {"30d", 30 * 24 * time.Hour}}

// actPage is the page of actions on one finding.
func (s *Server) actPage(w http.ResponseWriter, r *http.Request) {
	if s.requirePIN(w, r) {
		s.showAct(w, r, http.StatusOK, r.URL.Query(), "")
	}
}

func (s *Server) showAct(w http.ResponseWriter, r *http.Request, status int, form url.Values, problem string) {
	to := readerOf(r)
	v := actView{
		W: to.W, To: to, Name: visit.Tidy(form.Get("name"), false), Subject: visit.Tidy(
			form.Get("subject"), false,
		), Error: problem,
		Text: visit.Tidy(form.Get("text"), true), By: visit.Tidy(form.Get("by"), false),
	}
	v.About = to.about(v.Subject)
	snap := s.opts.Hub.Current()
	if snap != nil {
		i := slices.IndexFunc(
			snap.Findings, func(f snapshot.Finding) bool { return f.Name == v.Name && f.Subject == v.Subject },
		)
		if i >= 0 {
			known := to.viewFinding(snap.Findings[i], snap.At)
			v.Known, v.Shelved = &known, known.State == "shelved"
		}
	}
	if v.By == "" && s.opts.Visits != nil {
		if d := s.opts.Visits.Draft(); d != nil {
			v.By = d.Fields["by"]
		}
	}
	for _, sp := range shelfSpans {
		v.Spans = append(v.Spans, choice{Value: sp.Value, Text: span(sp.Span)})
	}
	if v.Known == nil && problem == "" && status == http.StatusOK {
		status = http.StatusNotFound
	}
	s.show(w, r, status, content{template: "act", data: v, title: v.Name, nav: "/findings"})
}

// act performs an action on a finding.
func (s *Server) act(w http.ResponseWriter, r *http.Request) {
	if !s.readForm(w, r) || !s.authorize(w, r) {
		return
	}
	to, form := readerOf(r), r.PostForm
	if s.opts.Actions == nil {
		s.fail(w, r, http.StatusServiceUnavailable, message{
			Head: to.W["CantAct"], Path: "/findings", Link: to.W["Findings"],
		})
		return
	}
	name, subject := form.Get("name"), form.Get("subject")
	by, text := tidyText(form.Get("by"), 120), visit.Tidy(form.Get("text"), true)
	if by == "" {
		s.showAct(w, r, http.StatusUnprocessableEntity, form, to.W["WantName"])
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), actLimit)
	defer cancel()
	var err error
	switch form.Get("do") {
	case "acknowledge":
		err = s.opts.Actions.Acknowledge(ctx, name, subject, by)
	case "unshelve":
		err = s.opts.Actions.Unshelve(ctx, name, subject, by)
	case "shelve":
		i := slices.IndexFunc(shelfSpans, func(sp struct {
			Value string
			Span  time.Duration
		}) bool {
			return sp.Value == form.Get("span")
		})
		if i < 0 {
			s.showAct(w, r, http.StatusUnprocessableEntity, form, to.W["WantSpan"])
			return
		}
		err = s.opts.Actions.Shelve(ctx, name, subject, by, shelfSpans[i].Span)
	case "note":
		if n := utf8.RuneCountInString(text); n == 0 || n > visit.NoteLimit {
			s.showAct(w, r, http.StatusUnprocessableEntity, form, fill(to.W["RemarkLength"], "n", "2000"))
			return
		}
		err = s.opts.Actions.Note(ctx, name, subject, by, text)
	default:
		s.showAct(w, r, http.StatusUnprocessableEntity, form, to.W["BadFormMore"])
		return
	}
	if err != nil {
		s.opts.Log.Warn("action on finding failed", "finding", name, "subject", subject, "err", err)
		s.showAct(w, r, http.StatusConflict, form, to.W["NotTaken"]+" "+err.Error())
		return
	}
	http.Redirect(w, r, "/findings", http.StatusSeeOther)
}

const actLimit = 5 * time.Second
