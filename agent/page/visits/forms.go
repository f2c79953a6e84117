// Package visits has the pages of service visits: the forms of the one under way, and the reports
// of the finished ones.
package visits

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"liftbank/agent/page/view"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/visit"
)

// Forms are the pages of the visit under way, and what their forms send.
type Forms struct {
	site   *web.Site
	access *web.Access
	store  *visit.Store // nil: visits are not kept
}

// NewForms returns the pages of the visit under way. A nil store keeps no visits.
func NewForms(s *web.Site, a *web.Access, store *visit.Store) *Forms {
	return &Forms{site: s, access: a, store: store}
}

// Routes registers the page and its forms.
func (p *Forms) Routes(mux *http.ServeMux) {
	mux.HandleFunc("GET /visit", p.page)
	mux.HandleFunc("GET /visit/settle", p.settlePage)
	for _, path := range []string{"start", "look/{part}", "measure/{part}", "work", "review"} {
		mux.HandleFunc("GET /visit/"+path, p.stepPage)
	}
	mux.HandleFunc("POST /visit/begin", p.begin)
	mux.HandleFunc("POST /visit/settle", p.settle)
	mux.HandleFunc("POST /visit/photo", p.photo)
	mux.HandleFunc("POST /visit/save", p.save)
	mux.HandleFunc("POST /visit/work", p.addWork)
	mux.HandleFunc("POST /visit/finish", p.finish)
	mux.HandleFunc("POST /visit/discard", p.discard)
	mux.HandleFunc("POST /check/compare", p.noteComparison)
	p.batteryRoutes(mux)
}

// page is the visit under way, or the way to begin one.
func (p *Forms) page(w http.ResponseWriter, r *http.Request) {
	to := words.Of(r)
	if p.store == nil {
		p.site.Show(w, r, http.StatusOK, web.Content{
			Template: "no-visits", Data: web.Message{W: to.W}, Title: to.W["VisitTitle"], Nav: "/visit",
		})
		return
	}
	d := p.store.Draft()
	if d == nil {
		p.showBegin(w, r, http.StatusOK, "")
		return
	}
	p.showOverview(w, r, d)
}

type beginView struct {
	W       map[string]string
	To      *words.Reader
	Token   string
	Error   string
	By      string
	Place   string
	Damaged string
	Last    []headView
	Known   []view.Finding
	NoPIN   bool
	Switch  *web.WorkSwitch
	AskPIN  bool
}

// StepOf returns the text above the heading.
func (v beginView) StepOf() string {
	return words.Fill(v.W["StepOf"], "n", "1", "all", strconv.Itoa(int(stages)))
}

// Stage returns the name of the step.
func (v beginView) Stage() string { return v.To.Label("Stage", stageKeys[stageStart]) }

func (p *Forms) showBegin(w http.ResponseWriter, r *http.Request, status int, problem string) {
	to := words.Of(r)
	v := beginView{
		W: to.W, To: to, Token: web.Token(), Error: problem, By: r.PostForm.Get("by"), Place: r.PostForm.Get("place"),
		NoPIN: p.site.PIN == nil, AskPIN: p.site.PIN != nil && !p.site.SignedIn(r), Damaged: p.store.Damaged(),
		Known: p.known(to), Switch: p.site.WorkSwitch(to, r.PostForm.Get("by")),
	}
	if v.By == "" {
		v.By = NameOf(r)
	}
	if problem == "" { // what was typed stays, nothing included
		v.Place = p.site.At()
	}
	last, _, err := p.store.List(3)
	if err != nil {
		p.site.Log.Error("visits can't be read", "err", err)
	}
	v.Last = headsOf(last, p.site.Facts().At)
	p.site.Show(w, r, status, web.Content{
		Template: "begin", Data: v, Title: to.W["StartTitle"], Nav: "/visit", Scripts: []string{"visit.js"},
	})
}

// begin begins a visit, or leads to the one under way. What else the form has is saved with it.
func (p *Forms) begin(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	to := words.Of(r)
	by := r.PostForm.Get("by")
	d, err := p.store.Begin(by, web.Token(), p.facts(r))
	switch {
	case errors.Is(err, visit.ErrNoName):
		p.showBegin(w, r, http.StatusUnprocessableEntity, to.W["WantName"])
		return
	case errors.Is(err, visit.ErrVisitOpen): // this one joins
		KeepName(w, by)
		http.Redirect(w, r, "/visit", http.StatusSeeOther)
		return
	case err != nil:
		p.site.Log.Error("visit not begun", "err", err)
		p.showBegin(w, r, http.StatusInternalServerError, to.W["NotKept"]+". "+to.W["NotKeptMore"])
		return
	}
	KeepName(w, by)
	sent := p.sentFields(to, r.PostForm)
	delete(sent, "by")
	res, err := p.store.Save(d.ID, d.Revision, sent, p.facts(r))
	switch {
	case err != nil:
		p.showStep(w, r, http.StatusInternalServerError, d, 0, p.unsaved(to, sent))
	case len(res.Refusals) > 0:
		p.showStep(w, r, http.StatusUnprocessableEntity, res.Draft, 0, entered{refusals: res.Refusals})
	default:
		http.Redirect(w, r, p.pages(to)[1].URL(), http.StatusSeeOther)
	}
}

// nameCookie keeps the name of a phone's owner, so that what two people write can be told apart.
const nameCookie = "liftbank_name"

// NameOf returns the name of the phone's owner, empty if it is not known.
func NameOf(r *http.Request) string {
	c, err := r.Cookie(nameCookie)
	if err != nil {
		return ""
	}
	name, err := url.QueryUnescape(c.Value)
	if err != nil {
		return ""
	}
	return cut(visit.Tidy(name, false), visit.TextLimit)
}

func cut(text string, n int) string {
	if runes := []rune(text); len(runes) > n {
		return string(runes[:n])
	}
	return text
}

// KeepName keeps the name of a phone's owner in its browser.
func KeepName(w http.ResponseWriter, name string) {
	if name = cut(visit.Tidy(name, false), visit.TextLimit); name == "" {
		return
	}
	http.SetCookie(w, &http.Cookie{
		Name: nameCookie, Value: url.QueryEscape(name), Path: "/", MaxAge: nameAgeS, HttpOnly: true,
		SameSite: http.SameSiteStrictMode,
	})
}

const nameAgeS = 365 * 24 * 3600

// facts are what the agent knows now, and who sends the form.
func (p *Forms) facts(r *http.Request) visit.Facts {
	f := p.site.Facts()
	f.By = NameOf(r)
	f.Phone = cut(visit.Tidy(r.PostForm.Get("phone"), false), maxPhone)
	return f
}

const maxPhone = 32 // characters of a phone's own name

// pass lets a form about a visit pass.
func (p *Forms) pass(w http.ResponseWriter, r *http.Request) bool {
	if !p.readForm(w, r) {
		return false
	}
	if p.store == nil {
		to := words.Of(r)
		p.site.Fail(w, r, http.StatusServiceUnavailable, web.Message{Head: to.W["NoVisits"]})
		return false
	}
	return p.access.Authorize(w, r)
}

// SaveAnswer is what a script gets that has sent fields.
type SaveAnswer struct {
	Revision  int               `json:"revision"`
	Changed   map[string]string `json:"changed"` // fields that differ from what the page was made from
	Conflicts []Conflict        `json:"conflicts"`
	Refused   map[string]string `json:"refused"` // by key, why
	Judged    map[string]judged `json:"judged"`  // by the key of an item: its reading against its limits
	Settle    int               `json:"settle"`  // fields for which two texts stand
	Settling  string            `json:"settling"`
}

// Conflict is a field that somebody else has changed.
type Conflict struct {
	Key   string `json:"key"`
	Saved string `json:"saved"`
	Mine  string `json:"mine"`
}

// save saves fields of the open visit, photos too where a browser without script sends them, and goes
// on to the next page.
func (p *Forms) save(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	to, form := words.Of(r), r.PostForm
	revision, err := strconv.Atoi(form.Get("revision"))
	if err != nil || revision < 0 {
		p.site.Fail(w, r, http.StatusBadRequest, web.Message{
			Head: to.W["BadForm"], Text: to.W["BadFormMore"], Path: "/visit", Link: to.W["NavVisit"],
		})
		return
	}
	sent := p.sentFields(to, form)
	p.allOK(sent, form.Get("all"))
	res, err := p.store.Save(form.Get("id"), revision, sent, p.facts(r))
	if name := form.Get("remove"); err == nil && name != "" {
		res.Draft, err = p.store.RemovePhoto(form.Get("id"), name, p.facts(r))
	}
	if err != nil {
		p.notSaved(w, r, err, sent)
		return
	}
	photos := takenPhotos(r)
	at := pageAt(p.pages(to), form.Get("page"))
	switch {
	case web.WantsJSON(r):
		p.site.SendJSON(w, r, http.StatusOK, p.saved(to, res, revision))
	case at >= 0 && len(res.Refusals)+len(photos) > 0:
		e := entered{refusals: res.Refusals}
		if len(photos) > 0 {
			e.problem = strings.Join(photos, " ")
		}
		p.showStep(w, r, http.StatusUnprocessableEntity, p.store.Draft(), at, e)
	case len(res.Conflicts) > 0:
		http.Redirect(w, r, "/visit/settle", http.StatusSeeOther)
	case len(res.Refusals) > 0:
		p.refusedAll(w, r, res.Refusals)
	default:
		http.Redirect(w, r, p.next(to, form.Get("then"), form.Get("page")), http.StatusSeeOther)
	}
}

// sentFields returns the fields of the visit that a form has.
func (p *Forms) sentFields(to *words.Reader, form url.Values) map[string]string {
	sent := map[string]string{}
	for _, f := range p.store.Form().Fields {
		if form.Has(f.Key) {
			sent[f.Key] = sentBy(to, &f, form.Get(f.Key))
		}
	}
	return sent
}

// allOK answers OK for all items of an area that nobody has looked at: in the form that was sent, for
// a browser without script.
func (p *Forms) allOK(sent map[string]string, area string) {
	d := p.store.Draft()
	if area == "" || d == nil {
		return
	}
	for _, a := range p.store.Form().Areas {
		if a.ID != area {
			continue
		}
		for _, i := range a.Items {
			key := visit.ItemKey(a.ID, i.ID) + ".state"
			state, given := sent[key]
			if !given {
				state = d.Fields[key]
			}
			if state == "" || state == "not-checked" {
				sent[key] = "ok"
			}
		}
	}
}

// unsaved is what a form has sent that could not be written to the card: it is shown again.
func (p *Forms) unsaved(to *words.Reader, sent map[string]string) entered {
	return entered{sent: sent, problem: to.W["NotKept"] + ". " + to.W["NotKeptMore"]}
}

// notSaved answers where nothing could be saved. What was typed stands in the page again.
func (p *Forms) notSaved(w http.ResponseWriter, r *http.Request, err error, sent map[string]string) {
	to, d := words.Of(r), p.store.Draft()
	at := pageAt(p.pages(to), r.PostForm.Get("page"))
	known := errors.Is(err, visit.ErrNoDraft) || errors.Is(err, visit.ErrWrongVisit)
	switch {
	case known && !web.WantsJSON(r) && len(sent) > 0:
		p.showTooLate(w, r, sent)
	case known || web.WantsJSON(r) || d == nil || at < 0:
		p.refuse(w, r, err)
	default:
		p.site.Log.Error("visit not saved", "err", err)
		p.showStep(w, r, http.StatusInternalServerError, d, at, p.unsaved(to, sent))
	}
}

// showTooLate gives back what was sent for a visit that is over.
func (p *Forms) showTooLate(w http.ResponseWriter, r *http.Request, sent map[string]string) {
	to, form := words.Of(r), p.store.Form()
	var lines []string
	for _, f := range form.Fields {
		if text := visit.Tidy(bare(to, &f, sent[f.Key]), f.Kind == visit.Note); text != "" {
			if f.Kind == visit.Choice {
				text = to.Label("Choice", text)
			}
			lines = append(lines, where(to, form, f.Key)+": "+text)
		}
	}
	p.site.Show(w, r, http.StatusConflict, web.Content{
		Template: "too-long", Title: to.W["VisitOver"], Nav: "/visit",
		Data: tooLong{to.W, to.W["VisitOver"], to.W["VisitOverMore"], strings.Join(lines, "\n")},
	})
}

// refusedAll says what was refused to a form that names no page to show it on.
func (p *Forms) refusedAll(w http.ResponseWriter, r *http.Request, refusals []visit.Refusal) {
	to, form := words.Of(r), p.store.Form()
	var lines []string
	for _, f := range refusals {
		field := form.Field(f.Key)
		lines = append(lines, where(to, form, f.Key)+": "+trouble(to, field, f.Why)+" "+bare(to, field, f.Value))
	}
	p.site.Show(w, r, http.StatusUnprocessableEntity, web.Content{
		Template: "too-long", Title: to.W["BadForm"], Nav: "/visit",
		Data: tooLong{to.W, to.W["BadForm"], to.W["RefusedIntro"], strings.Join(lines, "\n")},
	})
}

func (p *Forms) saved(to *words.Reader, res visit.Result, revision int) SaveAnswer {
	form, d := p.store.Form(), res.Draft
	a := SaveAnswer{
		Revision: d.Revision, Changed: map[string]string{}, Conflicts: []Conflict{}, Refused: map[string]string{},
		Judged: map[string]judged{}, Settle: len(d.ToSettle),
	}
	a.Settling = state{W: to.W, Settle: a.Settle}.ToSettle()
	for _, c := range d.Log {
		if f := form.Field(c.Key); c.Revision > revision && !c.Refused && f != nil {
			a.Changed[c.Key] = shown(to, f, d.Fields[c.Key])
		}
	}
	for _, area := range form.Areas {
		for _, i := range area.Items {
			if key := visit.ItemKey(area.ID, i.ID); i.Unit != "" {
				a.Judged[key] = judgeReading(to, d, &i, key)
			}
		}
	}
	for _, c := range res.Conflicts {
		f := form.Field(c.Key)
		a.Conflicts = append(a.Conflicts, Conflict{c.Key, shown(to, f, c.Saved), shown(to, f, c.Mine)})
	}
	for _, f := range res.Refusals {
		a.Refused[f.Key] = trouble(to, form.Field(f.Key), f.Why)
	}
	return a
}

// refuse shows why a change of a visit was not accepted.
func (p *Forms) refuse(w http.ResponseWriter, r *http.Request, err error) {
	to := words.Of(r)
	m := web.Message{Path: "/visit", Link: to.W["NavVisit"]}
	switch {
	case errors.Is(err, visit.ErrNoDraft), errors.Is(err, visit.ErrWrongVisit):
		m.Head, m.Text = to.W["VisitOver"], to.W["VisitOverMore"]
		p.site.Fail(w, r, http.StatusConflict, m)
	case errors.Is(err, visit.ErrNoName):
		m.Head = to.W["WantName"]
		p.site.Fail(w, r, http.StatusUnprocessableEntity, m)
	default:
		p.site.Log.Error("visit not saved", "err", err)
		m.Head, m.Text = to.W["NotKept"], to.W["NotKeptMore"]
		p.site.Fail(w, r, http.StatusInternalServerError, m)
	}
}

// addWork notes work done.
func (p *Forms) addWork(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	form := r.PostForm
	kind, subject, _ := strings.Cut(form.Get("kind"), ":")
	if kind == visit.BatteryReplaced && slices.Contains(p.store.Form().Batteries, subject) {
		// It asks for the new one's label, and once more.
		http.Redirect(w, r, "/visit/battery/"+url.PathEscape(subject)+"?new", http.StatusSeeOther)
		return
	}
	work := visit.Work{ID: form.Get("token"), Kind: kind, Subject: subject, Note: form.Get("text")}
	p.noteWork(w, r, work, "/visit/work")
}

func (p *Forms) noteWork(w http.ResponseWriter, r *http.Request, work visit.Work, next string) {
	to, form := words.Of(r), p.store.Form()
	kinds := slices.Contains(visit.WorkKinds, work.Kind)
	battery := work.Kind == visit.BatteryReplaced
	switch {
	case !kinds || battery && !slices.Contains(form.Batteries, work.Subject) || !battery && work.Subject != "":
		p.site.Fail(w, r, http.StatusUnprocessableEntity, web.Message{
			Head: to.W["WantWork"], Path: "/visit/work", Link: to.W["NavVisit"],
		})
		return
	case utf8.RuneCountInString(work.Note) > visit.NoteLimit:
		p.site.Show(w, r, http.StatusUnprocessableEntity, web.Content{
			Template: "too-long", Data: tooLong{to.W, to.W["BadForm"], words.Fill(to.W["NoteLength"], "n", "2000"), work.Note},
			Title: to.W["BadForm"],
		})
		return
	case len(work.ID) < 8 || len(work.ID) > 64:
		p.site.Fail(w, r, http.StatusBadRequest, web.Message{
			Head: to.W["BadForm"], Text: to.W["BadFormMore"], Path: "/visit", Link: to.W["NavVisit"],
		})
		return
	}
	if _, err := p.store.AddWork(r.Context(), r.PostForm.Get("id"), work, p.facts(r)); err != nil {
		p.refuse(w, r, err)
		return
	}
	http.Redirect(w, r, next, http.StatusSeeOther)
}

// tooLong gives back a text that can't be kept.
type tooLong struct {
	W               map[string]string
	Head, Why, Text string
}

// finish ends the visit and shows its report.
func (p *Forms) finish(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	id := r.PostForm.Get("id")
	if v, err := p.store.Get(id); err == nil { // sent twice
		http.Redirect(w, r, "/visits/"+v.ID, http.StatusSeeOther)
		return
	}
	if d := p.store.Draft(); d != nil && d.ID == id && len(d.ToSettle) > 0 {
		http.Redirect(w, r, "/visit/settle", http.StatusSeeOther)
		return
	}
	v, err := p.store.Finish(id, p.facts(r))
	if errors.Is(err, visit.ErrNotSent) {
		p.site.Log.Warn("visit saved, not forwarded yet", "visit", v.ID, "err", err)
		err = nil
	}
	if err != nil {
		p.refuse(w, r, err)
		return
	}
	http.Redirect(w, r, "/visits/"+v.ID, http.StatusSeeOther)
}

func (p *Forms) discard(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	if err := p.store.Discard(r.PostForm.Get("id")); err != nil {
		p.refuse(w, r, err)
		return
	}
	http.Redirect(w, r, "/visit", http.StatusSeeOther)
}
