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

	"liftbank/agent/page/figures"
	"liftbank/agent/page/view"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/visit"
)

// Forms are the pages of the visit under way, and what their forms send.
type Forms struct {
	site        *web.Site
	access      *web.Access
	store       *visit.Store // nil: visits are not kept
	calibration map[string]Calibration
}

// NewForms returns the pages of the visit under way. A nil store keeps no visits; calibration is
// that of the channels, by their names in the snapshot.
func NewForms(
	s *web.Site, a *web.Access, store *visit.Store, calibration map[string]Calibration,
) *Forms {
	return &Forms{site: s, access: a, store: store, calibration: calibration}
}

// Routes registers the page and its forms.
func (p *Forms) Routes(mux *http.ServeMux) {
	mux.HandleFunc("GET /visit", p.page)
	mux.HandleFunc("POST /visit/begin", p.begin)
	mux.HandleFunc("POST /visit/save", p.save)
	mux.HandleFunc("POST /visit/work", p.addWork)
	mux.HandleFunc("POST /visit/finish", p.finish)
	mux.HandleFunc("POST /visit/discard", p.discard)
	mux.HandleFunc("POST /check/compare", p.noteComparison)
	p.batteryRoutes(mux)
}

// F returns the data for the template of an input.
func (v *draftView) F(f fieldView) fieldOf { return fieldOf{f, v.W["Empty"], v.W["AgentSays"]} }

// Mark returns the sign of an item's state.
func (v *draftView) Mark(state string) string { return stateMarks[state] }

// draftView is the page of a visit under way.
type draftView struct {
	W            map[string]string
	To           *words.Reader
	Draft        *visit.Draft
	Areas        []areaView
	Batteries    []batteryView
	Feed, Motor  []fieldView
	By, Place    fieldView
	Oil          []fieldView
	Note         fieldView
	WorkKinds    []view.Choice
	BatteryNames []string
	Work         []workView
	Finding      []view.Finding
	Token        string
	Refusals     []refusalView
	Saved        string
	Since        string
	Checked, Of  int
}

type batteryView struct {
	ID           string
	Meter, Tests []fieldView
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
	p.showDraft(w, r, http.StatusOK, d, nil)
}

type beginView struct {
	W       map[string]string
	Token   string
	Error   string
	By      string
	Damaged string
	Last    []headView
	NoPIN   bool
}

func (p *Forms) showBegin(w http.ResponseWriter, r *http.Request, status int, problem string) {
	to := words.Of(r)
	v := beginView{
		W: to.W, Token: web.Token(), Error: problem, By: r.PostForm.Get("by"), NoPIN: p.site.PIN == nil,
		Damaged: p.store.Damaged(),
	}
	last, _, err := p.store.List(3)
	if err != nil {
		p.site.Log.Error("visits can't be read", "err", err)
	}
	v.Last = headsOf(last, p.site.Facts().At)
	p.site.Show(w, r, status, web.Content{Template: "begin", Data: v, Title: to.W["VisitTitle"], Nav: "/visit"})
}

// begin begins a visit, or leads to the one under way.
func (p *Forms) begin(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	to := words.Of(r)
	_, err := p.store.Begin(r.PostForm.Get("by"), web.Token(), p.site.Facts())
	switch {
	case errors.Is(err, visit.ErrNoName):
		p.showBegin(w, r, http.StatusUnprocessableEntity, to.W["WantName"])
	case err != nil && !errors.Is(err, visit.ErrVisitOpen):
		p.site.RenderFailed(w, r, err)
	default:
		http.Redirect(w, r, "/visit", http.StatusSeeOther)
	}
}

// pass lets a form about a visit pass.
func (p *Forms) pass(w http.ResponseWriter, r *http.Request) bool {
	if !p.site.ReadForm(w, r) {
		return false
	}
	if p.store == nil {
		to := words.Of(r)
		p.site.Fail(w, r, http.StatusServiceUnavailable, web.Message{Head: to.W["NoVisits"]})
		return false
	}
	return p.access.Authorize(w, r)
}

func (p *Forms) showDraft(
	w http.ResponseWriter, r *http.Request, status int, d *visit.Draft, refusals []visit.Refusal,
) {
	to := words.Of(r)
	v := p.draftView(to, d, refusals)
	if r.URL.Query().Has("saved") {
		v.Saved = to.W["SavedAll"]
	}
	p.site.Show(w, r, status, web.Content{
		Template: "draft", Data: v, Title: to.W["VisitTitle"], Nav: "/visit", Scripts: []string{"visit.js"},
	})
}

func (p *Forms) draftView(to *words.Reader, d *visit.Draft, refusals []visit.Refusal) *draftView {
	form, snap := p.store.Form(), p.site.Hub.Current()
	v := &draftView{
		W: to.W, To: to, Draft: d, Token: web.Token(), BatteryNames: form.Batteries,
		Since: figures.TimeOfDay(d.Begun, p.site.Facts().At),
	}
	wrong := map[string]visit.Refusal{}
	for _, f := range refusals {
		wrong[f.Key] = f
	}
	field := func(key string) fieldView {
		f := inputOf(to, form.Field(key), d.Fields[key])
		if r, is := wrong[key]; is {
			f.Value, f.Error = r.Value, trouble(to, form.Field(key), r.Why)
			v.Refusals = append(v.Refusals, refusalView{f.Label, r.Value, f.Error, f.ID})
		}
		if rest, meter := strings.CutPrefix(key, "meter."); meter {
			subject, figure, _ := strings.Cut(rest, ".")
			if a := visit.AgentFigure(snap, subject, figure); a != nil {
				f.Agents = figures.Number(*a, 0) + " " + form.Field(key).Unit // in the unit that the field takes
			}
		}
		return f
	}
	v.By, v.Place, v.Note = field("by"), field("place"), field("note")
	v.Oil = []fieldView{field("oil.level"), field("oil.position"), field("oil.note")}
	for _, a := range form.Areas {
		area := areaOf(to, a, field)
		v.Areas = append(v.Areas, area)
		v.Checked, v.Of = v.Checked+area.Checked, v.Of+area.Of
	}
	for _, b := range form.Batteries {
		bv := batteryView{ID: b}
		for _, f := range form.Fields {
			if strings.HasPrefix(f.Key, "meter."+b+".") {
				bv.Meter = append(bv.Meter, field(f.Key))
			}
			if strings.HasPrefix(f.Key, "test."+b+".") {
				bv.Tests = append(bv.Tests, field(f.Key))
			}
		}
		v.Batteries = append(v.Batteries, bv)
	}
	v.Feed, v.Motor = []fieldView{field("meter.feed.voltage_v")}, []fieldView{
		field("meter.motor.voltage_v"), field("meter.motor.current_a"),
	}
	for _, k := range visit.WorkKinds {
		if k != visit.ChannelCompared { // that is done on the page of checks
			v.WorkKinds = append(v.WorkKinds, view.Choice{Value: k, Text: to.Label("Work", k)})
		}
	}
	for _, w := range d.Work {
		v.Work = append(v.Work, workOf(to, w))
	}
	if snap != nil {
		for _, f := range snap.Findings {
			v.Finding = append(v.Finding, view.FindingOf(to, f, snap.At))
		}
	}
	return v
}

// SaveAnswer is what a script gets that has sent fields.
type SaveAnswer struct {
	Revision  int               `json:"revision"`
	Changed   map[string]string `json:"changed"` // fields that differ from what the page was made from
	Conflicts []Conflict        `json:"conflicts"`
	Refused   map[string]string `json:"refused"` // by key, why
}

// Conflict is a field that somebody else has changed.
type Conflict struct {
	Key   string `json:"key"`
	Saved string `json:"saved"`
	Mine  string `json:"mine"`
}

// save saves fields of the open visit.
func (p *Forms) save(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	revision, err := strconv.Atoi(r.PostForm.Get("revision"))
	if err != nil || revision < 0 {
		to := words.Of(r)
		p.site.Fail(w, r, http.StatusBadRequest, web.Message{
			Head: to.W["BadForm"], Text: to.W["BadFormMore"], Path: "/visit", Link: to.W["NavVisit"],
		})
		return
	}
	sent := map[string]string{}
	for _, f := range p.store.Form().Fields {
		if r.PostForm.Has(f.Key) {
			sent[f.Key] = r.PostForm.Get(f.Key)
		}
	}
	res, err := p.store.Save(r.PostForm.Get("id"), revision, sent, p.site.Facts())
	if err != nil {
		p.refuse(w, r, err)
		return
	}
	switch {
	case web.WantsJSON(r):
		p.site.SendJSON(w, r, http.StatusOK, p.saved(words.Of(r), res, revision))
	case len(res.Conflicts) > 0:
		p.showConflicts(w, r, res)
	case len(res.Refusals) > 0:
		p.showDraft(w, r, http.StatusUnprocessableEntity, res.Draft, res.Refusals)
	case r.PostForm.Get("then") == "report":
		http.Redirect(w, r, "/visit/report", http.StatusSeeOther)
	default:
		http.Redirect(w, r, "/visit?saved#saved", http.StatusSeeOther)
	}
}

func (p *Forms) saved(to *words.Reader, res visit.Result, revision int) SaveAnswer {
	a := SaveAnswer{
		Revision: res.Draft.Revision, Changed: map[string]string{}, Conflicts: []Conflict{},
		Refused: map[string]string{},
	}
	for _, c := range res.Draft.Log {
		if c.Revision > revision && !c.Refused {
			a.Changed[c.Key] = res.Draft.Fields[c.Key]
		}
	}
	for _, c := range res.Conflicts {
		a.Conflicts = append(a.Conflicts, Conflict{c.Key, c.Saved, c.Mine})
	}
	for _, f := range res.Refusals {
		a.Refused[f.Key] = trouble(to, p.store.Form().Field(f.Key), f.Why)
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

type conflictsView struct {
	W         map[string]string
	Draft     *visit.Draft
	Conflicts []conflictView
	Refusals  []refusalView
}

type conflictView struct {
	fieldView
	Where             string
	SavedText, Saved  string
	MineText, Mine    string
	BaseText, ID1, I2 string
}

// showConflicts lets the technician choose where somebody else has changed the same field. What
// could be saved has been.
func (p *Forms) showConflicts(w http.ResponseWriter, r *http.Request, res visit.Result) {
	to, form := words.Of(r), p.store.Form()
	v := conflictsView{W: to.W, Draft: res.Draft}
	text := func(f *visit.Field, value string) string {
		switch {
		case value == "":
			return to.W["Empty"]
		case f.Kind == visit.Choice:
			return to.Label("Choice", value)
		}
		return value
	}
	for _, c := range res.Conflicts {
		f := form.Field(c.Key)
		cv := conflictView{fieldView: inputOf(to, f, c.Saved), Where: where(to,
			form, c.Key,
		), Saved: c.Saved, Mine: c.Mine,
			SavedText: text(f, c.Saved), MineText: text(f, c.Mine), BaseText: text(f, c.Base)}
		v.Conflicts = append(v.Conflicts, cv)
	}
	for _, f := range res.Refusals {
		field := form.Field(f.Key)
		v.Refusals = append(v.Refusals, refusalView{
			Label: where(to, form, f.Key), Value: f.Value, Why: trouble(to, field, f.Why),
		})
	}
	p.site.Show(w, r, http.StatusConflict, web.Content{
		Template: "conflicts", Data: v, Title: to.W["ConflictTitle"], Nav: "/visit",
	})
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
	p.noteWork(w, r, work, "/visit#work")
}

func (p *Forms) noteWork(w http.ResponseWriter, r *http.Request, work visit.Work, next string) {
	to, form := words.Of(r), p.store.Form()
	kinds := slices.Contains(visit.WorkKinds, work.Kind)
	battery := work.Kind == visit.BatteryReplaced
	switch {
	case !kinds || battery && !slices.Contains(form.Batteries, work.Subject) || !battery && work.Subject != "":
		p.site.Fail(w, r, http.StatusUnprocessableEntity, web.Message{
			Head: to.W["WantWork"], Path: "/visit#work", Link: to.W["NavVisit"],
		})
		return
	case utf8.RuneCountInString(work.Note) > visit.NoteLimit:
		p.site.Show(w, r, http.StatusUnprocessableEntity, web.Content{
			Template: "too-long", Data: tooLong{to.W, words.Fill(to.W["NoteLength"], "n", "2000"), work.Note},
			Title: to.W["BadForm"],
		})
		return
	case len(work.ID) < 8 || len(work.ID) > 64:
		p.site.Fail(w, r, http.StatusBadRequest, web.Message{
			Head: to.W["BadForm"], Text: to.W["BadFormMore"], Path: "/visit", Link: to.W["NavVisit"],
		})
		return
	}
	if _, err := p.store.AddWork(r.Context(), r.PostForm.Get("id"), work, p.site.Facts()); err != nil {
		p.refuse(w, r, err)
		return
	}
	http.Redirect(w, r, next, http.StatusSeeOther)
}

type tooLong struct {
	W         map[string]string
	Why, Text string
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
	v, err := p.store.Finish(id, p.site.Facts())
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
