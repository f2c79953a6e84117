package web

import (
	"bytes"
	"html/template"
	"net/http"
	"time"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/words"
)

// shell is what the template around every page sees.
type shell struct {
	To            *words.Reader
	W             map[string]string
	Languages     []*words.Language
	Title         string // of the document, with the unit
	Unit, Place   string
	Style, Icon   string
	Touch, Shell  string // icon of a phone's first screen; script that keeps last answers
	Scripts       []string
	Nav           []navItem
	Back          string // path to come back to after a choice
	SignedIn      bool
	Live          string // which parts to follow
	At            string // of the readings, by the unit's clock
	Build         string
	Bar           string // what the line at the top says of the data: nothing while it is fresh
	AgeS, OldS    float64
	Some, Old     bool          // there is data; it is old
	Refresh       bool          // without script, reload now and then
	UnderWay      template.HTML // the line about work under way; empty: nobody works on the unit
	Body          template.HTML
	BarEnd        template.HTML
	Cautions      []string
	CautionsShort bool
}

type navItem struct {
	Path, Text string
	Here       bool
}

// navPages are the pages in the order of the navigation: path and the key of the name.
var navPages = [][2]string{
	{"/", "NavNow"}, {"/findings", "NavFindings"}, {"/history", "NavHistory"}, {"/visit", "NavVisit"},
	{"/check", "NavCheck"},
}

// Content is one page's own part, to be put into the shell.
type Content struct {
	Template string // its name
	Data     any
	Title    string
	Nav      string // path of the navigation's item it belongs to
	Live     string // which parts it follows; empty: the age of the data alone
	Scripts  []string
	Refresh  bool          // without script, reload now and then
	Cautions bool          // all of them, not only the way to them
	BarEnd   template.HTML // at the right end of the bar
}

// Show sends a page.
func (s *Site) Show(w http.ResponseWriter, r *http.Request, status int, c Content) {
	end, ok := begin(r)
	if !ok {
		return
	}
	inside := s.SignedIn(r) // before what it sees, in case the session ends meanwhile
	page, err := s.render(r, &c)
	end()
	if err != nil {
		s.RenderFailed(w, r, err)
		return
	}
	if inside {
		w.Header().Set(sessionHeader, "1")
	}
	Send(w, r, status, TypeHTML, page)
}

func (s *Site) render(r *http.Request, c *Content) ([]byte, error) {
	body, err := Execute(c.Template, c.Data)
	if err != nil {
		return nil, err
	}
	v := s.shell(r, c, template.HTML(body)) // escaped by its template
	if v.UnderWay, err = UnderWayOf(v.To, s.Hub.Current()).Line(); err != nil {
		return nil, err
	}
	return Execute("layout.html", v)
}

// Execute returns what a template makes of data.
func Execute(name string, data any) ([]byte, error) {
	var b bytes.Buffer
	err := templates.ExecuteTemplate(&b, name, data)
	return b.Bytes(), err
}

// LiveBar is what a page follows that shows nothing of the snapshot: whether the data is fresh.
const LiveBar = "bar"

func (s *Site) shell(r *http.Request, c *Content, body template.HTML) shell {
	to := words.Of(r)
	snap := s.Hub.Current()
	age := s.Hub.Age()
	v := shell{
		To: to, W: to.W, Languages: words.Languages, Title: to.W["Title"], Style: s.Assets.URLs["sheet.css"],
		Icon: s.Assets.URLs["mark.svg"], Touch: s.Assets.URLs["icon.png"], Shell: s.Assets.URLs["shell.js"],
		Build: s.Assets.Build, Back: backTo(r), SignedIn: s.SignedIn(r), Live: c.Live, Refresh: c.Refresh, Body: body, BarEnd: c.BarEnd,
		AgeS: age.Seconds(), OldS: s.StaleAfter.Seconds(),
		Some: snap != nil, Old: snap != nil && (age > s.StaleAfter || s.Hub.Stalled()), Bar: to.W["NoData"],
		Cautions: to.List("Cautions"), CautionsShort: !c.Cautions,
	}
	if c.Title != "" {
		v.Title = c.Title
	}
	if v.Live == "" {
		v.Live = LiveBar
	}
	if snap != nil {
		v.Unit, v.Place, v.Bar = snap.Unit, s.Place(), ""
		v.At = snap.At.UTC().Format(time.RFC3339)
		v.Title = TitleOf(v.Title, v.Unit)
	}
	if v.Old {
		v.Bar = aged(to.W["Stalled"], age)
	}
	for _, p := range navPages {
		v.Nav = append(v.Nav, navItem{p[0], to.W[p[1]], p[0] == c.Nav})
	}
	v.Scripts = []string{s.Assets.URLs["sheet.js"]}
	for _, name := range c.Scripts {
		v.Scripts = append(v.Scripts, s.Assets.URLs[name])
	}
	return v
}

// TitleOf returns the title of a document: what it says first, as a tab or a list of pages shows no more than that.
func TitleOf(says, unit string) string {
	if unit == "" {
		return says
	}
	return says + " · " + unit
}

// backTo returns the path that a choice of language or unit leads back to: the page itself, if it
// can be requested again.
func backTo(r *http.Request) string {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		return "/"
	}
	return OwnPath(r.URL.RequestURI())
}

func aged(text string, age time.Duration) string { return words.Fill(text, "age", figures.Span(age)) }
