package page

import (
	"context"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/view"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
	"liftbank/agent/visit"
	"liftbank/rules/detect"
	"liftbank/rules/finding"
)

// findingPages show findings, and what technicians do about them.
type findingPages struct {
	site    *web.Site
	access  *web.Access
	store   *visit.Store  // nil: visits are not kept
	actions visit.Actions // nil: nothing can be done
	curves  *curvesOf
}

// Routes registers the pages of findings and their form.
func (p *findingPages) Routes(mux *http.ServeMux) {
	mux.HandleFunc("GET /findings", p.page)
	mux.HandleFunc("GET /findings/act", p.actPage)
	mux.HandleFunc("GET /findings/{name}", p.explain)
	mux.HandleFunc("POST /findings/act", p.act)
}

type findingsView struct {
	W        map[string]string
	To       *words.Reader
	Summary  string
	Finding  []view.Finding
	Unjudged []unjudged
	Waits    int // findings that can't be judged
	Some     bool
	All      []explainView
	Acts     bool // something can be done about findings here
}

type explainView struct {
	Name, Path, Word, Class         string
	Title, Summary, Detected, Clear template.HTML
	Check, Causes                   []template.HTML
}

func explain(to *words.Reader, d *finding.Definition) explainView {
	v := explainView{
		Name: d.Name, Path: "/findings/" + url.PathEscape(d.Name),
		Word: to.Label("Severity", d.Severity.String()), Class: d.Severity.String(),
		Title: to.Said(d.Name, "", "title", d.TitleOf("")), Summary: to.Said(d.Name, "", "summary", d.SummaryOf("")),
		Detected: to.Said(d.Name, "", "detected", d.Detected), Clear: to.Said(d.Name, "", "clears", d.Clears),
	}
	v.Check = view.Steps(to, d.Name, d.NextCheck)
	for _, c := range d.Causes {
		v.Causes = append(v.Causes, to.Text(snapshot.Text{ID: c.ID, English: c.English}))
	}
	return v
}

// page is the page of the listed findings, and of all possible ones.
func (p *findingPages) page(w http.ResponseWriter, r *http.Request) {
	to := words.Of(r)
	v := findingsView{W: to.W, To: to, Acts: p.canAct(), Summary: to.W["FindingsUnknown"]}
	if snap := p.site.Hub.Current(); snap != nil {
		v.Some, v.Unjudged, v.Waits = true, unjudgedOf(to, snap.NotJudged), silentNames(snap)
		v.Finding, v.Summary = view.Findings(to, snap), summaryOf(to, snap.Findings)
		p.curves.add(to, snap, v.Finding)
	}
	for _, d := range detect.Catalog() {
		v.All = append(v.All, explain(to, d))
	}
	p.site.Show(w, r, http.StatusOK, web.Content{
		Template: "findings-page", Data: v, Title: to.W["Findings"], Nav: "/findings",
	})
}

// summaryOf counts findings by what has become of them: "1 urgent, 1 acknowledged; 1 over".
func summaryOf(to *words.Reader, all []snapshot.Finding) string {
	var order []string
	count := map[string]int{}
	for i := range all {
		f := &all[i]
		key := f.State
		switch {
		case f.State == "unacknowledged" && f.CausedBy != "":
			key = "explained"
		case f.State == "unacknowledged":
			key = f.Severity
		}
		if count[key]++; count[key] == 1 {
			order = append(order, key)
		}
	}
	if len(order) == 0 {
		return to.W["FindingsNone"]
	}
	var parts []string
	for _, key := range order {
		parts = append(parts, fmt.Sprintf("%d\u00a0%s", count[key], to.Label("Count", key)))
	}
	return strings.Join(parts, ", ") + "."
}

type explainPage struct {
	W  map[string]string
	To *words.Reader
	explainView
}

// explain is the page of one finding of the catalog.
func (p *findingPages) explain(w http.ResponseWriter, r *http.Request) {
	to := words.Of(r)
	d := detect.Lookup(r.PathValue("name"))
	if d == nil {
		p.site.Say(w, r, http.StatusNotFound, web.Message{
			Head: to.W["NotFound"], Text: to.W["NoSuchFinding"], Path: "/findings", Link: to.W["Findings"],
		})
		return
	}
	v := explainPage{to.W, to, explain(to, d)}
	p.site.Show(w, r, http.StatusOK, web.Content{Template: "explain", Data: v, Title: plain(v.Title), Nav: "/findings"})
}

// canAct reports whether technicians can act on findings.
func (p *findingPages) canAct() bool { return p.actions != nil && p.site.PIN != nil }

type actView struct {
	W             map[string]string
	To            *words.Reader
	Name, Subject string
	About         string // the subject in the reader's language
	Known         *view.Finding
	Shelved       bool
	Ack           bool // it can be acknowledged
	Spans         []view.Choice
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
func (p *findingPages) actPage(w http.ResponseWriter, r *http.Request) {
	if p.access.Require(w, r) {
		p.showAct(w, r, http.StatusOK, r.URL.Query(), "")
	}
}

func (p *findingPages) showAct(w http.ResponseWriter, r *http.Request, status int, form url.Values, problem string) {
	to := words.Of(r)
	v := actView{
		W: to.W, To: to, Error: problem,
		Name: visit.Tidy(form.Get("name"), false), Subject: visit.Tidy(form.Get("subject"), false),
		Text: visit.Tidy(form.Get("text"), true), By: visit.Tidy(form.Get("by"), false),
	}
	v.About = to.About(v.Subject)
	snap := p.site.Hub.Current()
	if snap != nil {
		i := slices.IndexFunc(snap.Findings, func(f snapshot.Finding) bool {
			return f.Name == v.Name && f.Subject == v.Subject
		})
		if i >= 0 {
			known := view.FindingOf(to, snap.Findings[i], snap.At)
			known.No = i + 1
			one := []view.Finding{known}
			p.curves.add(to, snap, one)
			known = one[0]
			v.Known, v.Shelved = &known, known.State == "shelved"
			v.Ack = known.State == "unacknowledged" || known.State == "returned to normal unacknowledged"
		}
	}
	if v.By == "" && p.store != nil {
		if d := p.store.Draft(); d != nil {
			v.By = d.Fields["by"]
		}
	}
	for _, sp := range shelfSpans {
		v.Spans = append(v.Spans, view.Choice{Value: sp.Value, Text: figures.Rough(sp.Span)})
	}
	if v.Known == nil && problem == "" && status == http.StatusOK {
		status = http.StatusNotFound
	}
	title := v.Name
	if v.Known != nil {
		title = plain(v.Known.Heading)
	}
	p.site.Show(w, r, status, web.Content{Template: "act", Data: v, Title: title, Nav: "/findings"})
}

// act performs an action on a finding.
func (p *findingPages) act(w http.ResponseWriter, r *http.Request) {
	if !p.site.ReadForm(w, r) || !p.access.Authorize(w, r) {
		return
	}
	to, form := words.Of(r), r.PostForm
	if p.actions == nil {
		p.site.Fail(w, r, http.StatusServiceUnavailable, web.Message{
			Head: to.W["CantAct"], Path: "/findings", Link: to.W["Findings"],
		})
		return
	}
	name, subject := form.Get("name"), form.Get("subject")
	by, text := tidyText(form.Get("by"), 120), visit.Tidy(form.Get("text"), true)
	if by == "" {
		p.showAct(w, r, http.StatusUnprocessableEntity, form, to.W["WantName"])
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), actLimit)
	defer cancel()
	var err error
	switch form.Get("do") {
	case "acknowledge":
		err = p.actions.Acknowledge(ctx, name, subject, by)
	case "unshelve":
		err = p.actions.Unshelve(ctx, name, subject, by)
	case "shelve":
		i := slices.IndexFunc(shelfSpans, func(sp struct {
			Value string
			Span  time.Duration
		}) bool {
			return sp.Value == form.Get("span")
		})
		if i < 0 {
			p.showAct(w, r, http.StatusUnprocessableEntity, form, to.W["WantSpan"])
			return
		}
		err = p.actions.Shelve(ctx, name, subject, by, shelfSpans[i].Span)
	case "note":
		if n := utf8.RuneCountInString(text); n == 0 || n > visit.NoteLimit {
			p.showAct(w, r, http.StatusUnprocessableEntity, form, words.Fill(to.W["RemarkLength"], "n", "2000"))
			return
		}
		err = p.actions.Note(ctx, name, subject, by, text)
	default:
		p.showAct(w, r, http.StatusUnprocessableEntity, form, to.W["BadFormMore"])
		return
	}
	if err != nil {
		p.site.Log.Warn("action on finding failed", "finding", name, "subject", subject, "err", err)
		p.showAct(w, r, http.StatusConflict, form, to.W["NotTaken"]+" "+err.Error())
		return
	}
	http.Redirect(w, r, "/findings", http.StatusSeeOther)
}

// tidyText returns one line of at most that many characters.
func tidyText(text string, most int) string {
	text = visit.Tidy(text, false)
	if utf8.RuneCountInString(text) > most {
		text = string([]rune(text)[:most])
	}
	return text
}

const actLimit = 5 * time.Second

// With returns the data for the card of a finding.
func (v findingsView) With(f view.Finding) view.Shown {
	return view.Shown{W: v.W, To: v.To, F: f, Full: f.Standing && f.Look != "ack" && f.Look != "note", Level: 2, Acts: v.Acts}
}

// Card returns the data for the card of the finding that is acted on.
func (v actView) Card() view.Shown {
	return view.Shown{W: v.W, To: v.To, F: *v.Known, Level: 1}
}
