package desk

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"encoding/json"
	"errors"
	"html/template"
	"net/http"
	"path"
	"strconv"
	"strings"
	"time"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
)

//go:embed assets words
var files embed.FS

const choiceAgeS = 365 * 24 * 3600

// texts are the desk's own words by language and key; those of findings are package words'.
var texts = func() map[string]map[string]string {
	all := map[string]map[string]string{}
	for _, l := range words.Languages {
		m := map[string]string{}
		data, err := files.ReadFile("words/" + l.Tag + ".json")
		if err == nil {
			err = json.Unmarshal(data, &m)
		}
		if err != nil {
			panic("bug: " + l.Tag + ".json: " + err.Error()) // embedded at build time
		}
		all[l.Tag] = m
	}
	return all
}()

// text returns a text in the reader's language, with values filled in.
func (d *Desk) text(to *words.Reader, key string, pairs ...string) string {
	return textOf(to, key, pairs...)
}

func textOf(to *words.Reader, key string, pairs ...string) string {
	return words.Fill(texts[to.Tag][key], pairs...)
}

var templates = template.Must(template.New("").ParseFS(files, "assets/*.html"))

// assets are script, style and picture, under names that change with their content.
type assets struct {
	url    map[string]string
	byName map[string][]byte
}

var assetTypes = map[string]string{
	".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml",
}

func newAssets() assets {
	a := assets{url: map[string]string{}, byName: map[string][]byte{}}
	for _, name := range []string{"sheet.css", "desk.js", "mark.svg"} {
		data, err := files.ReadFile("assets/" + name)
		if err != nil {
			panic("bug: " + err.Error()) // embedded at build time
		}
		if name == "sheet.css" {
			data = append(web.BaseSheet(), data...)
		}
		sum := sha256.Sum256(data)
		ext := path.Ext(name)
		hashed := strings.TrimSuffix(name, ext) + "." + hex.EncodeToString(sum[:6]) + ext
		a.url[name], a.byName[hashed] = "/assets/"+hashed, data
	}
	return a
}

func (a assets) serve(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	data, ok := a.byName[name]
	if !ok {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	web.Send(w, r, http.StatusOK, assetTypes[path.Ext(name)], data)
}

// view is what every page sees.
type view struct {
	To  *words.Reader
	By  who
	Now time.Time
}

func (d *Desk) viewOf(r *http.Request, by who) view {
	return view{To: words.Of(r), By: by, Now: d.opts.Now().UTC()}
}

// T returns a text of the desk.
func (v view) T(key string, pairs ...string) string { return textOf(v.To, key, pairs...) }

// N returns a text with a number, in the singular where it is one.
func (v view) N(key string, n int) string {
	if n == 1 {
		key += ".one"
	}
	return textOf(v.To, key, "n", count(n))
}

// Count writes a number of things.
func (v view) Count(n int) string { return count(n) }

func count(n int) string {
	s := strconv.Itoa(n)
	for i := len(s) - 3; i > 0 && s[i-1] != '-'; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// Ago returns how long ago something was, in one unit.
func (v view) Ago(t time.Time) string {
	if t.IsZero() {
		return figures.Unknown
	}
	return brief(v.To, v.Now.Sub(t))
}

// brief writes a duration in one unit, as a list has room for.
func brief(to *words.Reader, d time.Duration) string {
	unit := func(n time.Duration, key string) string { return strconv.Itoa(int(n)) + "\u00a0" + textOf(to, key) }
	switch d = max(d, 0); {
	case d >= 14*24*time.Hour:
		return unit(d/(7*24*time.Hour), "Weeks")
	case d >= 24*time.Hour:
		return unit(d/(24*time.Hour), "Days")
	case d >= time.Hour:
		return unit(d/time.Hour, "Hours")
	case d >= time.Minute:
		return unit(d/time.Minute, "Minutes")
	}
	return unit(d/time.Second, "Seconds")
}

// Time writes a time of day, with the date unless it is today's.
func (v view) Time(t time.Time) string {
	t = t.UTC()
	switch {
	case t.IsZero():
		return figures.Unknown
	case t.Format(time.DateOnly) == v.Now.Format(time.DateOnly):
		return t.Format("15:04\u00a0UTC")
	}
	return t.Format("2006-01-02 15:04\u00a0UTC")
}

// Day writes a day.
func (v view) Day(t time.Time) string {
	if t.IsZero() {
		return figures.Unknown
	}
	return t.UTC().Format(time.DateOnly)
}

// Label returns the unit page's word for a label of a snapshot.
func (v view) Label(group, label string) string { return v.To.Label(group, label) }

// W returns a text of the unit's pages.
func (v view) W(key string) string { return v.To.W[key] }

type navItem struct {
	Path, Text string
	Here       bool
}

// shell is what the template around every page sees.
type shell struct {
	view
	Title, Style, Script, Icon, Back string
	Nav                              []navItem
	Live                             bool
	Languages                        []*words.Language
	Body                             template.HTML
}

// titled pages have a title of their own.
type titled interface{ title() string }

// followed pages are renewed when something changes.
type followed interface{ followed() }

// show sends a page: the template name with data v, under the title of a key.
func (d *Desk) show(w http.ResponseWriter, r *http.Request, status int, name, titleKey string, v interface{ base() view }) {
	var body bytes.Buffer
	if err := templates.ExecuteTemplate(&body, name, v); err != nil {
		d.broken(w, r, err)
		return
	}
	b := v.base()
	s := shell{
		view: b, Title: b.T(titleKey), Style: d.assets.url["sheet.css"], Script: d.assets.url["desk.js"], Icon: d.assets.url["mark.svg"],
		Back: "/", Languages: words.Languages, Body: template.HTML(body.String()), // escaped by its template
	}
	if t, ok := v.(titled); ok {
		s.Title = t.title()
	}
	_, s.Live = v.(followed)
	if r.Method == http.MethodGet {
		s.Back = web.OwnPath(r.URL.RequestURI())
	}
	if b.By.Name != "" {
		nav := [][2]string{{"/", "Worklist"}, {"/units", "AllUnits"}, {"/parts", "Parts"}, {"/visits", "Visits"}}
		if b.By.Admin() {
			nav = append(nav, [2]string{"/audit", "Audit"})
		}
		for _, n := range nav {
			here := r.URL.Path == n[0] || n[0] != "/" && strings.HasPrefix(r.URL.Path, n[0]+"/")
			s.Nav = append(s.Nav, navItem{n[0], b.T(n[1]), here})
		}
	}
	var page bytes.Buffer
	if err := templates.ExecuteTemplate(&page, "layout.html", s); err != nil {
		d.broken(w, r, err)
		return
	}
	web.Send(w, r, status, web.TypeHTML, bytes.Map(visible, page.Bytes()))
}

// visible drops what a page never needs and a unit's text may carry: control characters, and marks that
// turn the direction of writing.
func visible(r rune) rune {
	switch {
	case r == '\n' || r == '\t':
	case r < 0x20 || r >= 0x7f && r < 0xa0 || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069:
		return -1
	}
	return r
}

func (v view) base() view { return v }

type messageView struct {
	view
	Text string
}

// fail says what is wrong, to a person or a program.
func (d *Desk) fail(w http.ResponseWriter, r *http.Request, status int, text string) {
	if isAPI(r) {
		d.sendJSON(w, r, status, map[string]string{"error": text})
		return
	}
	d.show(w, r, status, "message", "Fleet", &messageView{d.viewOf(r, who{}), text})
}

// broken answers when the store can't be read or written.
func (d *Desk) broken(w http.ResponseWriter, r *http.Request, err error) {
	if r.Context().Err() != nil {
		return // the client has gone
	}
	d.opts.Log.Error("desk request not answered", "path", r.URL.Path, "err", err)
	text := d.text(words.Of(r), "Broken")
	if isAPI(r) {
		d.sendJSON(w, r, http.StatusServiceUnavailable, map[string]string{"error": text})
		return
	}
	web.Send(w, r, http.StatusServiceUnavailable, web.TypeText, []byte(text+"\n"))
}

func (d *Desk) notFound(w http.ResponseWriter, r *http.Request, _ who) {
	d.fail(w, r, http.StatusNotFound, d.text(words.Of(r), "NotFound"))
}

func (d *Desk) sendJSON(w http.ResponseWriter, r *http.Request, status int, answer any) {
	body, err := json.Marshal(answer)
	if err != nil {
		d.opts.Log.Error("desk answer has no JSON form", "path", r.URL.Path, "err", err)
		status, body = http.StatusInternalServerError, []byte(`{"error":"internal error"}`)
	}
	web.Send(w, r, status, web.TypeJSON, body)
}

// readForm reads a form of bounded size, or says what is wrong with it.
func (d *Desk) readForm(w http.ResponseWriter, r *http.Request, most int64) bool {
	r.Body = http.MaxBytesReader(w, r.Body, most)
	err := r.ParseForm()
	if err == nil && strings.HasPrefix(r.Header.Get("Content-Type"), "multipart/form-data") {
		err = r.ParseMultipartForm(most)
	}
	if err == nil {
		return true
	}
	status, key := http.StatusBadRequest, "BadForm"
	if _, large := errors.AsType[*http.MaxBytesError](err); large {
		status, key = http.StatusRequestEntityTooLarge, "TooLarge"
	}
	d.fail(w, r, status, d.text(words.Of(r), key))
	return false
}

// choose keeps a reader's language and unit of temperature in the browser.
func (d *Desk) choose(w http.ResponseWriter, r *http.Request) {
	if !d.readForm(w, r, maxForm) {
		return
	}
	keep := func(name, value string) {
		http.SetCookie(w, &http.Cookie{
			Name: name, Value: value, Path: "/", MaxAge: choiceAgeS, HttpOnly: true, SameSite: http.SameSiteStrictMode,
		})
	}
	for _, l := range words.Languages {
		if r.PostForm.Get("lang") == l.Tag {
			keep(words.LangCookie, l.Tag)
		}
	}
	if t := r.PostForm.Get("temp"); t == "c" || t == "f" {
		keep(words.TempCookie, t)
	}
	http.Redirect(w, r, web.OwnPath(r.PostForm.Get("back")), http.StatusSeeOther)
}

// rowIn is a row for its template, with its page.
type rowIn struct {
	V view
	R rowView
}

// With joins a row with what its template needs of the page.
func (v view) With(r rowView) rowIn { return rowIn{v, r} }

// same is a chart as a table for its template.
type same struct {
	V     view
	Title string
	Heads []string
	Rows  [][]string
	Named bool // its title is to be seen
}

// Same joins a table with what its template needs of the page.
func (v view) Same(title string, heads []string, rows [][]string, named bool) same {
	return same{v, title, heads, rows, named}
}

// Heads returns the names of columns.
func (v view) Heads(keys ...string) (heads []string) {
	for _, k := range keys {
		heads = append(heads, v.T(k))
	}
	return heads
}

// trail is a table of the audit trail for its template.
type trail struct {
	V       view
	Entries []auditLine
}

// Trail joins entries with what their template needs of the page.
func (v view) Trail(e []auditLine) trail { return trail{v, e} }
