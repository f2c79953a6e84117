package page

import (
	"bytes"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"liftbank/agent/visit"
)

// parseNumber reads a figure as people type it.
func parseNumber(text string) (float64, bool) { return visit.ParseNumber(text) }

// tidyText returns one line of at most that many characters.
func tidyText(text string, most int) string {
	text = visit.Tidy(text, false)
	if utf8.RuneCountInString(text) > most {
		text = string([]rune(text)[:most])
	}
	return text
}

// facts returns what the agent knows now.
func (s *Server) facts() visit.Facts {
	f := visit.Facts{At: s.opts.Now().UTC(), Snapshot: s.opts.Hub.Current()}
	if f.Snapshot != nil {
		f.ClockTrusted = f.Snapshot.ClockTrusted
		if s.opts.Hub.Age() < s.opts.StaleAfter {
			f.At = f.Snapshot.At // the unit's own time, which a demonstration's runs faster
		}
	}
	return f
}

// draftView is the page of a visit under way.
type draftView struct {
	W            map[string]string
	To           *reader
	Draft        *visit.Draft
	Areas        []areaView
	Batteries    []batteryView
	Feed, Motor  []fieldView
	By, Place    fieldView
	Oil          []fieldView
	Note         fieldView
	WorkKinds    []choice
	BatteryNames []string
	Work         []workView
	Finding      []findingView
	Token        string
	Refusals     []refusalView
	Saved        string
	Since        string
	Checked, Of  int
}

type areaView struct {
	visit.Area
	Title, Caution string
	Items          []itemView
	Checked, Of    int
	Attention      int
}

type itemView struct {
	Text                 string
	Key, Unit            string
	State                fieldView
	Note, Reading, Photo fieldView
	Open                 bool // something stands in the details
}

type batteryView struct {
	ID           string
	Meter, Tests []fieldView
}

// fieldView is one input.
type fieldView struct {
	Key, ID     string
	Label, Unit string
	Value       string
	Agents      string // the agent's figure now
	Choices     []choice
	Error       string
	Multi       bool
	Decimal     bool
}

type workView struct {
	visit.Work
	Text, At, State string
}

type refusalView struct{ Label, Value, Why, ID string }

// visitPage is the visit under way, or the way to begin one.
func (s *Server) visitPage(w http.ResponseWriter, r *http.Request) {
	to := readerOf(r)
	if s.opts.Visits == nil {
		s.show(w, r, http.StatusOK, content{
			template: "no-visits", data: message{W: to.W}, title: to.W["VisitTitle"], nav: "/visit",
		})
		return
	}
	d := s.opts.Visits.Draft()
	if d == nil {
		s.showBegin(w, r, http.StatusOK, "")
		return
	}
	s.showDraft(w, r, http.StatusOK, d, nil)
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

func (s *Server) showBegin(w http.ResponseWriter, r *http.Request, status int, problem string) {
	to := readerOf(r)
	v := beginView{
		W: to.W, Token: s.token(), Error: problem, By: r.PostForm.Get("by"), NoPIN: s.opts.PIN == nil,
		Damaged: s.opts.Visits.Damaged(),
	}
	last, _, err := s.opts.Visits.List(3)
	if err != nil {
		s.opts.Log.Error("visits can't be read", "err", err)
	}
	v.Last = s.heads(to, last)
	s.show(w, r, status, content{template: "begin", data: v, title: to.W["VisitTitle"], nav: "/visit"})
}

// beginVisit begins a visit, or leads to the one under way.
func (s *Server) beginVisit(w http.ResponseWriter, r *http.Request) {
	if !s.forVisit(w, r) {
		return
	}
	to := readerOf(r)
	_, err := s.opts.Visits.Begin(r.PostForm.Get("by"), s.token(), s.facts())
	switch {
	case errors.Is(err, visit.ErrNoName):
		s.showBegin(w, r, http.StatusUnprocessableEntity, to.W["WantName"])
	case err != nil && !errors.Is(err, visit.ErrVisitOpen):
		s.renderFailed(w, r, err)
	default:
		http.Redirect(w, r, "/visit", http.StatusSeeOther)
	}
}

// forVisit lets a form about a visit pass.
func (s *Server) forVisit(w http.ResponseWriter, r *http.Request) bool {
	if !s.readForm(w, r) {
		return false
	}
	if s.opts.Visits == nil {
		to := readerOf(r)
		s.fail(w, r, http.StatusServiceUnavailable, message{Head: to.W["NoVisits"]})
		return false
	}
	return s.authorize(w, r)
}

func (s *Server) showDraft(
	w http.ResponseWriter, r *http.Request, status int, d *visit.Draft, refusals []visit.Refusal,
) {
	to := readerOf(r)
	v := s.draftView(to, d, refusals)
	if r.URL.Query().Has("saved") {
		v.Saved = to.W["SavedAll"]
	}
	s.show(w, r, status, content{
		template: "draft", data: v, title: to.W["VisitTitle"], nav: "/visit", scripts: []string{"visit.js"},
	})
}

func (s *Server) draftView(to *reader, d *visit.Draft, refusals []visit.Refusal) *draftView {
	form, snap := s.opts.Visits.Form(), s.opts.Hub.Current()
	v := &draftView{
		W: to.W, To: to, Draft: d, Token: s.token(), BatteryNames: form.Batteries,
		Since: timeOfDay(d.Begun, s.facts().At),
	}
	wrong := map[string]visit.Refusal{}
	for _, f := range refusals {
		wrong[f.Key] = f
	}
	field := func(key string) fieldView {
		f := to.fieldView(form.Field(key), d.Fields[key])
		if r, is := wrong[key]; is {
			f.Value, f.Error = r.Value, to.trouble(form.Field(key), r.Why)
			v.Refusals = append(v.Refusals, refusalView{f.Label, r.Value, f.Error, f.ID})
		}
		if rest, meter := strings.CutPrefix(key, "meter."); meter {
			subject, figure, _ := strings.Cut(rest, ".")
			if a := visit.AgentFigure(snap, subject, figure); a != nil {
				f.Agents = number(*a, 0) + " " + form.Field(key).Unit // in the unit that the field takes
			}
		}
		return f
	}
	v.By, v.Place, v.Note = field("by"), field("place"), field("note")
	v.Oil = []fieldView{field("oil.level"), field("oil.position"), field("oil.note")}
	for _, a := range form.Areas {
		area := to.areaView(a, field)
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
			v.WorkKinds = append(v.WorkKinds, choice{Value: k, Text: to.label("Work", k)})
		}
	}
	for _, w := range d.Work {
		v.Work = append(v.Work, to.workView(w))
	}
	if snap != nil {
		for _, f := range snap.Findings {
			v.Finding = append(v.Finding, to.viewFinding(f, snap.At))
		}
	}
	return v
}

func (to *reader) areaView(a visit.Area, field func(string) fieldView) areaView {
	v := areaView{Area: a, Title: to.translate(a.Title), Of: len(a.Items)}
	if a.Caution != "" {
		v.Caution = to.label("Caution", a.Caution)
	}
	for _, i := range a.Items {
		key := visit.ItemKey(a.ID, i.ID)
		item := itemView{
			Text: to.translate(i.Text), Key: key, Unit: i.Unit,
			State: field(key + ".state"), Note: field(key + ".note"), Reading: field(
				key + ".reading",
			), Photo: field(key + ".photo"),
		}
		item.Reading.Unit = i.Unit
		for _, f := range []fieldView{item.Note, item.Reading, item.Photo} {
			item.Open = item.Open || f.Value+f.Error != ""
		}
		switch item.State.Value {
		case "ok":
			v.Checked++
		case "attention":
			v.Checked++
			v.Attention++
		}
		v.Items = append(v.Items, item)
	}
	return v
}

// fieldView returns an input for a field.
func (to *reader) fieldView(f *visit.Field, value string) fieldView {
	last := f.Key[strings.LastIndexByte(f.Key, '.')+1:]
	section, _, _ := strings.Cut(f.Key, ".")
	label, ok := to.W["Field."+section+"."+last]
	if !ok {
		label = to.label("Field", last)
	}
	v := fieldView{
		Key: f.Key, ID: "f-" + strings.ReplaceAll(
			f.Key, ".", "-",
		), Label: label, Unit: f.Unit, Value: value, Multi: f.Kind == visit.Note, Decimal: f.Kind == visit.Number,
	}
	for _, c := range f.Choices {
		v.Choices = append(v.Choices, choice{Value: c, Text: to.label("Choice", c), Chosen: c == value})
	}
	return v
}

func (to *reader) trouble(f *visit.Field, why visit.Problem) string {
	limit := visit.TextLimit
	if f.Kind == visit.Note {
		limit = visit.NoteLimit
	}
	return fill(
		to.label("Trouble", string(why)), "n", strconv.Itoa(limit), "min", number(f.Min, 0), "max", number(f.Max, 0),
		"unit", f.Unit,
	)
}

func (to *reader) workView(w visit.Work) workView {
	v := workView{
		Work: w, Text: to.label("Work", w.Kind), At: w.At.UTC().Format("2006-01-02 15:04 UTC"),
		State: to.W["WorkNoted"],
	}
	if w.Subject != "" {
		v.Text += " " + w.Subject
	}
	switch {
	case w.Error != "":
		v.State = to.W["WorkFailed"] + " " + w.Error
	case w.Acted:
		v.State = to.W["WorkActed"]
	}
	return v
}

// saveAnswer is what a script gets that has sent fields.
type saveAnswer struct {
	Revision  int               `json:"revision"`
	Changed   map[string]string `json:"changed"` // fields that differ from what the page was made from
	Conflicts []conflictAnswer  `json:"conflicts"`
	Refused   map[string]string `json:"refused"` // by key, why
}

type conflictAnswer struct {
	Key   string `json:"key"`
	Saved string `json:"saved"`
	Mine  string `json:"mine"`
}

// saveVisit saves fields of the open visit.
func (s *Server) saveVisit(w http.ResponseWriter, r *http.Request) {
	if !s.forVisit(w, r) {
		return
	}
	revision, err := strconv.Atoi(r.PostForm.Get("revision"))
	if err != nil || revision < 0 {
		to := readerOf(r)
		s.fail(w, r, http.StatusBadRequest, message{
			Head: to.W["BadForm"], Text: to.W["BadFormMore"], Path: "/visit", Link: to.W["NavVisit"],
		})
		return
	}
	sent := map[string]string{}
	for _, f := range s.opts.Visits.Form().Fields {
		if r.PostForm.Has(f.Key) {
			sent[f.Key] = r.PostForm.Get(f.Key)
		}
	}
	res, err := s.opts.Visits.Save(r.PostForm.Get("id"), revision, sent, s.facts())
	if err != nil {
		s.visitError(w, r, err)
		return
	}
	switch {
	case wantsJSON(r):
		s.sendJSON(w, r, http.StatusOK, s.saveAnswer(readerOf(r), res, revision))
	case len(res.Conflicts) > 0:
		s.showConflicts(w, r, res)
	case len(res.Refusals) > 0:
		s.showDraft(w, r, http.StatusUnprocessableEntity, res.Draft, res.Refusals)
	case r.PostForm.Get("then") == "report":
		http.Redirect(w, r, "/visit/report", http.StatusSeeOther)
	default:
		http.Redirect(w, r, "/visit?saved#saved", http.StatusSeeOther)
	}
}

func (s *Server) saveAnswer(to *reader, res visit.Result, revision int) saveAnswer {
	a := saveAnswer{
		Revision: res.Draft.Revision, Changed: map[string]string{}, Conflicts: []conflictAnswer{},
		Refused: map[string]string{},
	}
	for _, c := range res.Draft.Log {
		if c.Revision > revision && !c.Refused {
			a.Changed[c.Key] = res.Draft.Fields[c.Key]
		}
	}
	for _, c := range res.Conflicts {
		a.Conflicts = append(a.Conflicts, conflictAnswer{c.Key, c.Saved, c.Mine})
	}
	for _, f := range res.Refusals {
		a.Refused[f.Key] = to.trouble(s.opts.Visits.Form().Field(f.Key), f.Why)
	}
	return a
}

// visitError shows why a change of a visit was not accepted.
func (s *Server) visitError(w http.ResponseWriter, r *http.Request, err error) {
	to := readerOf(r)
	m := message{Path: "/visit", Link: to.W["NavVisit"]}
	switch {
	case errors.Is(err, visit.ErrNoDraft), errors.Is(err, visit.ErrWrongVisit):
		m.Head, m.Text = to.W["VisitOver"], to.W["VisitOverMore"]
		s.fail(w, r, http.StatusConflict, m)
	case errors.Is(err, visit.ErrNoName):
		m.Head = to.W["WantName"]
		s.fail(w, r, http.StatusUnprocessableEntity, m)
	default:
		s.opts.Log.Error("visit not saved", "err", err)
		m.Head, m.Text = to.W["NotKept"], to.W["NotKeptMore"]
		s.fail(w, r, http.StatusInternalServerError, m)
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
func (s *Server) showConflicts(w http.ResponseWriter, r *http.Request, res visit.Result) {
	to, form := readerOf(r), s.opts.Visits.Form()
	v := conflictsView{W: to.W, Draft: res.Draft}
	text := func(f *visit.Field, value string) string {
		switch {
		case value == "":
			return to.W["Empty"]
		case f.Kind == visit.Choice:
			return to.label("Choice", value)
		}
		return value
	}
	for _, c := range res.Conflicts {
		f := form.Field(c.Key)
		cv := conflictView{fieldView: to.fieldView(f, c.Saved), Where: to.where(
			form, c.Key,
		), Saved: c.Saved, Mine: c.Mine,
			SavedText: text(f, c.Saved), MineText: text(f, c.Mine), BaseText: text(f, c.Base)}
		v.Conflicts = append(v.Conflicts, cv)
	}
	for _, f := range res.Refusals {
		field := form.Field(f.Key)
		v.Refusals = append(v.Refusals, refusalView{
			Label: to.where(form, f.Key), Value: f.Value, Why: to.trouble(field, f.Why),
		})
	}
	s.show(w, r, http.StatusConflict, content{
		template: "conflicts", data: v, title: to.W["ConflictTitle"], nav: "/visit",
	})
}

// where returns the name of a field.
func (to *reader) where(form *visit.Form, key string) string {
	label := to.fieldView(form.Field(key), "").Label
	for _, a := range form.Areas {
		for _, i := range a.Items {
			if strings.HasPrefix(key, visit.ItemKey(a.ID, i.ID)+".") {
				return to.translate(a.Title) + ": " + to.translate(i.Text) + ": " + label
			}
		}
	}
	section, rest, more := strings.Cut(key, ".")
	if subject, _, is := strings.Cut(rest, "."); more && is {
		return to.label("Section", section) + " " + subject + ": " + label
	}
	return label
}

// addWork notes work done.
func (s *Server) addWork(w http.ResponseWriter, r *http.Request) {
	if !s.forVisit(w, r) {
		return
	}
	form := r.PostForm
	kind, subject, _ := strings.Cut(form.Get("kind"), ":")
	s.noteWork(
		w, r, visit.Work{ID: form.Get("token"), Kind: kind, Subject: subject, Note: form.Get("text")}, "/visit#work",
	)
}

func (s *Server) noteWork(w http.ResponseWriter, r *http.Request, work visit.Work, next string) {
	to, form := readerOf(r), s.opts.Visits.Form()
	kinds := slices.Contains(visit.WorkKinds, work.Kind)
	battery := work.Kind == visit.BatteryReplaced
	switch {
	case !kinds || battery && !slices.Contains(form.Batteries, work.Subject) || !battery && work.Subject != "":
		s.fail(w, r, http.StatusUnprocessableEntity, message{
			Head: to.W["WantWork"], Path: "/visit#work", Link: to.W["NavVisit"],
		})
		return
	case utf8.RuneCountInString(work.Note) > visit.NoteLimit:
		s.show(w, r, http.StatusUnprocessableEntity, content{
			template: "too-long", data: tooLong{to.W, fill(to.W["NoteLength"], "n", "2000"), work.Note},
			title: to.W["BadForm"],
		})
		return
	case len(work.ID) < 8 || len(work.ID) > 64:
		s.fail(w, r, http.StatusBadRequest, message{
			Head: to.W["BadForm"], Text: to.W["BadFormMore"], Path: "/visit", Link: to.W["NavVisit"],
		})
		return
	}
	if _, err := s.opts.Visits.AddWork(r.Context(), r.PostForm.Get("id"), work, s.facts()); err != nil {
		s.visitError(w, r, err)
		return
	}
	http.Redirect(w, r, next, http.StatusSeeOther)
}

type tooLong struct {
	W         map[string]string
	Why, Text string
}

// noteComparison puts what the technician's meter said of a channel into the visit: the figure
// beside the agent's, and the line for the configuration that would bring them together.
func (s *Server) noteComparison(w http.ResponseWriter, r *http.Request) {
	if !s.forVisit(w, r) {
		return
	}
	to, form := readerOf(r), r.PostForm
	snap, d := s.opts.Hub.Current(), s.opts.Visits.Draft()
	if d == nil || snap == nil {
		s.visitError(w, r, visit.ErrNoDraft)
		return
	}
	for _, c := range snap.Channels {
		if c.Name != form.Get("channel") {
			continue
		}
		v := to.compare(c, s.opts.Calibration[c.Name], form.Get("meter"))
		if v.Error != "" {
			s.fail(w, r, http.StatusUnprocessableEntity, message{
				Head: v.Error, Path: "/check#compare", Link: to.W["NavCheck"],
			})
			return
		}
		line := v.Offset
		if form.Get("use") == "gain" && v.Gain != "" {
			line = v.Gain
		}
		note := fmt.Sprintf("%s: meter %s, agent %s (%s); calibration: {%s}", c.Name, v.Mine, v.Agents, v.Differs, line)
		r.PostForm.Set("id", d.ID)
		s.noteWork(w, r, visit.Work{ID: form.Get("token"), Kind: visit.ChannelCompared, Note: note}, "/visit#work")
		return
	}
	s.fail(w, r, http.StatusUnprocessableEntity, message{
		Head: to.W["ChannelSilent"], Path: "/check#compare", Link: to.W["NavCheck"],
	})
}

// finishVisit ends the visit and shows its report.
func (s *Server) finishVisit(w http.ResponseWriter, r *http.Request) {
	if !s.forVisit(w, r) {
		return
	}
	id := r.PostForm.Get("id")
	if v, err := s.opts.Visits.Get(id); err == nil { // sent twice
		http.Redirect(w, r, "/visits/"+v.ID, http.StatusSeeOther)
		return
	}
	v, err := s.opts.Visits.Finish(id, s.facts())
	if errors.Is(err, visit.ErrNotSent) {
		s.opts.Log.Warn("visit saved, not forwarded yet", "visit", v.ID, "err", err)
		err = nil
	}
	if err != nil {
		s.visitError(w, r, err)
		return
	}
	http.Redirect(w, r, "/visits/"+v.ID, http.StatusSeeOther)
}

func (s *Server) discardVisit(w http.ResponseWriter, r *http.Request) {
	if !s.forVisit(w, r) {
		return
	}
	if err := s.opts.Visits.Discard(r.PostForm.Get("id")); err != nil {
		s.visitError(w, r, err)
		return
	}
	http.Redirect(w, r, "/visit", http.StatusSeeOther)
}

type headView struct {
	ID, Path, When, By, Place string
	Attention, Findings       int
}

func (s *Server) heads(to *reader, visits []*visit.Visit) []headView {
	var out []headView
	for _, v := range visits {
		h := headView{
			ID: v.ID, Path: "/visits/" + url.PathEscape(v.ID), When: timeOfDay(v.Finished, s.facts().At), By: v.By,
			Place: v.Place, Findings: len(v.Findings),
		}
		for _, a := range v.Areas {
			for _, i := range a.Items {
				if i.State == "attention" {
					h.Attention++
				}
			}
		}
		out = append(out, h)
	}
	return out
}

type visitsView struct {
	W     map[string]string
	Heads []headView
	All   int
}

const visitsShown = 100

// visits lists the finished visits.
func (s *Server) visits(w http.ResponseWriter, r *http.Request) {
	to := readerOf(r)
	v := visitsView{W: to.W}
	if s.opts.Visits != nil {
		list, all, err := s.opts.Visits.List(visitsShown)
		if err != nil {
			s.renderFailed(w, r, err)
			return
		}
		v.Heads, v.All = s.heads(to, list), all
	}
	s.show(w, r, http.StatusOK, content{template: "visits", data: v, title: to.W["VisitsTitle"], nav: "/visit"})
}

// visitFile sends a finished visit: as a report, or with .json or .csv after its name as data.
func (s *Server) visitFile(w http.ResponseWriter, r *http.Request) {
	to := readerOf(r)
	id, form := r.PathValue("id"), ""
	for _, ext := range []string{".json", ".csv"} {
		if base, is := strings.CutSuffix(id, ext); is {
			id, form = base, ext
		}
	}
	err := error(visit.ErrNone)
	var v *visit.Visit
	if s.opts.Visits != nil {
		v, err = s.opts.Visits.Get(id)
	}
	if err != nil {
		if !errors.Is(err, visit.ErrNone) {
			s.opts.Log.Error("visit can't be read", "visit", id, "err", err)
		}
		s.say(w, r, http.StatusNotFound, message{
			Head: to.W["NotFound"], Text: to.W["NoSuchVisit"], Path: "/visits", Link: to.W["VisitsTitle"],
		})
		return
	}
	switch form {
	case ".json":
		w.Header().Set("Content-Disposition", `attachment; filename="`+id+`.json"`)
		s.sendJSON(w, r, http.StatusOK, v)
	case ".csv":
		var b bytes.Buffer
		if err := v.WriteCSV(&b); err != nil {
			s.renderFailed(w, r, err)
			return
		}
		w.Header().Set("Content-Disposition", `attachment; filename="`+id+`.csv"`)
		send(w, r, http.StatusOK, "text/csv; charset=utf-8", b.Bytes())
	default:
		s.showReport(w, r, v, false)
	}
}

// previewReport shows the report of the visit under way, with the way to finish it.
func (s *Server) previewReport(w http.ResponseWriter, r *http.Request) {
	if s.opts.Visits == nil || s.opts.Visits.Draft() == nil {
		http.Redirect(w, r, "/visit", http.StatusSeeOther)
		return
	}
	s.showReport(w, r, s.opts.Visits.Draft().Preview(s.opts.Visits.Form(), s.facts()), true)
}

const visitsSchema = "liftbank.visits.v1"

type visitsAnswer struct {
	Schema string         `json:"schema"`
	All    int            `json:"all"`
	Visits []*visit.Visit `json:"visits"` // newest first
}

// apiVisits returns finished visits, newest first: at most ?limit=, by default 20.
func (s *Server) apiVisits(w http.ResponseWriter, r *http.Request) {
	limit := 20
	if text := r.URL.Query().Get("limit"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > visitsShown {
			s.sendJSON(w, r, http.StatusBadRequest, errorAnswer{
				fmt.Sprintf("limit: %q: want 1 to %d", text, visitsShown),
			})
			return
		}
		limit = n
	}
	a := visitsAnswer{Schema: visitsSchema, Visits: []*visit.Visit{}}
	if s.opts.Visits != nil {
		list, all, err := s.opts.Visits.List(limit)
		if err != nil {
			s.renderFailed(w, r, err)
			return
		}
		a.Visits, a.All = append(a.Visits, list...), all
	}
	s.sendJSON(w, r, http.StatusOK, a)
}

// apiVisit returns one finished visit.
func (s *Server) apiVisit(w http.ResponseWriter, r *http.Request) {
	if s.opts.Visits != nil {
		if v, err := s.opts.Visits.Get(r.PathValue("id")); err == nil {
			s.sendJSON(w, r, http.StatusOK, v)
			return
		}
	}
	s.sendJSON(w, r, http.StatusNotFound, errorAnswer{"no such visit"})
}
