package page

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"liftbank/agent/fit"
	"liftbank/agent/page/figures"
	"liftbank/agent/page/view"
	"liftbank/agent/page/visits"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/visit"
)

// fitPages lead through the fitting of the board: one step a page, with what the monitor reads beside it.
// The monitor keeps what was done, so that a phone that goes away takes it up again, and two see the same.
type fitPages struct {
	site   *web.Site
	access *web.Access
	desk   fit.Desk // nil: this unit can't be fitted here
}

const pathFit = "/fit"

// typeYAML is of a configuration (RFC 9512).
const typeYAML = "application/yaml"

// Routes registers the pages and their forms.
func (p *fitPages) Routes(mux *http.ServeMux) {
	mux.HandleFunc("GET /fit", p.page)
	mux.HandleFunc("GET /fit/now", p.now)
	mux.HandleFunc("GET /fit/new.yaml", p.proposed)
	mux.HandleFunc("GET /fit/papers/{name}", p.paper)
	mux.HandleFunc("POST /fit", p.act)
	mux.HandleFunc("POST /fit/begin", p.begin)
	mux.HandleFunc("POST /fit/stop", p.stop)
	mux.HandleFunc("POST /fit/end", p.end)
	mux.HandleFunc("POST /fit/restart", p.restart)
}

// fitView is what the pages of a fitting see.
type fitView struct {
	W       map[string]string
	Error   string
	Said    string
	NoPIN   bool
	AskPIN  bool
	None    string // why nothing can be fitted
	Name    string
	Left    string // a fitting that was left
	Foreign string
	Changed bool
	Restart bool // it can be, from here
	Papers  []fitPaper

	Open     bool
	ID       string
	Token    string
	Revision int
	By       string
	Since    template.HTML
	Step     *fitStepView
	Live     fitLive
	Steps    []fitStepRow
	Progress string
	Found    []fitOutcome
	End      *fitEnd
}

type fitStepView struct {
	ID, Title, Caution string
	Do                 []string
	Asks               []fitAsk
	Why                string
	First              bool
}

type fitAsk struct {
	Name, Text, Hint, Value string
	Optional                bool
}

type fitStepRow struct {
	ID, Title, State, Why string
	Here, Again           bool
}

type fitOutcome struct {
	ID, Title string
	Lines     []string
}

type fitPaper struct{ Path, Text string }

// fitEnd is what came of all steps.
type fitEnd struct {
	Diff    []fitLine
	Problem string
	ByHand  []string
	Stored  []string
	Has     bool // there is a new file
	File    string
	Locked  string
	Write   bool // the monitor may write it
}

type fitLine struct {
	Text string
	New  bool
}

// fitLive is what changes on a page while somebody looks at it.
type fitLive struct {
	W        map[string]string
	Step     string
	Revision int
	State    string
	Ready    bool
	Rows     []fitRow
	Contacts []fitRow
}

type fitRow struct{ Name, Value string }

// say returns a phrase of a fitting for a reader.
func say(to *words.Reader, p fit.Phrase) string {
	return negative.ReplaceAllString(to.Join(p.In(to.Form)), "$1−$2")
}

var negative = regexp.MustCompile(`([ (])-(\d)`) // the pages have a minus, not a hyphen

// sayAlone returns a phrase as a sentence begins.
func sayAlone(to *words.Reader, p fit.Phrase) string { return words.Upper(say(to, p)) }

func (p *fitPages) newView(r *http.Request) (fitView, fit.View) {
	to := words.Of(r)
	v := fitView{
		W: to.W, NoPIN: p.site.PIN == nil, AskPIN: p.site.PIN != nil && !p.site.SignedIn(r), Token: web.Token(), Name: visits.NameOf(r),
	}
	if typed := tidyText(r.PostForm.Get("by"), visit.TextLimit); typed != "" {
		v.Name = typed
	}
	if p.desk == nil {
		v.None = to.W["FitNone"]
		return v, fit.View{}
	}
	d, ok := p.desk.Look()
	if !ok {
		v.None = words.Upper(to.W["NoReadingYet"])
		return v, d
	}
	for _, paper := range p.desk.Papers() {
		key := "FitFile"
		if paper.Record {
			key = "FitRecord"
		}
		v.Papers = append(v.Papers, fitPaper{"/fit/papers/" + paper.Name, words.Fill(to.W[key], "at", paper.At.UTC().Format("2006-01-02 15:04 UTC"))})
	}
	if d.Session == "" {
		v.Changed, v.Restart = d.Changed, d.Restarts
		if l := d.Left; l != nil {
			key, to := "FitLeft", &v.Left
			if l.Foreign {
				key, to = "FitForeign", &v.Foreign
			}
			*to = words.Fill(v.W[key], "by", l.By, "date", l.Begun.UTC().Format(time.DateOnly), "n", strconv.Itoa(l.Done))
		}
		return v, d
	}
	v.Open, v.ID, v.By, v.Revision = true, d.Session, d.By, d.Revision
	v.Since = view.Time(to, d.Begun, p.site.Facts().At)
	v.Live = liveFit(to, &d)
	done := 0
	for i := range d.Steps {
		s := &d.Steps[i]
		row := fitStepRow{ID: s.ID, Title: sayAlone(to, s.Title), State: "todo", Why: s.Why, Here: d.Some && s.ID == d.Step.ID}
		switch {
		case s.Done:
			row.State = "done"
			done++
		case s.Skipped:
			row.State = "skipped"
			done++
		}
		row.Again = s.Done || s.Skipped
		row.State = to.W["FitState."+row.State]
		v.Steps = append(v.Steps, row)
	}
	v.Found = outcomes(to, d.Verdicts)
	if d.Some {
		at := slices.IndexFunc(d.Steps, func(s fit.StepDone) bool { return s.ID == d.Step.ID })
		v.Progress = words.Fill(to.W["FitStep"], "n", strconv.Itoa(at+1), "all", strconv.Itoa(len(d.Steps)))
		v.Step = stepOf(to, &d.Step, r)
		v.Step.First = at == 0
	}
	return v, d
}

// stepOf returns a step as it is shown, with what was typed.
func stepOf(to *words.Reader, st *fit.Step, r *http.Request) *fitStepView {
	v := &fitStepView{ID: st.ID, Title: sayAlone(to, st.Title), Why: tidyText(r.PostForm.Get("why"), visit.TextLimit)}
	if !st.Caution.Empty() {
		v.Caution = say(to, st.Caution)
	}
	for _, text := range st.Do {
		v.Do = append(v.Do, say(to, text))
	}
	for i := range st.Asks {
		a := &st.Asks[i]
		unit := a.Unit
		if unit == "°C" && to.Fahrenheit {
			unit = "°F"
		}
		f := fitAsk{Name: a.Name, Text: say(to, a.Text), Optional: a.Optional || a.Default != nil, Value: tidyText(r.PostForm.Get(a.Name), 40)}
		if unit != "" {
			f.Text += ", " + unit
		}
		switch {
		case a.Default != nil:
			usual := *a.Default
			if unit == "°F" { // the accuracy of a thermometer: a difference
				usual *= 9.0 / 5
			}
			f.Hint = words.Fill(to.W["FitUsual"], "value", strconv.FormatFloat(usual, 'g', -1, 64))
		case a.Optional:
			f.Hint = to.W["FitOptional"]
		}
		v.Asks = append(v.Asks, f)
	}
	return v
}

// inCelsius returns what somebody typed in the reader's unit as the step takes it.
func inCelsius(to *words.Reader, st *fit.Step, a *fit.Ask, text string) string {
	text = strings.TrimSpace(text)
	if a.Unit != "°C" {
		return text
	}
	bare := strings.TrimSpace(strings.TrimRight(text, "°ºcCfF "))
	behind := strings.ToLower(text[len(bare):])
	if strings.Contains(behind, "c") || !to.Fahrenheit && !strings.Contains(behind, "f") {
		return bare
	}
	x, ok := visit.ParseNumber(bare)
	if !ok {
		return text
	}
	decimals := 0
	if at := strings.LastIndexAny(bare, ".,"); at >= 0 {
		decimals = len(bare) - at - 1
	}
	if st.Kind != fit.Begin { // the accuracy of a thermometer is a difference
		x -= 32
	} else {
		decimals = max(decimals, 1)
	}
	return strconv.FormatFloat(x*5/9, 'f', decimals, 64)
}

var fitOutcomes = []fit.Outcome{fit.Changed, fit.ByHand, fit.Untested, fit.Good}

func outcomes(to *words.Reader, all []fit.Verdict) (out []fitOutcome) {
	for _, o := range fitOutcomes {
		g := fitOutcome{ID: string(o), Title: to.W["FitOutcome."+string(o)]}
		for _, v := range all {
			if v.Outcome == o {
				g.Lines = append(g.Lines, say(to, v.Say)+".")
			}
		}
		if g.Lines != nil {
			out = append(out, g)
		}
	}
	return out
}

func contactName(to *words.Reader, signal string) string {
	switch signal {
	case "wake_line":
		return to.W["WakeLine"]
	case "motor_command":
		return to.W["Command"]
	case "disconnect":
		return to.W["Disconnect"]
	case "indicator_line":
		return to.W["IndicatorLine"]
	}
	return signal
}

func liveFit(to *words.Reader, d *fit.View) fitLive {
	v := fitLive{W: to.W, Step: d.Step.ID, Revision: d.Revision}
	switch {
	case !d.Some || len(d.Now) == 0 && d.Wait == nil:
		v.Ready = true
	case d.Wait == nil:
		v.State, v.Ready = to.W["FitReady"], true
		if !d.Said.Empty() {
			v.State = say(to, d.Said) + " " + v.State
		}
	case !d.Said.Empty() && !d.Runs:
		v.State = say(to, d.Said)
	default:
		v.State = words.Fill(to.W["FitWait"], "why", say(to, fit.Why(d.Wait)))
	}
	for _, c := range d.Now {
		row := fitRow{visits.ChannelName(to, c.Channel), figures.Unknown + " (" + say(to, fit.Phrase{Form: c.Fault}) + ")"}
		if c.Fault == "" {
			row.Value = visits.Reading(to, c.Value, c.Unit)
		}
		v.Rows = append(v.Rows, row)
	}
	for _, c := range d.Contacts {
		text := figures.Unknown
		if c.Level != fit.Unknown {
			text = say(to, fit.Phrase{Form: c.Level.String()})
		}
		v.Contacts = append(v.Contacts, fitRow{contactName(to, c.Signal), text})
	}
	return v
}

func (p *fitPages) page(w http.ResponseWriter, r *http.Request) { p.show(w, r, http.StatusOK, "") }

func (p *fitPages) show(w http.ResponseWriter, r *http.Request, status int, problem string) {
	v, d := p.newView(r)
	v.Error, v.Said = problem, v.W["FitSaid."+r.URL.Query().Get("done")]
	title := v.W["FitTitle"]
	switch {
	case v.Open && v.Step != nil:
		title = v.Step.Title
	case v.Open:
		title = v.W["FitEnd"]
		v.End = p.endView(words.Of(r), &d)
	}
	p.site.Show(w, r, status, web.Content{Template: "fit", Data: v, Title: title, Nav: "/check", Scripts: []string{"fit.js"}})
}

func (p *fitPages) endView(to *words.Reader, d *fit.View) *fitEnd {
	c, err := p.desk.Propose()
	if err != nil { // it has just ended
		return &fitEnd{}
	}
	v := &fitEnd{Has: c.Text != nil, File: c.File, Write: c.Text != nil && c.Locked == nil}
	for _, line := range c.Diff {
		v.Diff = append(v.Diff, fitLine{line, strings.HasPrefix(line, "+")})
	}
	if c.Problem != nil {
		v.Problem = c.Problem.Error()
		for _, ch := range c.Changes {
			v.ByHand = append(v.ByHand, fmt.Sprintf("board.%s[%d].%s: %s → %s", ch.List, ch.Index, ch.Field, ch.From, ch.To))
		}
	}
	if c.Locked != nil {
		v.Locked = c.Locked.Error()
	}
	for _, s := range c.Stored {
		v.Stored = append(v.Stored, say(to, s))
	}
	return v
}

// now sends the part of a page that changes while somebody looks at it.
func (p *fitPages) now(w http.ResponseWriter, r *http.Request) {
	to := words.Of(r)
	if p.desk == nil {
		p.site.SendError(w, r, http.StatusNotFound, to.W["FitNone"])
		return
	}
	d, ok := p.desk.Look()
	if !ok || d.Session == "" {
		p.site.SendError(w, r, http.StatusNotFound, to.W["FitOver"])
		return
	}
	html, err := web.Execute("fit-live", liveFit(to, &d))
	if err != nil {
		p.site.RenderFailed(w, r, err)
		return
	}
	w.Header().Set("Cache-Control", "no-store")
	web.Send(w, r, http.StatusOK, web.TypeHTML, html)
}

// pass lets a form through that comes from somebody who may change something.
func (p *fitPages) pass(w http.ResponseWriter, r *http.Request) bool {
	if !p.site.ReadForm(w, r) || !p.access.Authorize(w, r) {
		return false
	}
	if p.desk == nil {
		p.site.Fail(w, r, http.StatusServiceUnavailable, web.Message{Head: words.Of(r).W["FitNone"]})
		return false
	}
	return true
}

// begin opens a fitting, or joins the one that is open.
func (p *fitPages) begin(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	by := tidyText(r.PostForm.Get("by"), visit.TextLimit)
	ctx, cancel := context.WithTimeout(r.Context(), actLimit)
	defer cancel()
	if err := p.desk.Begin(ctx, web.Token(), by, r.PostForm.Get("do") == "anew"); err != nil {
		p.failed(w, r, err)
		return
	}
	visits.KeepName(w, by)
	http.Redirect(w, r, pathFit, http.StatusSeeOther)
}

// failed says what could not be done.
func (p *fitPages) failed(w http.ResponseWriter, r *http.Request, err error) {
	to := words.Of(r)
	refusal, refused := errors.AsType[*fit.Refusal](err)
	switch {
	case refused && refusal.Wait:
		p.show(w, r, http.StatusUnprocessableEntity, words.Fill(to.W["FitWait"], "why", say(to, refusal.Phrase)))
	case refused:
		p.show(w, r, http.StatusUnprocessableEntity, sayAlone(to, refusal.Phrase))
	case errors.Is(err, fit.ErrNoName):
		p.show(w, r, http.StatusUnprocessableEntity, to.W["WantName"])
	case errors.Is(err, fit.ErrNoSession):
		p.show(w, r, http.StatusConflict, to.W["FitOver"])
	case errors.Is(err, fit.ErrMoved):
		r.PostForm = nil // what was typed is of another step
		p.show(w, r, http.StatusConflict, to.W["FitMoved"])
	case errors.Is(err, fit.ErrChanged):
		p.show(w, r, http.StatusConflict, to.W["FitChangedFile"])
	case errors.Is(err, fit.ErrForeign):
		p.show(w, r, http.StatusConflict, "")
	case errors.Is(err, fit.ErrNotKept):
		p.site.Log.Error("fitting under way not kept", "err", err)
		r.PostForm = nil // it is of the step before
		p.show(w, r, http.StatusInternalServerError, to.W["FitNotKept"])
	case errors.Is(err, fit.ErrLong):
		p.show(w, r, http.StatusConflict, to.W["FitLong"])
	default:
		p.site.Log.Error("fitting: not done", "err", err)
		p.show(w, r, http.StatusInternalServerError, to.W["NotKept"]+". "+to.W["NotKeptMore"])
	}
}

// actOf reads what all forms of an open fitting have.
func actOf(r *http.Request) (a fit.Act, ok bool) {
	form := r.PostForm
	revision, err := strconv.Atoi(form.Get("revision"))
	by := tidyText(form.Get("by"), visit.TextLimit)
	if by == "" && !form.Has("by") {
		by = visits.NameOf(r)
	}
	return fit.Act{Session: form.Get("session"), Form: form.Get("token"), Step: form.Get("step"), Revision: revision, By: by},
		err == nil && goodToken(form.Get("token"))
}

// act does something in a step.
func (p *fitPages) act(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	to, form := words.Of(r), r.PostForm
	a, ok := actOf(r)
	if !ok {
		p.show(w, r, http.StatusBadRequest, to.W["BadFormMore"])
		return
	}
	if form.Has("pin") { // what the channels show is of after the PIN
		p.show(w, r, http.StatusOK, to.W["FitAgain"])
		return
	}
	switch a.Do = form.Get("do"); {
	case a.Do == fit.DoAnswer:
		a.Typed = map[string]string{}
		if d, ok := p.desk.Look(); ok {
			for i := range d.Step.Asks {
				ask := &d.Step.Asks[i]
				a.Typed[ask.Name] = inCelsius(to, &d.Step, ask, tidyText(form.Get(ask.Name), 40))
			}
		}
	case a.Do == fit.DoSkip:
		a.Text = tidyText(form.Get("why"), visit.TextLimit)
	case a.Do == fit.DoBack:
	case form.Get("go") != "":
		a.Do, a.Text = fit.DoGo, form.Get("go")
	default:
		p.show(w, r, http.StatusUnprocessableEntity, to.W["BadFormMore"])
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), actLimit)
	defer cancel()
	if err := p.desk.Do(ctx, a); err != nil {
		p.failed(w, r, err)
		return
	}
	http.Redirect(w, r, pathFit, http.StatusSeeOther)
}

// stop closes the fitting for now.
func (p *fitPages) stop(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), actLimit)
	defer cancel()
	err := p.desk.Stop(ctx, r.PostForm.Get("session"), visits.NameOf(r))
	if err != nil && !errors.Is(err, fit.ErrNoSession) { // stopped on another phone
		p.failed(w, r, err)
		return
	}
	http.Redirect(w, r, pathFit, http.StatusSeeOther)
}

// end signs the record, and writes the configuration if it is to follow.
func (p *fitPages) end(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	to := words.Of(r)
	a, ok := actOf(r)
	do := r.PostForm.Get("do")
	if !ok || do != "write" && do != "sign" {
		p.show(w, r, http.StatusBadRequest, to.W["BadFormMore"])
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), actLimit)
	defer cancel()
	done, err := p.desk.Finish(ctx, a, do == "write")
	switch {
	case err == nil:
	case errors.Is(err, fit.ErrNoName), errors.Is(err, fit.ErrNoSession), errors.Is(err, fit.ErrMoved), errors.Is(err, fit.ErrChanged):
		p.failed(w, r, err)
		return
	default:
		p.site.Log.Error("fitting not finished", "err", err)
		p.show(w, r, http.StatusInternalServerError, words.Fill(to.W["FitWriteFailed"], "why", err.Error()))
		return
	}
	visits.KeepName(w, a.By)
	said := "same"
	switch {
	case done.Written:
		said = "written"
	case done.File != "":
		said = "kept"
	}
	http.Redirect(w, r, pathFit+"?done="+said, http.StatusSeeOther)
}

// restart has the monitor start again with the configuration's file as it is now.
func (p *fitPages) restart(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	to := words.Of(r)
	err := p.desk.Restart(visits.NameOf(r))
	switch {
	case errors.Is(err, fit.ErrNoRestart):
		http.Redirect(w, r, pathFit, http.StatusSeeOther)
	case errors.Is(err, fit.ErrUnusable):
		p.show(w, r, http.StatusConflict, words.Fill(to.W["FitUnusable"], "why", err.Error()))
	case err != nil:
		p.site.Log.Error("configuration can't be read: not restarted", "err", err)
		p.show(w, r, http.StatusInternalServerError, words.Fill(to.W["FitUnusable"], "why", err.Error()))
	default:
		p.site.Say(w, r, http.StatusOK, web.Message{Head: to.W["FitRestarting"], Text: to.W["FitRestartingMore"], Path: pathFit, Link: to.W["FitTitle"]})
	}
}

// proposed sends the whole new configuration, to who has the PIN: it may name accounts.
func (p *fitPages) proposed(w http.ResponseWriter, r *http.Request) {
	if !p.access.Require(w, r) {
		return
	}
	if p.desk != nil {
		if c, err := p.desk.Propose(); err == nil && c.Text != nil {
			p.attach(w, r, "unit.yaml", typeYAML, c.Text)
			return
		}
	}
	p.site.Fail(w, r, http.StatusNotFound, web.Message{Head: words.Of(r).W["FitNothing"]})
}

// paper sends a record, or a configuration to who has the PIN.
func (p *fitPages) paper(w http.ResponseWriter, r *http.Request) {
	name, kind := r.PathValue("name"), web.TypeJSON
	if strings.HasSuffix(name, ".yaml") {
		kind = typeYAML
		if !p.access.Require(w, r) {
			return
		}
	}
	var text []byte
	err := fit.ErrNoPaper
	if p.desk != nil {
		text, err = p.desk.Read(name)
	}
	if err != nil {
		if !errors.Is(err, fit.ErrNoPaper) {
			p.site.Log.Error("record of a fitting can't be read", "file", name, "err", err)
		}
		http.NotFound(w, r)
		return
	}
	p.attach(w, r, name, kind, text)
}

func (p *fitPages) attach(w http.ResponseWriter, r *http.Request, name, kind string, text []byte) {
	w.Header().Set("Content-Disposition", `attachment; filename="`+name+`"`)
	w.Header().Set("Cache-Control", "no-store")
	web.Send(w, r, http.StatusOK, kind, text)
}
