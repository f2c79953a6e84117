package page

import (
	"context"
	"net/http"
	"time"

	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
	"liftbank/agent/visit"
)

// workPages are the switch of work under way: while it is on, what somebody does to the unit raises
// no finding and teaches nothing.
type workPages struct {
	site   *web.Site
	access *web.Access
	store  *visit.Store // nil: visits are not kept
	turn   visit.Switch // nil: there is no switch
}

// Routes registers the switch, for people and for programs.
func (p *workPages) Routes(mux *http.ServeMux) {
	mux.HandleFunc("GET /work", p.page)
	mux.HandleFunc("POST /work", p.set)
	mux.HandleFunc("GET /api/v1/work", p.state)
	mux.HandleFunc("POST /api/v1/work", p.set)
}

type workView struct {
	W         map[string]string
	Error, On string
	NoPIN     bool
	Switch    *web.WorkSwitch
}

func (p *workPages) page(w http.ResponseWriter, r *http.Request) { p.show(w, r, http.StatusOK, "") }

func (p *workPages) show(w http.ResponseWriter, r *http.Request, status int, problem string) {
	to := words.Of(r)
	by := tidyText(r.PostForm.Get("by"), 120)
	if by == "" && p.store != nil {
		if d := p.store.Draft(); d != nil {
			by = d.Fields["by"]
		}
	}
	v := workView{W: to.W, Error: problem, NoPIN: p.site.PIN == nil, Switch: p.site.WorkSwitch(to, by)}
	if u := web.UnderWayOf(to, p.site.Hub.Current()); u != nil {
		v.On = u.Head
	}
	p.site.Show(w, r, status, web.Content{Template: "work", Data: v, Title: to.W["WorkSwitch"], Nav: "/visit"})
}

// WorkAnswer is what a program is told of work under way: null while nobody works on the unit.
type WorkAnswer struct {
	Work *snapshot.UnderWay `json:"work"`
}

func (p *workPages) state(w http.ResponseWriter, r *http.Request) {
	snap := p.site.Hub.Current()
	if snap == nil {
		p.site.SendError(w, r, http.StatusServiceUnavailable, words.Of(r).W["NoReadingYet"])
		return
	}
	p.site.SendJSON(w, r, http.StatusOK, WorkAnswer{snap.Work})
}

// set begins or ends work under way.
func (p *workPages) set(w http.ResponseWriter, r *http.Request) {
	if !p.site.ReadForm(w, r) || !p.access.Authorize(w, r) {
		return
	}
	to, form := words.Of(r), r.PostForm
	by, on := tidyText(form.Get("by"), 120), form.Get("do") == "begin"
	switch {
	case p.turn == nil:
		p.refuse(w, r, http.StatusServiceUnavailable, to.W["CantAct"])
		return
	case !on && form.Get("do") != "end":
		p.refuse(w, r, http.StatusUnprocessableEntity, to.W["BadFormMore"])
		return
	case by == "":
		p.refuse(w, r, http.StatusUnprocessableEntity, to.W["WantName"])
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), actLimit)
	defer cancel()
	var err error
	if on {
		err = p.turn.BeginWork(ctx, visit.BySwitch, by)
	} else {
		err = p.turn.EndWork(ctx, by)
	}
	if err != nil {
		p.site.Log.Warn("work under way not changed", "err", err)
		p.refuse(w, r, http.StatusConflict, to.W["NotTaken"]+" "+err.Error())
		return
	}
	p.await(ctx, on)
	if web.WantsJSON(r) {
		p.state(w, r)
		return
	}
	http.Redirect(w, r, "/visit", http.StatusSeeOther)
}

// await waits for the snapshot that shows the change, for a moment: the next page is made from it.
func (p *workPages) await(ctx context.Context, on bool) {
	const most = 2 * time.Second
	ctx, cancel := context.WithTimeout(ctx, most)
	defer cancel()
	for snap := p.site.Hub.Current(); snap != nil && (snap.Work != nil) != on; {
		next, err := p.site.Hub.Next(ctx, snap.Seq)
		if err != nil {
			return
		}
		snap = next
	}
}

func (p *workPages) refuse(w http.ResponseWriter, r *http.Request, status int, why string) {
	if web.WantsJSON(r) {
		p.site.SendError(w, r, status, why)
		return
	}
	p.show(w, r, status, why)
}
