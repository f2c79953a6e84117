package page

import (
	"html/template"
	"net/http"

	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/visit"
)

// livePages are those that show the snapshot and follow it: the first page, and the page of checks.
type livePages struct {
	site  *web.Site
	made  *sheets
	store *visit.Store // nil: visits are not kept
	set   Settings     // nil: nothing can be set
}

// Routes registers the pages.
func (p *livePages) Routes(mux *http.ServeMux) {
	mux.HandleFunc("GET /{$}", p.now)
	mux.HandleFunc("GET /check", p.check)
}

// now is the first page.
func (p *livePages) now(w http.ResponseWriter, r *http.Request) { p.show(w, r, kindNow) }

func (p *livePages) show(w http.ResponseWriter, r *http.Request, k kind) {
	to := words.Of(r)
	sh, err := p.made.of(k, to, p.site.Hub.Current())
	if err != nil {
		p.site.RenderFailed(w, r, err)
		return
	}
	c := web.Content{
		Template: kindNames[k],
		Live:     kindNames[k],
		Nav:      "/", Cautions: k == kindNow,
		Refresh: k == kindNow, // not where somebody may be typing
	}
	if k == kindNow {
		c.Data, c.Title = nowView{to.W, to, sh}, sh.head
	} else {
		c.Nav, c.Title = "/check", to.W["CheckTitle"]
		c.Data = p.checkView(r, to, sh.parts)
	}
	p.site.Show(w, r, http.StatusOK, c)
}

// nowView is the first page.
type nowView struct {
	W  map[string]string
	To *words.Reader
	sh *sheet
}

// Part returns one of the page's parts.
func (v nowView) Part(id string) template.HTML {
	for _, p := range v.sh.parts {
		if p.ID == id {
			return p.HTML
		}
	}
	return ""
}

// Cautions are those to read before work.
func (v nowView) Cautions() []string { return v.To.List("Cautions") }
