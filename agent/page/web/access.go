package web

import (
	"errors"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/words"
	"liftbank/agent/pin"
)

// SessionCookie is the name of the cookie of a session.
const SessionCookie = "liftbank_session"

// Access asks for the PIN before what changes something.
type Access struct{ site *Site }

// NewAccess returns the access to a site's forms.
func NewAccess(s *Site) *Access { return &Access{site: s} }

// Routes registers the page of the PIN.
func (a *Access) Routes(mux *http.ServeMux) {
	mux.HandleFunc("GET /pin", a.page)
	mux.HandleFunc("POST /pin", a.signIn)
	mux.HandleFunc("POST /pin/out", a.signOut)
}

// pinView is the form that asks for the PIN. Kept are the fields of a form that came without a
// session: nothing typed is lost.
type pinView struct {
	W            map[string]string
	Action, Next string
	Wrong        string
	Kept         []hidden
	None         bool // no PIN was set
}

type hidden struct{ Name, Value string }

// Authorize lets a form pass that comes with a session or with the PIN itself, and else asks for
// it.
func (a *Access) Authorize(w http.ResponseWriter, r *http.Request) bool {
	if a.site.SignedIn(r) {
		return true
	}
	if a.site.PIN != nil && r.PostForm.Has("pin") {
		err := a.site.PIN.Try(addressOf(r), r.PostForm.Get("pin"))
		if err == nil {
			a.begin(w)
			return true
		}
		a.ask(w, r, err)
		return false
	}
	a.ask(w, r, nil)
	return false
}

// begin starts a session for the browser.
func (a *Access) begin(w http.ResponseWriter) {
	text, life := a.site.PIN.Session()
	http.SetCookie(w, &http.Cookie{
		Name: SessionCookie, Value: text, Path: "/", MaxAge: int(life.Seconds()), HttpOnly: true,
		SameSite: http.SameSiteStrictMode,
	})
}

// ask shows the form for the PIN in place of what was asked. wrong is why the last one wasn't
// taken.
func (a *Access) ask(w http.ResponseWriter, r *http.Request, wrong error) {
	to := words.Of(r)
	v := pinView{W: to.W, Action: r.URL.Path, None: a.site.PIN == nil}
	status := http.StatusUnauthorized
	wait, tooMany := errors.AsType[pin.WaitError](wrong)
	switch {
	case v.None:
		status, v.Wrong = http.StatusForbidden, to.W["PINNone"]
	case tooMany:
		status, v.Wrong = http.StatusTooManyRequests, words.Fill(to.W["PINWait"], "time", figures.Span(wait.For))
	case wrong != nil:
		v.Wrong = to.W["PINWrong"]
	}
	if WantsJSON(r) {
		a.site.SendError(w, r, status, strings.TrimSpace(to.W["PINAsk"]+" "+v.Wrong))
		return
	}
	if r.Method == http.MethodGet || r.Method == http.MethodHead {
		v.Action, v.Next = "/pin", OwnPath(r.URL.RequestURI())
	}
	for name, values := range r.PostForm {
		for _, value := range values {
			switch name {
			case "pin":
			case "next":
				v.Next = value
			default:
				v.Kept = append(v.Kept, hidden{name, value})
			}
		}
	}
	slices.SortFunc(v.Kept, func(a, b hidden) int { return strings.Compare(a.Name+a.Value, b.Name+b.Value) })
	a.site.Show(w, r, status, Content{Template: "pin", Data: v, Title: to.W["PINTitle"]})
}

// signIn checks the PIN and continues where it was required.
func (a *Access) signIn(w http.ResponseWriter, r *http.Request) {
	if a.site.ReadForm(w, r) && a.Authorize(w, r) {
		http.Redirect(w, r, OwnPath(r.PostForm.Get("next")), http.StatusSeeOther)
	}
}

// page asks for the PIN at a person's own wish.
func (a *Access) page(w http.ResponseWriter, r *http.Request) {
	to := words.Of(r)
	v := pinView{W: to.W, Action: "/pin", Next: OwnPath(r.URL.Query().Get("next")), None: a.site.PIN == nil}
	if v.None {
		v.Wrong = to.W["PINNone"]
	}
	a.site.Show(w, r, http.StatusOK, Content{Template: "pin", Data: v, Title: to.W["PINTitle"]})
}

func (a *Access) signOut(w http.ResponseWriter, r *http.Request) {
	http.SetCookie(w, &http.Cookie{
		Name: SessionCookie, Path: "/", MaxAge: -1, HttpOnly: true, SameSite: http.SameSiteStrictMode,
	})
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// addressOf returns the address that tries of the PIN are counted by.
func addressOf(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	return host
}

// Require asks for the PIN before a page that is of use only with it; it reports whether the
// page may be shown.
func (a *Access) Require(w http.ResponseWriter, r *http.Request) bool {
	if a.site.SignedIn(r) {
		return true
	}
	if a.site.PIN == nil {
		a.ask(w, r, nil)
		return false
	}
	http.Redirect(w, r, "/pin?"+url.Values{"next": {OwnPath(r.URL.RequestURI())}}.Encode(), http.StatusSeeOther)
	return false
}
