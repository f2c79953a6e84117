package page

import (
	"context"
	"errors"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/view"
	"liftbank/agent/page/visits"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	settings "liftbank/agent/technician"
	"liftbank/agent/visit"
	"liftbank/rules"
	"liftbank/rules/leadacid"
)

// Settings are what can be set at the unit over its configuration.
type Settings interface {
	// Settings returns all of them as they hold, and what was changed, oldest first; ok is false while
	// they can't be read or kept.
	Settings() (all []settings.Effective, journal []settings.Entry, ok bool)
	// SetSettings changes some, on the card and in the running agent. After an error nothing has changed.
	SetSettings(ctx context.Context, c settings.Change) ([]settings.Entry, error)
	// UndoSetting takes a change back, with a new one in the journal.
	UndoSetting(ctx context.Context, seq int, by, id string) ([]settings.Entry, error)
}

// settingPages are the list of settings, the form of one, and the way back.
type settingPages struct {
	site   *web.Site
	access *web.Access
	store  *visit.Store // nil: visits are not kept
	set    Settings     // nil: nothing can be set
}

// Routes registers the pages, and the same for programs.
func (p *settingPages) Routes(mux *http.ServeMux) {
	mux.HandleFunc("GET /settings", p.page)
	mux.HandleFunc("GET /settings/change", p.changePage)
	mux.HandleFunc("GET /settings/undo", p.undoPage)
	mux.HandleFunc("POST /settings", p.change)
	mux.HandleFunc("POST /settings/undo", p.undo)
	mux.HandleFunc("GET /api/v1/settings", p.list)
	mux.HandleFunc("POST /api/v1/settings", p.change)
	mux.HandleFunc("POST /api/v1/settings/undo", p.undo)
}

// settingGroup is the settings of one group.
type settingGroup struct {
	ID, Title, Intro string
	Rows             []settingRow
}

// settingRow is one setting as it holds.
type settingRow struct {
	ID, Path, Name  string
	Value, From     string
	Accepts, Unused string
	Change          string // where it is changed; empty: elsewhere
}

// journalRow is one change.
type journalRow struct {
	Seq            int
	When, By, What string
	Old, New       string
	Note           string // why it can't be undone, or what it undid
	Undo           string // where it is undone
}

type settingsView struct {
	W         map[string]string
	To        *words.Reader
	Error     string
	Done      string
	NoPIN     bool
	Groups    []settingGroup
	Journal   []journalRow
	More      int // older changes
	Draft     bool
	JournalOf string
}

// mostJournal is how many changes the page lists; programs get all.
const mostJournal = 50

func (p *settingPages) page(w http.ResponseWriter, r *http.Request) {
	p.show(w, r, http.StatusOK, "")
}

func (p *settingPages) show(w http.ResponseWriter, r *http.Request, status int, problem string) {
	to := words.Of(r)
	v := settingsView{W: to.W, To: to, Error: problem, NoPIN: p.site.PIN == nil, Draft: p.draft() != nil}
	if p.set == nil {
		v.Error = to.W["SettingsNone"]
	} else {
		all, journal, ok := p.set.Settings()
		if !ok {
			v.Error = to.W["SettingsUnread"]
		}
		v.Groups = settingGroups(to, all, ok && p.site.PIN != nil)
		p.placeByVisit(to, v.Groups)
		for _, e := range slices.Backward(journal) {
			if len(v.Journal) == mostJournal {
				v.More = len(journal) - mostJournal
				break
			}
			v.Journal = append(v.Journal, journalOf(to, all, journal, e, ok && p.site.PIN != nil))
		}
		if seq, err := strconv.Atoi(r.URL.Query().Get("saved")); err == nil {
			v.Done = savedText(to, all, journal, seq)
		}
	}
	p.site.Show(w, r, status, web.Content{Template: "settings", Data: v, Title: to.W["SettingsTitle"], Nav: "/visit"})
}

// placeByVisit says where the bar has the unit's place from where nobody has set it.
func (p *settingPages) placeByVisit(to *words.Reader, all []settingGroup) {
	for _, g := range all {
		for i := range g.Rows {
			if r := &g.Rows[i]; r.Path == "unit.place" && r.Value == to.W["SetEmpty"] && p.site.At() != "" {
				r.Value = words.Fill(to.W["SetPlaceByVisit"], "place", p.site.At())
			}
		}
	}
}

// savedText says what the change before the page was made did.
func savedText(to *words.Reader, all []settings.Effective, journal []settings.Entry, seq int) string {
	i := slices.IndexFunc(journal, func(e settings.Entry) bool { return e.Seq == seq })
	if i < 0 {
		return ""
	}
	k := journalOf(to, all, journal, journal[i], false)
	return words.Fill(to.W["SettingSaved"], "what", k.What, "old", k.Old, "new", k.New)
}

// settingGroups returns settings for the list, in groups.
func settingGroups(to *words.Reader, all []settings.Effective, change bool) (list []settingGroup) {
	for _, g := range settings.Groups {
		group := settingGroup{ID: string(g), Title: to.Label("SetGroup", string(g)), Intro: to.W["SetIntro."+string(g)]}
		if g == "" {
			group.ID, group.Title = "other", to.W["SetGroup.other"]
		}
		for i := range all {
			if all[i].Group == g && !all[i].Neutral() {
				group.Rows = append(group.Rows, rowOf(to, &all[i], change))
			}
		}
		if len(group.Rows) > 0 {
			list = append(list, group)
		}
	}
	return list
}

func rowOf(to *words.Reader, e *settings.Effective, change bool) settingRow {
	row := settingRow{
		ID: "s-" + strings.ReplaceAll(e.Path, ".", "-"), Path: e.Path, Name: visits.SettingName(to, e.Path),
		Value: settingValue(to, e, e.Value), From: to.W["FromConfiguration"], Accepts: acceptsText(to, e),
	}
	if e.Origin == settings.FromTechnician {
		row.From = words.Fill(to.W["FromTechnician"], "by", e.By, "date", dateOf(e.At))
		if e.Base != "" {
			row.From += " " + words.Fill(to.W["FromBase"], "value", settingValue(to, e, e.Base))
		}
	}
	if e.Unused != "" {
		row.Unused = to.W["SettingUnused"] + " " + e.Unused
	}
	if channel, _, is := settings.CorrectionOf(e.Path); is && change {
		row.Change = pathChannel + url.PathEscape(channel)
	}
	if change && !e.Fixed {
		row.Change = "/settings/change?" + url.Values{"path": {e.Path}}.Encode()
	}
	return row
}

func dateOf(t time.Time) string {
	if t.IsZero() {
		return figures.Unknown
	}
	return t.UTC().Format(time.DateOnly)
}

// settingValue returns a value with its unit.
func settingValue(to *words.Reader, e *settings.Effective, value string) string {
	switch {
	case value == "" && e.Kind == settings.Text:
		return to.W["SetEmpty"]
	case e.Kind == settings.Choice:
		return to.Label("Choice", value)
	case value == "0" && e.Group == settings.Service:
		return to.W["SetNotWatched"]
	}
	if x, err := strconv.ParseFloat(value, 64); err == nil && e.Kind != settings.Text {
		value = grouped(x, decimalsIn(value))
	}
	return strings.TrimSpace(value + "\u00a0" + e.Unit)
}

// grouped returns a number with its thousands set apart.
func grouped(x float64, decimals int) string {
	whole := figures.Count(uint64(math.Abs(x)))
	_, after, more := strings.Cut(figures.Number(x, decimals), ".")
	if more {
		whole += "." + after
	}
	if x < 0 {
		whole = "−" + whole
	}
	return whole
}

func decimalsIn(value string) int {
	_, after, _ := strings.Cut(value, ".")
	return min(len(after), 2)
}

func acceptsText(to *words.Reader, e *settings.Effective) string {
	switch e.Kind {
	case settings.Choice:
		var names []string
		for _, c := range e.Choices {
			names = append(names, to.Label("Choice", c))
		}
		return words.Fill(to.W["AcceptsChoice"], "choices", strings.Join(names, ", "))
	case settings.Text:
		return words.Fill(to.W["AcceptsText"], "n", strconv.Itoa(int(e.Max)))
	case settings.Number, settings.Whole:
		text := words.Fill(to.W["AcceptsNumber"], "min", grouped(e.Min, 0), "max",
			strings.TrimSpace(grouped(e.Max, 0)+"\u00a0"+e.Unit))
		if e.Group == settings.Service {
			text += " " + to.W["AcceptsZero"]
		}
		return text
	}
	return to.W["SetElsewhere"]
}

func journalOf(
	to *words.Reader, all []settings.Effective, journal []settings.Entry, e settings.Entry, change bool,
) journalRow {
	row := journalRow{
		Seq: e.Seq, By: e.By, What: visits.SettingName(to, e.Path), Old: e.Old, New: e.New,
		When: e.At.UTC().Format("2006-01-02 15:04 UTC"),
	}
	i := slices.IndexFunc(all, func(x settings.Effective) bool { return x.Path == e.Path })
	if e.Undoes > 0 {
		row.Note = words.Fill(to.W["JournalUndid"], "n", strconv.Itoa(e.Undoes))
	}
	if i < 0 {
		if strings.HasPrefix(e.Path, "passport.") { // the whole label, which the visit's page has
			row.Old, row.New = "", ""
		}
		return row
	}
	row.Old, row.New = settingValue(to, &all[i], e.Old), settingValue(to, &all[i], e.New)
	switch undone := slices.ContainsFunc(journal, func(x settings.Entry) bool { return x.Undoes == e.Seq }); {
	case undone:
		row.Note = strings.TrimSpace(row.Note + " " + to.W["JournalUndone"])
	case all[i].Fixed:
	case all[i].Value != e.New:
		row.Note = strings.TrimSpace(row.Note + " " + to.W["JournalChanged"])
	case change:
		row.Undo = "/settings/undo?" + url.Values{"seq": {strconv.Itoa(e.Seq)}}.Encode()
	}
	return row
}

// draft returns the visit under way, nil for none.
func (p *settingPages) draft() *visit.Draft {
	if p.store == nil {
		return nil
	}
	return p.store.Draft()
}

// changeView is the form of one setting.
type changeView struct {
	W                 map[string]string
	To                *words.Reader
	Row               settingRow
	Error             string
	Value, Seen, Mode string
	Shown             string // the value as it is read, on the second tap
	Choices           []view.Choice
	By, Token, Pin    string
	AskPIN, Ask       bool
	Again             []string // what a rating that is put right has learned again
	Total             string
	Conflict          *settingConflict
}

// settingConflict is what two have set.
type settingConflict struct{ Before, Saved, By, Mine string }

func (p *settingPages) changePage(w http.ResponseWriter, r *http.Request) {
	to := words.Of(r)
	path := r.URL.Query().Get("path")
	e, ok := p.find(path)
	if !ok {
		p.site.Say(w, r, http.StatusNotFound, web.Message{
			Head: to.W["NotFound"], Text: to.W["NoSuchSetting"], Path: "/settings", Link: to.W["SettingsTitle"],
		})
		return
	}
	p.showChange(w, r, http.StatusOK, e, changeView{Value: e.Value, Seen: e.Value})
}

// find returns a setting that can be changed here.
func (p *settingPages) find(path string) (*settings.Effective, bool) {
	if p.set == nil {
		return nil, false
	}
	all, _, _ := p.set.Settings()
	i := slices.IndexFunc(all, func(e settings.Effective) bool { return e.Path == path && !e.Fixed })
	if i < 0 {
		return nil, false
	}
	return &all[i], true
}

func (p *settingPages) showChange(w http.ResponseWriter, r *http.Request, status int, e *settings.Effective, v changeView) {
	to := words.Of(r)
	v.W, v.To, v.Row, v.Token = to.W, to, rowOf(to, e, false), web.Token()
	v.AskPIN = p.asksPIN(r)
	if v.By == "" {
		v.By = p.nameFor(r)
	}
	for _, c := range e.Choices {
		v.Choices = append(v.Choices, view.Choice{Value: c, Text: to.Label("Choice", c), Chosen: c == v.Value})
	}
	v.Mode = "text"
	switch {
	case e.Kind == settings.Whole:
		v.Mode = "numeric"
	case e.Kind == settings.Number:
		v.Mode = "decimal"
	}
	if snap := p.site.Hub.Current(); snap != nil && e.Group == settings.Counter {
		v.Total = words.Fill(to.W["CounterOwn"], "cycles", figures.Count(snap.Motor.LiftCycles), "runs",
			figures.Count(snap.Motor.Runs), "hours", short(snap.Motor.RunTimeS/3600, 1))
	}
	p.site.Show(w, r, status, web.Content{Template: "setting", Data: v, Title: v.Row.Name, Nav: "/visit"})
}

// asksPIN reports whether a form asks for the PIN: whoever has sent it once has a session by now.
func (p *settingPages) asksPIN(r *http.Request) bool {
	return p.site.PIN != nil && !p.site.SignedIn(r) && r.Method != http.MethodPost
}

// nameFor returns the name that a form begins with.
func (p *settingPages) nameFor(r *http.Request) string {
	if by := tidyText(r.PostForm.Get("by"), 120); by != "" {
		return by
	}
	if name := visits.NameOf(r); name != "" {
		return name
	}
	if d := p.draft(); d != nil {
		return d.Fields["by"]
	}
	return ""
}

// SettingsAnswer is what programs are told of the settings.
type SettingsAnswer struct {
	Settings []settings.Effective `json:"settings"`
	Journal  []settings.Entry     `json:"journal"` // newest first
	Changed  []settings.Entry     `json:"changed,omitempty"`
}

// ConflictAnswer is what a program is told whose change came after another one's.
type ConflictAnswer struct {
	Error string             `json:"error"`
	Seen  string             `json:"seen"`
	Mine  string             `json:"mine"`
	Now   settings.Effective `json:"now"`
}

func (p *settingPages) list(w http.ResponseWriter, r *http.Request) { p.answer(w, r, nil) }

func (p *settingPages) answer(w http.ResponseWriter, r *http.Request, changed []settings.Entry) {
	if p.set == nil {
		p.site.SendError(w, r, http.StatusServiceUnavailable, words.Of(r).W["SettingsNone"])
		return
	}
	all, journal, ok := p.set.Settings()
	if !ok {
		p.site.SendError(w, r, http.StatusServiceUnavailable, words.Of(r).W["SettingsUnread"])
		return
	}
	a := SettingsAnswer{Settings: all, Journal: []settings.Entry{}, Changed: changed}
	for _, e := range slices.Backward(journal) {
		a.Journal = append(a.Journal, e)
	}
	p.site.SendJSON(w, r, http.StatusOK, a)
}

// program reports whether a program asks.
func program(r *http.Request) bool {
	return web.WantsJSON(r) || strings.HasPrefix(r.URL.Path, "/api/")
}

// pass lets a form pass that may change something.
func (p *settingPages) pass(w http.ResponseWriter, r *http.Request) bool {
	if program(r) {
		r.Header.Set("Accept", web.TypeJSON) // so that all refusals are JSON
	}
	if !p.site.ReadForm(w, r) || !p.access.Authorize(w, r) {
		return false
	}
	if p.set == nil {
		p.site.Fail(w, r, http.StatusServiceUnavailable, web.Message{
			Head: words.Of(r).W["SettingsNone"], Path: "/settings", Link: words.Of(r).W["SettingsTitle"],
		})
		return false
	}
	return true
}

// change changes one setting: a rating on the second tap.
func (p *settingPages) change(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	to, form := words.Of(r), r.PostForm
	e, ok := p.find(form.Get("path"))
	if !ok {
		p.site.Fail(w, r, http.StatusUnprocessableEntity, web.Message{
			Head: to.W["BadForm"], Text: to.W["NoSuchSetting"], Path: "/settings", Link: to.W["SettingsTitle"],
		})
		return
	}
	v := changeView{Value: visit.Tidy(form.Get("value"), false), Seen: form.Get("seen"), By: tidyText(form.Get("by"), 120)}
	if !form.Has("seen") {
		v.Seen = e.Value
	}
	value, problem := understand(to, e, form.Get("value"))
	switch {
	case problem != "":
	case v.By == "":
		problem = to.W["WantName"]
	case value == e.Value && (v.Seen == e.Value || program(r)):
		problem = to.W["SettingSame"]
	}
	if problem != "" {
		p.refuse(w, r, http.StatusUnprocessableEntity, e, v, problem)
		return
	}
	if again := p.relearned(to, e, value); len(again) > 0 && form.Get("do") != "yes" {
		if program(r) {
			p.site.SendError(w, r, http.StatusUnprocessableEntity, strings.Join(again, " ")+" "+to.W["SettingSecond"])
			return
		}
		v.Again, v.Ask, v.Shown = again, true, settingValue(to, e, value)
		p.showChange(w, r, http.StatusOK, e, v)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), actLimit)
	defer cancel()
	made, err := p.set.SetSettings(ctx, settings.Change{
		Values: map[string]string{e.Path: value}, Seen: map[string]string{e.Path: v.Seen}, By: v.By, ID: tokenOf(form.Get("token")),
	})
	if clash, is := errors.AsType[*settings.Conflict](err); is {
		p.clash(w, r, clash, v)
		return
	}
	if p.failed(w, r, err, e, v) || p.unnoted(w, r, made, v.By) {
		return
	}
	p.done(w, r, made)
}

// tokenOf returns a form's token if it is one.
func tokenOf(text string) string {
	if len(text) < 8 || len(text) > 64 {
		return ""
	}
	return visit.Tidy(text, false)
}

// understand reads what was typed into the form of a setting; problem says what is wanted instead.
func understand(to *words.Reader, e *settings.Effective, typed string) (value, problem string) {
	switch e.Kind {
	case settings.Choice:
		if !slices.Contains(e.Choices, typed) {
			return "", acceptsText(to, e)
		}
		return typed, ""
	case settings.Text:
		value = visit.Tidy(typed, false)
		if len([]rune(value)) > int(e.Max) {
			return "", words.Fill(to.Label("Trouble", string(visit.TooLong)), "n", strconv.Itoa(int(e.Max)))
		}
		return value, ""
	}
	if visit.Tidy(typed, false) == "" {
		return "", acceptsText(to, e)
	}
	x, why := visit.ParseWithin(typed, e.Unit, e.Min, e.Max, e.Kind == settings.Whole)
	if why != "" {
		problem = words.Fill(to.Label("Trouble", string(why)), "min", grouped(e.Min, 0), "max", grouped(e.Max, 0),
			"unit", e.Unit)
		if problem = words.Upper(strings.TrimSpace(problem)) + "."; why != visit.OutOfSpan {
			problem += " " + acceptsText(to, e)
		}
		return "", problem
	}
	return strconv.FormatFloat(x, 'f', -1, 64), ""
}

// relearned returns what has to be learned again when a rating is put right.
func (p *settingPages) relearned(to *words.Reader, e *settings.Effective, value string) (list []string) {
	battery, what, is := settings.RatingOf(e.Path)
	if !is || value == e.Value {
		return nil
	}
	was := rules.BatteryConfig{Chemistry: leadacid.All()[0], RatedAh: 1, RatedCCA: 1}
	now := was
	switch what {
	case settings.Chemistry:
		now.Chemistry = leadacid.All()[1]
	case settings.RatedAh:
		now.RatedAh++
	default:
		now.RatedCCA++
	}
	again := rules.Relearns(was, now)
	if again.Charge {
		list = append(list, words.Fill(to.W["RelearnCharge"], "battery", battery))
	}
	if again.Resistance {
		list = append(list, words.Fill(to.W["RelearnResistance"], "battery", battery))
	}
	return append(list, to.W["RelearnKept"])
}

// refuse says what is wanted, with what was typed.
func (p *settingPages) refuse(
	w http.ResponseWriter, r *http.Request, status int, e *settings.Effective, v changeView, problem string,
) {
	if program(r) {
		p.site.SendError(w, r, status, problem)
		return
	}
	v.Error = problem
	p.showChange(w, r, status, e, v)
}

// clash shows both values; the form has this one's, and is of what stands now.
func (p *settingPages) clash(w http.ResponseWriter, r *http.Request, c *settings.Conflict, v changeView) {
	to := words.Of(r)
	if program(r) {
		p.site.SendJSON(w, r, http.StatusConflict, ConflictAnswer{to.W["SettingConflict"], c.Seen, c.Mine, c.Now})
		return
	}
	v.Conflict = &settingConflict{
		Before: settingValue(to, &c.Now, c.Seen), Saved: settingValue(to, &c.Now, c.Now.Value), By: c.Now.By,
		Mine: settingValue(to, &c.Now, c.Mine),
	}
	v.Seen = c.Now.Value
	p.showChange(w, r, http.StatusConflict, &c.Now, v)
}

// failed answers where a change was not made.
func (p *settingPages) failed(w http.ResponseWriter, r *http.Request, err error, e *settings.Effective, v changeView) bool {
	if err == nil {
		return false
	}
	to := words.Of(r)
	p.site.Log.Warn("setting not changed", "setting", e.Path, "err", err)
	status := http.StatusServiceUnavailable
	if _, refused := errors.AsType[*settings.Refused](err); refused {
		status = http.StatusUnprocessableEntity
	}
	p.refuse(w, r, status, e, v, to.W["NotTaken"]+" "+err.Error())
	return true
}

// unnoted notes changes in the open visit, and answers where that failed: the form can be sent again.
func (p *settingPages) unnoted(w http.ResponseWriter, r *http.Request, made []settings.Entry, by string) bool {
	if p.draft() == nil {
		return false
	}
	all, _, _ := p.set.Settings()
	for _, e := range made {
		s := visit.Setting{Seq: e.Seq, Path: e.Path, Old: e.Old, New: e.New}
		if i := slices.IndexFunc(all, func(x settings.Effective) bool { return x.Path == e.Path }); i >= 0 {
			s.Unit = all[i].Unit
		}
		facts := p.site.Facts()
		has, err := false, error(nil)
		if e.Undoes > 0 {
			has, err = p.store.UnnoteSetting(e.Undoes, facts)
		}
		if err == nil && !has {
			err = p.store.NoteSetting(s, by, facts)
		}
		if err != nil {
			to := words.Of(r)
			p.site.Log.Error("setting changed, and not noted in the visit", "setting", e.Path, "err", err)
			p.site.Fail(w, r, http.StatusInternalServerError, web.Message{
				Head: to.W["NotKept"], Text: to.W["SettingUnnoted"], Path: "/settings", Link: to.W["SettingsTitle"],
			})
			return true
		}
	}
	return false
}

// done answers after a change.
func (p *settingPages) done(w http.ResponseWriter, r *http.Request, made []settings.Entry) {
	if program(r) {
		p.answer(w, r, made)
		return
	}
	path := "/settings"
	if back := web.OwnPath(r.PostForm.Get("back")); r.PostForm.Get("back") != "" {
		path = back
	} else if len(made) > 0 {
		path += "?saved=" + strconv.Itoa(made[0].Seq) + "#saved"
	}
	visits.KeepName(w, r.PostForm.Get("by"))
	http.Redirect(w, r, path, http.StatusSeeOther)
}

// undoView is the form that takes a change back.
type undoView struct {
	W          map[string]string
	To         *words.Reader
	Error      string
	Row        journalRow
	By, Token  string
	Back       string
	AskPIN, Is bool
	Again      []string
}

func (p *settingPages) undoPage(w http.ResponseWriter, r *http.Request) {
	p.showUndo(w, r, http.StatusOK, r.URL.Query(), "")
}

func (p *settingPages) showUndo(w http.ResponseWriter, r *http.Request, status int, form url.Values, problem string) {
	to := words.Of(r)
	v := undoView{W: to.W, To: to, Error: problem, By: p.nameFor(r), Token: web.Token(), AskPIN: p.asksPIN(r)}
	if form.Get("back") != "" {
		v.Back = web.OwnPath(form.Get("back"))
	}
	if p.set != nil {
		all, journal, ok := p.set.Settings()
		for _, e := range journal {
			if strconv.Itoa(e.Seq) != form.Get("seq") {
				continue
			}
			v.Row, v.Is = journalOf(to, all, journal, e, ok && p.site.PIN != nil), true
			if i := slices.IndexFunc(all, func(x settings.Effective) bool { return x.Path == e.Path }); i >= 0 {
				v.Again = p.relearned(to, &all[i], e.Old)
			}
		}
	}
	if !v.Is && status == http.StatusOK {
		status, v.Error = http.StatusNotFound, to.W["NoSuchChange"]
	}
	p.site.Show(w, r, status, web.Content{Template: "setting-undo", Data: v, Title: to.W["SettingUndo"], Nav: "/visit"})
}

// undo takes a change back.
func (p *settingPages) undo(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	to, form := words.Of(r), r.PostForm
	by := tidyText(form.Get("by"), 120)
	seq, err := strconv.Atoi(form.Get("seq"))
	refuse := func(status int, why string) {
		if program(r) {
			p.site.SendError(w, r, status, why)
			return
		}
		p.showUndo(w, r, status, form, why)
	}
	switch {
	case err != nil:
		refuse(http.StatusUnprocessableEntity, to.W["NoSuchChange"])
		return
	case by == "":
		refuse(http.StatusUnprocessableEntity, to.W["WantName"])
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), actLimit)
	defer cancel()
	made, err := p.set.UndoSetting(ctx, seq, by, tokenOf(form.Get("token")))
	switch _, clash := errors.AsType[*settings.Conflict](err); {
	case errors.Is(err, settings.ErrNotNow), clash:
		refuse(http.StatusConflict, to.W["JournalChanged"]+" "+to.W["JournalChangedMore"])
		return
	case errors.Is(err, settings.ErrNoEntry), errors.Is(err, settings.ErrNoSetting):
		refuse(http.StatusUnprocessableEntity, to.W["NoSuchChange"])
		return
	case err != nil:
		p.site.Log.Warn("setting not undone", "change", seq, "err", err)
		refuse(http.StatusServiceUnavailable, to.W["NotTaken"]+" "+err.Error())
		return
	}
	if !p.unnoted(w, r, made, by) {
		p.done(w, r, made)
	}
}
