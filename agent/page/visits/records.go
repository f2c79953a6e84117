package visits

import (
	"bytes"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"liftbank/agent/history"
	"liftbank/agent/page/figures"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/visit"
)

// Records are the pages and answers of finished visits, and the preview of the one under way.
type Records struct {
	site   *web.Site
	store  *visit.Store   // nil: visits are not kept
	source history.Source // nil: no past is kept
}

// NewRecords returns the pages of finished visits. A nil store keeps no visits; a nil source leaves
// charts out.
func NewRecords(s *web.Site, store *visit.Store, source history.Source) *Records {
	return &Records{site: s, store: store, source: source}
}

// Routes registers the pages and what programs ask for.
func (p *Records) Routes(mux *http.ServeMux) {
	mux.HandleFunc("GET /visit/report", p.preview)
	mux.HandleFunc("GET /visits", p.list)
	mux.HandleFunc("GET /visits/{id}", p.file)
	mux.HandleFunc("GET /visits/{id}/photos/{name}", p.photo)
	mux.HandleFunc("GET /api/v1/visits", p.apiList)
	mux.HandleFunc("GET /api/v1/visits/{id}", p.apiOne)
}

// With returns the data for the template of a list of visits.
func (v beginView) With() visitsView { return visitsView{W: v.W, Heads: v.Last} }

type headView struct {
	ID, Path, When, By, Place string
	Attention, Findings       int
}

// headsOf returns the lines of finished visits, with times as of now.
func headsOf(visits []*visit.Visit, now time.Time) []headView {
	var out []headView
	for _, v := range visits {
		h := headView{
			ID: v.ID, Path: "/visits/" + url.PathEscape(v.ID), When: figures.TimeOfDay(v.Finished, now), By: v.By,
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

// list lists the finished visits.
func (p *Records) list(w http.ResponseWriter, r *http.Request) {
	to := words.Of(r)
	v := visitsView{W: to.W}
	if p.store != nil {
		list, all, err := p.store.List(visitsShown)
		if err != nil {
			p.site.RenderFailed(w, r, err)
			return
		}
		v.Heads, v.All = headsOf(list, p.site.Facts().At), all
	}
	p.site.Show(w, r, http.StatusOK, web.Content{Template: "visits", Data: v, Title: to.W["VisitsTitle"], Nav: "/visit"})
}

// file sends a finished visit: as a report, or with .json or .csv after its name as data.
func (p *Records) file(w http.ResponseWriter, r *http.Request) {
	to := words.Of(r)
	id, form := r.PathValue("id"), ""
	for _, ext := range []string{".json", ".csv"} {
		if base, is := strings.CutSuffix(id, ext); is {
			id, form = base, ext
		}
	}
	err := error(visit.ErrNone)
	var v *visit.Visit
	if p.store != nil {
		v, err = p.store.Get(id)
	}
	if err != nil {
		if !errors.Is(err, visit.ErrNone) {
			p.site.Log.Error("visit can't be read", "visit", id, "err", err)
		}
		p.site.Say(w, r, http.StatusNotFound, web.Message{
			Head: to.W["NotFound"], Text: to.W["NoSuchVisit"], Path: "/visits", Link: to.W["VisitsTitle"],
		})
		return
	}
	switch form {
	case ".json":
		w.Header().Set("Content-Disposition", `attachment; filename="`+id+`.json"`)
		p.site.SendJSON(w, r, http.StatusOK, v)
	case ".csv":
		var b bytes.Buffer
		if err := v.WriteCSV(&b); err != nil {
			p.site.RenderFailed(w, r, err)
			return
		}
		w.Header().Set("Content-Disposition", `attachment; filename="`+id+`.csv"`)
		web.Send(w, r, http.StatusOK, "text/csv; charset=utf-8", b.Bytes())
	default:
		p.show(w, r, v, "")
	}
}

// preview shows the report of the visit under way, with the way to finish it.
func (p *Records) preview(w http.ResponseWriter, r *http.Request) {
	var d *visit.Draft
	if p.store != nil {
		d = p.store.Draft()
	}
	if d == nil {
		http.Redirect(w, r, "/visit", http.StatusSeeOther)
		return
	}
	bar, err := barEnd(words.Of(r), d)
	if err != nil {
		p.site.RenderFailed(w, r, err)
		return
	}
	p.show(w, r, d.Preview(p.store.Form(), p.site.Facts()), bar)
}

const visitsSchema = "liftbank.visits.v1"

// Answer is what programs get of finished visits.
type Answer struct {
	Schema string         `json:"schema"`
	All    int            `json:"all"`
	Visits []*visit.Visit `json:"visits"` // newest first
}

// apiList returns finished visits, newest first: at most ?limit=, by default 20.
func (p *Records) apiList(w http.ResponseWriter, r *http.Request) {
	limit := 20
	if text := r.URL.Query().Get("limit"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > visitsShown {
			p.site.SendError(w, r, http.StatusBadRequest, fmt.Sprintf("limit: %q: want 1 to %d", text, visitsShown))
			return
		}
		limit = n
	}
	a := Answer{Schema: visitsSchema, Visits: []*visit.Visit{}}
	if p.store != nil {
		list, all, err := p.store.List(limit)
		if err != nil {
			p.site.RenderFailed(w, r, err)
			return
		}
		a.Visits, a.All = append(a.Visits, list...), all
	}
	p.site.SendJSON(w, r, http.StatusOK, a)
}

// apiOne returns one finished visit.
func (p *Records) apiOne(w http.ResponseWriter, r *http.Request) {
	if p.store != nil {
		if v, err := p.store.Get(r.PathValue("id")); err == nil {
			p.site.SendJSON(w, r, http.StatusOK, v)
			return
		}
	}
	p.site.SendError(w, r, http.StatusNotFound, "no such visit")
}
