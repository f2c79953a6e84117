package visits

import (
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/view"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/visit"
)

// stage is one of the five steps of a visit; the key of its name is Stage. and this.
type stage int

const (
	stageStart stage = iota
	stageLook
	stageTest
	stageWork
	stageReview
	stages
)

var stageKeys = [stages]string{"start", "look", "test", "work", "review"}

// page is one page of the visit under way: a step, or a part of one.
type page struct {
	Path  string // after /visit/
	Stage stage
	Title string
	Area  *visit.Area // that is looked at
	Of    string      // what is measured: a battery, feed
}

// URL returns where a page is.
func (s page) URL() string { return "/visit/" + s.Path }

// pages are those of a visit, in their order.
func (p *Forms) pages(to *words.Reader) []page {
	form := p.store.Form()
	all := []page{{Path: "start", Stage: stageStart, Title: to.W["StartTitle"]}}
	for i := range form.Areas {
		a := &form.Areas[i]
		all = append(all, page{Path: "look/" + a.ID, Stage: stageLook, Title: to.Translate(a.Title), Area: a})
	}
	for _, b := range form.Batteries {
		all = append(all, page{Path: "measure/" + b, Stage: stageTest, Title: to.W["Battery"] + " " + b, Of: b})
	}
	return append(all,
		page{Path: "measure/feed", Stage: stageTest, Title: to.W["FeedAndMotor"], Of: "feed"},
		page{Path: "work", Stage: stageWork, Title: to.W["WorkTitle"]},
		page{Path: "review", Stage: stageReview, Title: to.W["ReviewTitle"]})
}

// pageAt returns the place of a page among all, -1 for none.
func pageAt(all []page, path string) int {
	return slices.IndexFunc(all, func(s page) bool { return s.Path == path })
}

// next returns where a form leads that names a page to go on to: only pages of the visit are.
func (p *Forms) next(to *words.Reader, path, otherwise string) string {
	switch all := p.pages(to); {
	case path == "report":
		return "/visit/report"
	case pageAt(all, path) >= 0:
		return "/visit/" + path
	case pageAt(all, otherwise) >= 0:
		return "/visit/" + otherwise + "?saved"
	}
	return "/visit"
}

// state is how things stand with saving: what stands at the right end of the bar on each page of the
// visit, always in view.
type state struct {
	W      map[string]string
	ID     string // of the visit
	Settle int
	At     string // when it was last saved, UTC
	Stamp  string
}

// ToSettle returns the text for a number of fields that wait to be settled.
func (s state) ToSettle() string { return words.Fill(s.W["ToSettle"], "n", strconv.Itoa(s.Settle)) }

// Said returns the text for what is saved.
func (s state) Said() string { return words.Fill(s.W["SavedAt"], "time", s.At) }

// barEnd returns what stands at the right end of the bar.
func barEnd(to *words.Reader, d *visit.Draft) (template.HTML, error) {
	b, err := web.Execute("save-state", state{
		W: to.W, ID: d.ID, Settle: len(d.ToSettle), At: d.Changed.UTC().Format("15:04 UTC"),
		Stamp: d.Changed.UTC().Format(time.RFC3339),
	})
	return template.HTML(b), err // escaped by its template
}

// group is some fields under one heading.
type group struct {
	Title, Caution, Intro string
	Fields                []fieldView
}

// stepView is a page of the visit under way.
type stepView struct {
	W          map[string]string
	To         *words.Reader
	Draft      *visit.Draft
	Page       page
	Number     int // of the step, from 1
	Back, Next *page
	Area       *areaView
	Groups     []group
	Calibrate  bool   // meters are read here: channels can be calibrated
	Test       string // path of the tests of the battery that the page is about
	Refusals   []refusalView
	Problem    string // why nothing could be saved
	Work       []workView
	WorkKinds  []view.Choice
	Batteries  []string
	Token      string
	Known      []view.Finding
	Switch     *web.WorkSwitch
	Gaps       []string
	Since      string
}

// Stage returns the name of a page's step.
func (v *stepView) Stage() string { return v.To.Label("Stage", stageKeys[v.Page.Stage]) }

// F returns the data for the template of an input.
func (v *stepView) F(f fieldView) fieldOf { return fieldOf{f, v.W["Empty"], v.W["AgentSays"]} }

// StepOf returns the text above a step's heading.
func (v *stepView) StepOf() string {
	return words.Fill(v.W["StepOf"], "n", strconv.Itoa(v.Number), "all", strconv.Itoa(int(stages)))
}

// NextText returns the text of the button that leads on.
func (v *stepView) NextText() string { return words.Fill(v.W["StepNext"], "page", v.Next.Title) }

// photoBox is what the template of the photos of one thing sees.
type photoBox struct {
	W        map[string]string
	Of, What string
	Photos   []photoView
}

// Most returns the bytes that a photo may have.
func (photoBox) Most() int { return visit.MaxPhotoUpload }

// Large returns the text of one that has more.
func (b photoBox) Large() string { return photoBytes(b.W) }

// PhotosOf returns the photos of an item for their template.
func (v *stepView) PhotosOf(i itemView) photoBox { return photoBox{v.W, i.Key, i.Text, i.Photos} }

// PhotosOfArea returns those of an area as a whole.
func (v *stepView) PhotosOfArea() photoBox {
	return photoBox{v.W, "area." + v.Area.ID, v.Area.Title, v.Area.Photos}
}

// AllText returns the text of the button that answers OK for what is left.
func (v *stepView) AllText() string {
	if v.Area.Left() == v.Area.Of {
		return v.W["AllOK"]
	}
	return words.Fill(v.W["OtherOK"], "n", strconv.Itoa(v.Area.Left()))
}

// entered is what a form has sent and could not be saved: it is shown again.
type entered struct {
	refusals []visit.Refusal
	sent     map[string]string // everything sent, where nothing could be saved
	problem  string
}

// fields returns what makes the inputs of a draft.
func (p *Forms) fields(to *words.Reader, d *visit.Draft, e entered, v *stepView) func(string) fieldView {
	form, snap := p.store.Form(), p.site.Hub.Current()
	wrong := map[string]visit.Refusal{}
	for _, f := range e.refusals {
		wrong[f.Key] = f
	}
	return func(key string) fieldView {
		field := form.Field(key)
		f := inputOf(to, field, d.Fields[key])
		if sent, is := e.sent[key]; is && e.problem != "" {
			f.show(bare(to, field, sent))
		}
		if r, is := wrong[key]; is {
			f.show(bare(to, field, r.Value))
			f.Error = trouble(to, field, r.Why)
			v.Refusals = append(v.Refusals, refusalView{Label: where(to, form, key), Value: f.Value, Why: f.Error, ID: f.ID})
		}
		if rest, meter := strings.CutPrefix(key, "meter."); meter {
			subject, figure, _ := strings.Cut(rest, ".")
			if a := visit.AgentFigure(snap, subject, figure); a != nil {
				f.Agents = view.Measured(to, a, field.Unit)
			}
		}
		return f
	}
}

// step makes a page of the visit under way.
func (p *Forms) step(to *words.Reader, d *visit.Draft, at int, e entered) *stepView {
	all := p.pages(to)
	v := &stepView{
		W: to.W, To: to, Draft: d, Page: all[at], Number: int(all[at].Stage) + 1, Token: web.Token(), Problem: e.problem,
		Since: figures.TimeOfDay(d.Begun, p.site.Facts().At), Batteries: p.store.Form().Batteries,
		Switch: p.site.WorkSwitch(to, d.Fields["by"]),
	}
	if at > 0 {
		v.Back = &all[at-1]
	}
	if at+1 < len(all) {
		v.Next = &all[at+1]
	}
	field := p.fields(to, d, e, v)
	switch v.Page.Stage {
	case stageStart:
		v.start(p, field)
	case stageLook:
		v.look(p, d, field)
	case stageTest:
		v.test(p, field)
	case stageWork:
		v.work(d)
	case stageReview:
		v.review(p, d, field)
	}
	return v
}

// start has what is asked once, and what is known before the box is opened.
func (v *stepView) start(p *Forms, field func(string) fieldView) {
	g := group{}
	for _, f := range p.store.Form().Fields {
		if !strings.Contains(f.Key, ".") && f.Key != "note" {
			g.Fields = append(g.Fields, field(f.Key))
		}
	}
	v.Groups = []group{g}
	v.Known = p.known(v.To)
}

// known are the findings that stand.
func (p *Forms) known(to *words.Reader) (out []view.Finding) {
	if snap := p.site.Hub.Current(); snap != nil {
		out = view.Findings(to, snap)
	}
	return out
}

func (v *stepView) look(p *Forms, d *visit.Draft, field func(string) fieldView) {
	a := areaOf(v.To, *v.Page.Area, d, field)
	for i := range a.Items {
		a.Items[i].Photos = photosOf(v.To, d, a.Items[i].Key, a.Items[i].Text)
	}
	a.Photos = photosOf(v.To, d, "area."+a.ID, a.Title)
	v.Area = &a
	if v.Page.Area.ID == oilArea {
		v.Groups = append(v.Groups, group{Title: v.W["OilTitle"], Intro: oilAdvice(v.To, d), Fields: []fieldView{
			field("oil.wanted_position"), field("oil.position"), field("oil.level"), field("oil.note"),
		}})
	}
}

// oilArea is the area that the oil's level is asked in.
const oilArea = "oil"

// oilAdvice says where the level was read in another position than the manual's.
func oilAdvice(to *words.Reader, d *visit.Draft) string {
	wanted, position := d.Fields["oil.wanted_position"], d.Fields["oil.position"]
	if wanted == "" || position == "" || wanted == position {
		return to.W["OilIntro"]
	}
	return words.Fill(to.W["OilAgain"], "position", to.Label("Choice", wanted))
}

func (v *stepView) test(p *Forms, field func(string) fieldView) {
	form := p.store.Form()
	v.Calibrate = true
	if v.Page.Of == "feed" {
		v.Groups = []group{
			{Caution: v.W["CautionPosts"], Intro: v.W["MeterIntro"]},
		}
		if snap := p.site.Hub.Current(); snap != nil && len(snap.Strings) > 0 {
			v.Groups = append(v.Groups, group{
				Title: v.W["Bank"], Intro: together(v.To, snap, v.Draft), Fields: []fieldView{field("meter.bank.voltage_v")},
			})
		}
		v.Groups = append(v.Groups,
			group{Title: v.W["Feed"], Fields: []fieldView{field("meter.feed.voltage_v")}},
			group{Title: v.W["Motor"], Fields: []fieldView{field("meter.motor.voltage_v"), field("meter.motor.current_a")}},
		)
		if !slices.ContainsFunc(form.Areas, func(a visit.Area) bool { return a.ID == oilArea }) { // a list of their own
			v.Groups = append(v.Groups, group{Title: v.W["OilTitle"], Caution: v.W["CautionOil"], Fields: []fieldView{
				field("oil.wanted_position"), field("oil.position"), field("oil.level"), field("oil.note"),
			}})
		}
		return
	}
	meter := group{Title: v.W["MeterTitle"], Caution: v.W["CautionPosts"], Intro: v.W["MeterIntro"]}
	if below := under(p.site.Hub.Current(), v.Page.Of); below != "" {
		meter.Intro += " " + words.Fill(v.W["MeterUpper"], "battery", v.Page.Of, "below", below)
	}
	for _, f := range form.Fields {
		if strings.HasPrefix(f.Key, "meter."+v.Page.Of+".") {
			meter.Fields = append(meter.Fields, field(f.Key))
		}
	}
	v.Groups = []group{meter}
	v.Test = "/visit/test/" + url.PathEscape(v.Page.Of)
}

func (v *stepView) work(d *visit.Draft) {
	for _, k := range visit.WorkKinds {
		if k != visit.ChannelCompared && k != visit.ChannelCalibrated && k != visit.BatteryReplaced { // they have pages of their own
			v.WorkKinds = append(v.WorkKinds, view.Choice{Value: k, Text: v.To.Label("Work", k)})
		}
	}
	for _, w := range d.Work {
		v.Work = append(v.Work, workOf(v.To, w))
	}
}

// review has what is still missing, and the way to the end.
func (v *stepView) review(p *Forms, d *visit.Draft, field func(string) fieldView) {
	v.Groups = []group{{Fields: []fieldView{field("note")}}}
	v.Gaps = gaps(v.To, d.Preview(p.store.Form(), p.site.Facts()))
	v.Known = p.known(v.To)
}

// overview is the page with all steps.
type overview struct {
	*stepView
	Stages []stageView
	Join   bool // this phone's owner hasn't said who they are
	SignIn bool
}

type stageView struct {
	Name, Gist string
	Pages      []pageLine
}

// Counted returns what the lift had counted when the visit began.
func (o *overview) Counted() string { return count(o.To, o.Draft.Start) }

type pageLine struct {
	page
	Gist string
	Bad  bool
}

func (p *Forms) showOverview(w http.ResponseWriter, r *http.Request, d *visit.Draft) {
	to := words.Of(r)
	o := overview{
		stepView: &stepView{
			W: to.W, To: to, Draft: d, Since: figures.TimeOfDay(d.Begun, p.site.Facts().At), Batteries: p.store.Form().Batteries,
		},
		Join: NameOf(r) == "", SignIn: !p.site.SignedIn(r),
	}
	o.Stages = make([]stageView, stages)
	for i := range o.Stages {
		o.Stages[i].Name = to.Label("Stage", stageKeys[i])
	}
	checked, of := 0, 0
	for _, s := range p.pages(to) {
		line := pageLine{page: s}
		switch s.Stage {
		case stageLook:
			a := areaOf(to, *s.Area, d, func(key string) fieldView { return inputOf(to, p.store.Form().Field(key), d.Fields[key]) })
			checked, of = checked+a.Checked, of+a.Of
			line.Gist, line.Bad = a.Counted(to), a.Attention > 0
		case stageTest:
			n := 0
			for key := range d.Fields {
				if strings.HasPrefix(key, "meter."+s.Of+".") || strings.HasPrefix(key, "test."+s.Of+".") ||
					s.Of == "feed" && (strings.HasPrefix(key, "meter.motor.") || strings.HasPrefix(key, "meter.bank.")) {
					n++
				}
			}
			line.Gist = to.W["NoneEntered"]
			if n > 0 {
				line.Gist = words.Fill(to.W["Entered"], "n", strconv.Itoa(n))
			}
		case stageStart:
			line.Gist = d.Fields["by"]
		case stageWork:
			line.Gist = to.W["NoneEntered"]
			if n := len(d.Work); n > 0 {
				line.Gist = words.Fill(to.W["Entered"], "n", strconv.Itoa(n))
			}
		}
		o.Stages[s.Stage].Pages = append(o.Stages[s.Stage].Pages, line)
	}
	o.Stages[stageLook].Gist = words.Fill(to.W["CountOf"], "n", strconv.Itoa(checked), "all", strconv.Itoa(of))
	p.show(w, r, http.StatusOK, d, web.Content{Template: "visit-steps", Data: &o, Title: to.W["VisitTitle"]})
}

// show sends a page of the visit under way, with the state of saving in the bar.
func (p *Forms) show(w http.ResponseWriter, r *http.Request, status int, d *visit.Draft, c web.Content) {
	to := words.Of(r)
	bar, err := barEnd(to, d)
	if err != nil {
		p.site.RenderFailed(w, r, err)
		return
	}
	c.Nav, c.Scripts, c.BarEnd = "/visit", append([]string{"visit.js"}, c.Scripts...), bar
	p.site.Show(w, r, status, c)
}

// showStep sends one step of the visit under way.
func (p *Forms) showStep(w http.ResponseWriter, r *http.Request, status int, d *visit.Draft, at int, e entered) {
	v := p.step(words.Of(r), d, at, e)
	p.show(w, r, status, d, web.Content{Template: "step", Data: v, Title: v.Page.Title})
}

// stepPage answers a request for a step.
func (p *Forms) stepPage(w http.ResponseWriter, r *http.Request) {
	d := p.openVisit(w, r)
	if d == nil {
		return
	}
	at := pageAt(p.pages(words.Of(r)), strings.TrimPrefix(r.URL.Path, "/visit/"))
	if at < 0 {
		to := words.Of(r)
		p.site.Say(w, r, http.StatusNotFound, web.Message{Head: to.W["NotFound"], Path: "/visit", Link: to.W["NavVisit"]})
		return
	}
	p.showStep(w, r, http.StatusOK, d, at, entered{})
}

// openVisit returns the visit under way, or leads to its beginning.
func (p *Forms) openVisit(w http.ResponseWriter, r *http.Request) *visit.Draft {
	if p.store != nil {
		if d := p.store.Draft(); d != nil {
			return d
		}
	}
	http.Redirect(w, r, "/visit", http.StatusSeeOther)
	return nil
}
