package visits

import (
	"net/http"
	"strconv"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/web"
	"liftbank/agent/page/words"
	"liftbank/agent/visit"
)

// clashView is a field for which two texts stand.
type clashView struct {
	ID           int
	Where        string
	Base         string
	Saved, Other textView
	Both         string // empty: they can't be joined
	Multi        bool
}

// textView is one of the two.
type textView struct {
	Text, By, At string
	Phone        string // the browser that wrote it
}

type settleView struct {
	W       map[string]string
	Draft   *visit.Draft
	Clashes []clashView
	Problem string
	Text    string // that could not be kept
}

// Heading returns the page's heading.
func (v settleView) Heading() string {
	if len(v.Clashes) == 0 {
		return v.W["SettledAll"]
	}
	return v.W["ConflictTitle"]
}

func (p *Forms) settlePage(w http.ResponseWriter, r *http.Request) {
	if d := p.openVisit(w, r); d != nil {
		p.showSettle(w, r, http.StatusOK, d, "", "")
	}
}

// showSettle shows both texts of each field that two people have changed.
func (p *Forms) showSettle(w http.ResponseWriter, r *http.Request, status int, d *visit.Draft, problem, text string) {
	to, form := words.Of(r), p.store.Form()
	now := p.site.Facts().At
	v := settleView{W: to.W, Draft: d, Problem: problem, Text: text}
	for _, c := range d.ToSettle {
		f := form.Field(c.Key)
		if f == nil { // the checklist has changed
			f = &visit.Field{Key: c.Key, Kind: visit.Note}
		}
		said := func(value string) string {
			switch {
			case value == "":
				return to.W["Empty"]
			case f.Kind == visit.Choice:
				return to.Label("Choice", value)
			}
			return shown(to, f, value)
		}
		by, at := d.Author(c.Key)
		cv := clashView{
			ID: c.ID, Where: where(to, form, c.Key), Base: said(c.Base), Multi: f.Kind == visit.Note,
			Saved: textView{Text: said(d.Fields[c.Key]), By: by, At: figures.TimeOfDay(at, now)},
			Other: textView{Text: said(c.Mine), By: c.By, At: figures.TimeOfDay(c.At, now), Phone: c.Phone},
		}
		if f.Kind == visit.Text || f.Kind == visit.Note {
			cv.Both = visit.Both(f.Kind, d.Fields[c.Key], c.Mine)
		}
		v.Clashes = append(v.Clashes, cv)
	}
	p.show(w, r, status, d, web.Content{Template: "settle", Data: v, Title: v.Heading()})
}

// settle keeps what somebody has chosen of two texts.
func (p *Forms) settle(w http.ResponseWriter, r *http.Request) {
	if !p.pass(w, r) {
		return
	}
	to, form := words.Of(r), r.PostForm
	how, known := map[string]visit.Settled{
		"saved": visit.KeepSaved, "other": visit.KeepOther, "both": visit.KeepBoth, "new": visit.Rewrite,
	}[form.Get("keep")]
	clash, err := strconv.Atoi(form.Get("clash"))
	if err != nil || !known {
		p.site.Fail(w, r, http.StatusBadRequest, web.Message{
			Head: to.W["BadForm"], Text: to.W["BadFormMore"], Path: "/visit/settle", Link: to.W["NavVisit"],
		})
		return
	}
	res, err := p.store.Settle(form.Get("id"), clash, how, form.Get("text"), p.facts(r))
	switch {
	case err != nil:
		p.refuse(w, r, err)
	case len(res.Refusals) > 0:
		f := res.Refusals[0]
		field := p.store.Form().Field(f.Key)
		p.showSettle(w, r, http.StatusUnprocessableEntity, res.Draft, trouble(to, field, f.Why), f.Value)
	default:
		http.Redirect(w, r, "/visit/settle", http.StatusSeeOther)
	}
}
