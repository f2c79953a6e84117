package page

import (
	"bytes"
	"html/template"
	"net/http"
	"time"

	"liftbank/agent/snapshot"
)

// shell is what the template around every page sees.
type shell struct {
	To            *reader
	W             map[string]string
	Languages     []*language
	Title, Unit   string
	Style, Icon   string
	Scripts       []string
	Nav           []navItem
	Back          string // path to come back to after a choice
	SignedIn      bool
	Live          string // which parts to follow; empty: none
	Build         string
	Bar           string // the line at the top: how old the data is
	AgeS, OldS    float64
	Some, Old     bool // there is data; it is old
	Refresh       bool // without script, reload now and then
	Body          template.HTML
	Cautions      []string
	CautionsShort bool
}

type navItem struct {
	Path, Text string
	Here       bool
}

// navPages are the pages in the order of the navigation: path and the key of the name.
var navPages = [][2]string{
	{"/", "NavNow"}, {"/check", "NavCheck"}, {"/history", "NavHistory"}, {"/visit", "NavVisit"},
	{"/findings", "NavFindings"},
}

// content is one page's own part, to be put into the shell.
type content struct {
	template string // its name
	data     any
	title    string
	nav      string // path of the navigation's item it belongs to
	live     string
	scripts  []string
	refresh  bool
	cautions bool // all of them, not only the way to them
}

// show sends a page.
func (s *Server) show(w http.ResponseWriter, r *http.Request, status int, c content) {
	body, err := execute(c.template, c.data)
	if err != nil {
		s.renderFailed(w, r, err)
		return
	}
	page, err := execute("layout.html", s.shell(r, &c, template.HTML(body))) // escaped by its template
	if err != nil {
		s.renderFailed(w, r, err)
		return
	}
	send(w, r, status, typeHTML, page)
}

func execute(name string, data any) ([]byte, error) {
	var b bytes.Buffer
	err := templates.ExecuteTemplate(&b, name, data)
	return b.Bytes(), err
}

func (s *Server) shell(r *http.Request, c *content, body template.HTML) shell {
	to := readerOf(r)
	snap := s.opts.Hub.Current()
	age := s.opts.Hub.Age()
	v := shell{
		To: to, W: to.W, Languages: languages, Title: to.W["Title"], Style: s.assets.urls["sheet.css"],
		Icon:  s.assets.urls["mark.svg"],
		Build: s.assets.build, Back: backTo(r), SignedIn: s.signedIn(r), Live: c.live, Refresh: c.refresh, Body: body,
		AgeS: age.Seconds(), OldS: s.opts.StaleAfter.Seconds(),
		Some: snap != nil, Old: snap != nil && age > s.opts.StaleAfter, Bar: to.W["NoData"],
		Cautions: to.list("Cautions"), CautionsShort: !c.cautions,
	}
	if c.title != "" {
		v.Title = c.title
	}
	if snap != nil {
		v.Unit, v.Bar = snap.Unit, aged(to.W["Fine"], age)
	}
	if v.Old {
		v.Bar = aged(to.W["Stalled"], age)
	}
	for _, p := range navPages {
		v.Nav = append(v.Nav, navItem{p[0], to.W[p[1]], p[0] == c.nav})
	}
	for _, name := range c.scripts {
		v.Scripts = append(v.Scripts, s.assets.urls[name])
	}
	return v
}

// backTo returns the path that a choice of language or unit leads back to: the page itself, if it
// can be requested again.
func backTo(r *http.Request) string {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		return "/"
	}
	return ownPath(r.URL.RequestURI())
}

func aged(text string, age time.Duration) string { return fill(text, "age", span(age)) }

// message is a page that says one thing.
type message struct {
	W          map[string]string
	Head, Text string
	Path, Link string // where to go on
}

func (s *Server) say(w http.ResponseWriter, r *http.Request, status int, m message) {
	to := readerOf(r)
	m.W = to.W
	if m.Path == "" {
		m.Path, m.Link = "/", to.W["NavNow"]
	}
	s.show(w, r, status, content{template: "message", data: m, title: m.Head})
}

// findingOf is what the template of a finding sees.
type findingOf struct {
	W  map[string]string
	To *reader
	F  findingView
}

// With returns the data for the template of a finding.
func (v view) With(f findingView) findingOf         { return findingOf{v.W, v.To, f} }
func (v findingsView) With(f findingView) findingOf { return findingOf{v.W, v.To, f} }

// silences is what the template of the findings that can't be judged sees.
type silences struct {
	To   *reader
	List []snapshot.NotJudged
}

// Silences returns the data for their template.
func (v view) Silences() silences         { return silences{v.To, v.S.NotJudged} }
func (v findingsView) Silences() silences { return silences{v.To, v.Silent} }

// With returns the data for the template of a list of visits.
func (v beginView) With() visitsView { return visitsView{W: v.W, Heads: v.Last} }

// fieldOf is what the template of an input sees.
type fieldOf struct {
	fieldView
	None, AgentWord string
}

// F returns the data for the template of an input.
func (v *draftView) F(f fieldView) fieldOf { return fieldOf{f, v.W["Empty"], v.W["AgentSays"]} }

// Mark returns the sign of an item's state.
func (v *draftView) Mark(state string) string { return stateMarks[state] }

// List, Label and About are list, label and about for templates.
func (to *reader) List(key string) []string         { return to.list(key) }
func (to *reader) Label(group, label string) string { return to.label(group, label) }
func (to *reader) About(subject string) string      { return to.about(subject) }
